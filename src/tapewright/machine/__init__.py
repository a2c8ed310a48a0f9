"""The machine's own electronics: so far the output stage, which shapes what it sends to the recorder."""

from tapewright.machine.output import coupled, node_volts, port_levels

__all__ = ["coupled", "node_volts", "port_levels"]
