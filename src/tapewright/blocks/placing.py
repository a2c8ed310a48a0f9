"""Where the blocks after one header belong, and which of them were not heard."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from tapewright.blocks.evidence import Parsed

__all__ = ["Unit", "settled"]

#: A missing block leaves this share of its time, or more, between its neighbours.
MISSING_SHARE = 0.7
#: Time left over beyond whole blocks by more than this share of one says that the tape also paused.
PAUSE_SHARE = 0.3


@dataclass
class Unit:
    """One block among those after a header, with its copies.

    Parameters
    ----------
    parsed : Parsed
        Its first copy.
    count : int
        Data bytes.
    is_sure : bool
        Whether the block vouches for that number.
    known : int or None
        How many bytes of the program stand before it, where its own fields say so.
    address : int or None
        Where it loads, where its own fields say so.
    start_seconds, end_seconds : float
        From its first byte to the last byte of its last copy.
    between_seconds : float
        What the format leaves between the block before it and its first byte.
    each_seconds : float
        What a full block takes, to the first byte of the next.
    size : int or None
        Bytes in a full block.
    is_fixed : bool
        Whether every block is full, filled up beyond the end of the program.
    copies : int
        How many times each block stands on tape.
    all_copies : list of Parsed
        Those that were heard.
    """

    parsed: Parsed
    count: int
    is_sure: bool
    known: int | None
    address: int | None
    start_seconds: float
    end_seconds: float
    between_seconds: float
    each_seconds: float
    size: int | None
    is_fixed: bool
    copies: int
    all_copies: list[Parsed] = field(default_factory=list)

    @property
    def step(self) -> int:
        """Bytes from its first one to the first one of the next block."""
        return self.count if self.size is None or self.is_sure else self.size

    @property
    def is_short(self) -> bool:
        """Whether it can only be the last one."""
        return self.is_sure and not self.is_fixed and self.size is not None and self.count < self.size


def settled(
    units: Sequence[Unit], begin_seconds: float, base: int, total: int | None, start: int | None = None
) -> list[int | None]:
    """Say how many bytes of the program stand before each block; None where that cannot be known.

    A block's own number, count of what remains, or address says so for sure. Else the time since the block
    before it does, as far as that agrees with how many bytes the header promises in all; and a last block
    that is not full ends just where the program does.

    Parameters
    ----------
    units : sequence of Unit
        In order of time.
    begin_seconds : float
        When the header ended.
    base : int
        Bytes the header itself holds.
    total : int or None
        Bytes all blocks hold together, if that is known.
    start : int or None
        Address of the first byte, if that is known.
    """
    if not units:
        return []
    ends = [begin_seconds, *(unit.end_seconds for unit in units[:-1])]
    heard = [1, *(len(unit.all_copies) for unit in units[:-1])]
    skipped = [
        _blocks_in(unit, unit.start_seconds - end, copies, number > 0)
        for number, (unit, end, copies) in enumerate(zip(units, ends, heard, strict=True))
    ]
    by_time = all(unit.known is None and unit.address is None for unit in units)
    if total is not None and by_time:
        skipped = _agreeing(units, skipped, total - base - sum(unit.step for unit in units))
    places: list[int | None] = []
    place: int | None = base
    for unit, (count, is_certain) in zip(units, skipped, strict=True):
        if unit.known is not None:
            place = unit.known
        elif unit.address is not None and start is not None and unit.address >= start:
            place = unit.address - start
        elif place is not None:
            place = place + count * (unit.size or 0) if is_certain else None
        if start is None and unit.address is not None and place is not None:
            start = unit.address - place
        places.append(place)
        place = None if place is None else place + unit.step
    if total is not None and by_time and units[-1].is_short:
        places = _from_the_end(units, skipped, places, total)
    return places


def _blocks_in(unit: Unit, elapsed: float, heard_before: int, has_one_before: bool) -> tuple[int, bool]:
    """Count the blocks that fit into a time between two, and say whether that is certain."""
    if unit.size is None or unit.each_seconds <= 0:
        return 0, True
    pieces = max(0.0, (elapsed - unit.between_seconds) / unit.each_seconds)
    # copies of the neighbours themselves may be missing
    unheard = unit.copies - len(unit.all_copies) + (unit.copies - heard_before if has_one_before else 0)
    most = int(np.floor((pieces + 1 - MISSING_SHARE) / unit.copies))
    least = max(0, int(np.ceil((pieces - unheard - PAUSE_SHARE) / unit.copies)))
    return most, most == 0 or least == most


def _agreeing(units: Sequence[Unit], skipped: list[tuple[int, bool]], missing: int) -> list[tuple[int, bool]]:
    """Bring what the times say into line with how many bytes are missing in all."""
    size = units[-1].size
    if size is None or any(unit.size != size for unit in units):
        return skipped
    if missing <= 0:
        # every block is there, whatever the pauses; more than were promised say that the promise is wrong
        return [(0, True)] * len(units) if missing > -size else skipped
    found = sum(count for count, _ in skipped) * size
    doubtful = [k for k, (count, is_certain) in enumerate(skipped) if count or not is_certain]
    if units[-1].is_short and found != missing:
        if len(doubtful) == 1 and missing % size == 0:
            return [(missing // size if k == doubtful[0] else 0, True) for k in range(len(units))]
        return [(count, k not in doubtful) for k, (count, _) in enumerate(skipped)]
    if found > missing:
        return [(count, k not in doubtful) for k, (count, _) in enumerate(skipped)]
    if units[-1].is_short:
        return [(count, True) for count, _ in skipped]
    return skipped


def _from_the_end(
    units: Sequence[Unit], skipped: list[tuple[int, bool]], places: list[int | None], total: int
) -> list[int | None]:
    """Fill in the places that are known from the end of the program."""
    places = list(places)
    end = total
    for k in range(len(units) - 1, -1, -1):
        if places[k] is not None:
            break
        places[k] = end = end - units[k].step
        count, is_certain = skipped[k]
        if count or not is_certain:
            break
    return places
