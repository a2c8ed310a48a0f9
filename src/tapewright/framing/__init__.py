"""Framing: bytes to symbols and back, with start, stop and parity."""

from tapewright.framing.decode import Framer
from tapewright.framing.encode import byte_symbols, encode

__all__ = ["Framer", "byte_symbols", "encode"]
