"""What block reading needs from framing, without knowing it."""

from __future__ import annotations

from typing import Protocol

import numpy as np
import numpy.typing as npt

from tapewright.model import ByteRun

__all__ = ["ByteReader"]


class ByteReader(Protocol):
    """Reads bytes from any place in a stream of symbols."""

    def symbols_of(self, data: bytes) -> str:
        """Give the symbols these bytes are on tape."""

    def read(self, first_symbol: int, count: int) -> ByteRun:
        """Read `count` bytes from a symbol on, or as many as there are."""

    def read_until_lead(self, first_symbol: int, most: int, idle_seconds: float) -> ByteRun:
        """Read bytes until idle time of `idle_seconds` or the end of the signal."""

    def read_ending_at(self, end_symbol: int, count: int) -> ByteRun:
        """Read `count` bytes without anything between them, the last of which ends before a symbol."""

    def evidence_bits(self, run: ByteRun) -> npt.NDArray[np.float64]:
        """Say how much better framing explains each byte than chance does, in bits."""
