"""Items of a block's layout as found among its bytes, what may be one, and what else may stand there."""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["Option", "Part", "Rival"]


@dataclass(frozen=True)
class Part:
    """One item of a block's layout, as found.

    Parameters
    ----------
    kind : {"constant", "unknown", "field", "text"}
    first : int
        Where it begins among the bytes explained.
    widths : tuple of int
        Bytes on tape it takes in each block.
    type : str
        Of a field: as in a card.
    coding : {"plain", "hex"}
    fact : str
        Of a field: the name the writer knows it by, or ``two`` for the two numbers of a flag.
    offset : int
        What is added to that number.
    two : (int, int)
        Of a flag: the number in the last block and in those before it.
    value : bytes
        Of a constant or unknown: the bytes of the first block. Of a text: its end or its padding.
    is_ended : bool
        Whether a text is ended by `value`, and not filled up with it.
    lead_bits : float
        By how many bits the description gets longer without it.
    others : tuple of Rival
        What else may stand here, the likeliest first.
    """

    kind: str
    first: int
    widths: tuple[int, ...]
    type: str = ""
    coding: str = "plain"
    fact: str = ""
    offset: int = 0
    two: tuple[int, int] = (0, 0)
    value: bytes = b""
    is_ended: bool = False
    lead_bits: float = math.inf
    others: tuple[Rival, ...] = ()

    @property
    def rivals(self) -> tuple[str, ...]:
        """What else it may be, in plain words."""
        return tuple(rival.words for rival in self.others)

    @property
    def words(self) -> str:
        """What it is, for people."""
        if self.kind == "constant":
            return f"always {self.value.hex(' ').upper()}"
        if self.kind == "unknown":
            return "not known"
        if self.kind == "text" and self.is_ended:
            return "a name ended by " + self.value.hex().upper()
        if self.kind == "text":
            size = self.widths[0] // (2 if self.coding == "hex" else 1)
            return f"a name of {size}, filled up with {self.value.hex().upper()}"
        if self.fact == "two":
            return f"{self.two[0]} in the last block, {self.two[1]} before"
        change = f" {'+' if self.offset > 0 else '-'} {abs(self.offset)}" if self.offset else ""
        return f"{self.fact}{change} ({self.type})"


@dataclass(frozen=True)
class Rival:
    """Another description of the same bytes.

    Parameters
    ----------
    mine, other : tuple of Part
        The parts of the shortest description, and those that may stand in their place.
    bits : float
        By how much the whole description is longer with the others.
    """

    mine: tuple[Part, ...]
    other: tuple[Part, ...]
    bits: float

    @property
    def words(self) -> str:
        """The others, for people."""
        return ", ".join(part.words for part in self.other)


@dataclass(frozen=True, eq=False)
class Option:
    """A part that may stand somewhere.

    Parameters
    ----------
    part : Part
    cost : float
        In bits, whatever the usual byte order of numbers is.
    end : int
        Where it ends among the bytes explained.
    """

    part: Part
    cost: float
    end: int
