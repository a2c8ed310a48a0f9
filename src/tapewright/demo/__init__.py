"""The demonstration: a program of a made-up machine to tape and back, with the commands everybody uses."""

from tapewright.demo.story import run

__all__ = ["run"]
