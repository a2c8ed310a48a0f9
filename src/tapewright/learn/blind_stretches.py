"""Bits to stretches of bytes where no byte is known: what follows leaders, in step with its first symbol."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import numpy.typing as npt

from tapewright.learn.framing import Framing, frame_places
from tapewright.learn.matching import NOT_KNOWN
from tapewright.learn.stream import NO_BIT, Stream
from tapewright.learn.stretches import Stretch, surroundings
from tapewright.model.runs import runs_of

__all__ = ["blind_stretches", "leader_heard", "regions"]

#: So many leader symbols or more are a leader; fewer, down to the shortest, if what follows begins as
#: other stretches.
LEADER, SHORTEST_LEADER = 96, 14
#: Bits that stretches begin with to be alike.
ALIKE = 8
#: Fewer bits than this are no stretch.
FEWEST_BITS = 24
#: Idle time between bytes of one stretch is at most this many times the usual, and so many symbols more.
IDLE_FACTOR, IDLE_SLACK = 2.0, 8

BitArray = npt.NDArray[np.int8]
IntArray = npt.NDArray[np.int64]


def blind_stretches(
    streams: Sequence[Stream], framing: Framing, leaders: Sequence[str], skip: int = 0
) -> list[Stretch]:
    """Cut what was heard of all saves into stretches of bytes.

    Parameters
    ----------
    streams : sequence of Stream
        Not swapped.
    framing : Framing
    leaders : sequence of str
        Of each save: the symbol its leaders consist of, by the name the receiver gives it.
    skip : int
        Without start symbols: how many symbols after the leader the first byte begins.

    Returns
    -------
    list of Stretch
        Save by save, in order of time; none of their bytes is known.
    """
    found: list[Stretch] = []
    for save, (stream, leader, swapped) in enumerate(zip(streams, leaders, framing.swapped, strict=True)):
        turned = Stream(stream.symbols, swapped)
        values = turned.values(framing.byte.bits, framing.byte.order)
        cut = _followed(turned, framing) if framing.byte.start else _end_to_end(turned, framing, leader, skip)
        pieces = [_piece(save, values, places, framing) for places in cut if len(places)]
        found += surroundings(turned, pieces, framing, leader)
    return found


def leader_heard(stream: Stream, leader: str) -> str:
    """The symbol that a save's leader was heard as, with a code in which 0 is 1 upside down.

    A receiver may take such a leader for either, and finds out at its end: what counts is what stands before
    the longest stretch of bytes.

    Parameters
    ----------
    stream : Stream
        Not swapped.
    leader : str
        The symbol leaders consist of by what was proposed.
    """
    bits = stream.bits
    runs = [(int(first), int(end), value) for value in (0, 1) for first, end in runs_of(bits == value)]
    leaders = sorted(run for run in runs if run[1] - run[0] >= FEWEST_BITS)
    begins = [*(first for first, _, _ in leaders[1:]), len(bits)]
    after = [begin - end for (_, end, _), begin in zip(leaders, begins, strict=False)]
    return "01"[leaders[int(np.argmax(after))][2]] if leaders else leader


def _piece(save: int, values: npt.NDArray[np.int16], places: IntArray, framing: Framing) -> Stretch:
    spare = np.zeros(0, np.int16)
    if not framing.byte.start:
        after = places[-1] + framing.byte.symbols_per_byte * np.arange(1, 5)
        spare = values[after[after < len(values)]]
    return Stretch(save, values[places], spare, places, np.full(len(places), NOT_KNOWN, np.int64))


def _followed(stream: Stream, framing: Framing) -> Iterator[IntArray]:
    byte = framing.byte
    places = frame_places(stream.bits, int(byte.start), byte.bits + (byte.parity != "none"))
    if not len(places):
        return
    idle = np.diff(places) - byte.symbols_per_byte
    usual = float(np.quantile(idle, 0.9)) if len(idle) else 0.0
    hole = np.cumsum(stream.bits == NO_BIT)
    apart = (idle > IDLE_FACTOR * usual + IDLE_SLACK) | (hole[places[1:]] > hole[places[:-1]])
    yield from np.split(places, np.flatnonzero(apart) + 1)


def _end_to_end(stream: Stream, framing: Framing, leader: str, skip: int) -> Iterator[IntArray]:
    byte = framing.byte
    count = len(stream.bits) - byte.bits + 1
    for first, end in regions(stream, leader):
        places = np.arange(first + skip, min(end, count), byte.symbols_per_byte, dtype=np.int64)
        yield places


def regions(stream: Stream, leader: str) -> list[tuple[int, int]]:
    """Tell first and last bit (exclusive) of what stands after each leader.

    Parameters
    ----------
    stream : Stream
    leader : str
        By the name the receiver gives it.
    """
    bits = stream.bits
    quiet = bits == NO_BIT
    if leader in "01":
        value = int(leader) ^ stream.swapped
        runs = runs_of(bits == value)
        lengths = runs[:, 1] - runs[:, 0]
        long = runs[lengths >= min(LEADER, max(lengths.max(initial=0) // 2, SHORTEST_LEADER))]
        alike = _beginning(bits, long)
        for first, end in runs[lengths >= SHORTEST_LEADER]:
            after = bits[end : end + ALIKE]
            if alike is None or np.array_equal(after, alike) or end == len(bits) or after[0] == NO_BIT:
                quiet[first:end] = True
    return [(int(first), int(end)) for first, end in runs_of(~quiet) if end - first >= FEWEST_BITS]


def _beginning(bits: BitArray, leaders: IntArray) -> BitArray | None:
    """What follows the longest leader."""
    ends = [end for first, end in sorted(leaders.tolist(), key=lambda run: run[0] - run[1])]
    for end in ends:
        after = bits[end : end + ALIKE]
        if len(after) == ALIKE and (after >= 0).all():
            return after
    return None
