"""A block as it was heard: what stands before, between and after the known bytes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["Sample", "as_bytes", "once"]

#: So many equal bytes at the beginning of a block are one byte, repeated to be found by.
LEAST_REPEATS = 3


@dataclass(frozen=True)
class Sample:
    """A block as it was heard, once.

    Parameters
    ----------
    save : int
    head : bytes
        Tape bytes before the data; of a block without data, all of them.
    tail : bytes
        Tape bytes after the data.
    first, end : int
        Which of the program's bytes it holds (`end` exclusive); equal where it holds none.
    repeats : int
        How often the first byte of `head` stands on tape; `head` has it once.
    mark, lead : str
        Symbols before it.
    lead_seconds, trail_seconds, gap_seconds : float
    copies : int
        How often the same block stands on tape, one after another.
    spare : bytes
        What would follow if it went on into its trailer: its last bytes may look like that.
    filling : bytes
        Bytes after those of the program that make a last block as long as the others.
    """

    save: int
    head: bytes
    tail: bytes
    first: int
    end: int
    repeats: int = 1
    mark: str = ""
    lead: str = ""
    lead_seconds: float = 0.0
    trail_seconds: float = 0.0
    gap_seconds: float = 0.0
    copies: int = 1
    spare: bytes = b""
    filling: bytes = b""

    @property
    def has_data(self) -> bool:
        """Whether known bytes are in it."""
        return self.end > self.first

    @property
    def count(self) -> int:
        """How many of the program's bytes it holds."""
        return self.end - self.first

    @property
    def room(self) -> int:
        """How many bytes stand where data do, filling among them."""
        return self.count + len(self.filling)


def as_bytes(values: npt.NDArray[np.int16]) -> bytes:
    """Values of a stretch as bytes; where there is none, 00."""
    return np.maximum(values, 0).astype(np.uint8).tobytes()


def once(head: bytes) -> tuple[bytes, int]:
    """A head that begins with one byte many times, with that byte once."""
    repeats = len(head) - len(head.lstrip(head[:1])) if head else 0
    return (head[repeats - 1 :], repeats) if repeats >= LEAST_REPEATS else (head, 1)
