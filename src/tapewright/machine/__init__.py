"""The machine's own electronics: its output stage here; input stage, load routine and map in the modules."""

from tapewright.machine.output import coupled, node_volts, port_levels

__all__ = ["coupled", "node_volts", "port_levels"]
