"""Which bytes of a stretch are which of the known ones."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt

from tapewright.learn.known import NEEDLE, Needles

__all__ = ["NOT_KNOWN", "continued", "known_offsets"]

#: Stands for bytes that are none of the known ones.
NOT_KNOWN = -1
#: A misread byte within a run of known ones is still one of them if so many after it agree.
AGREE_AGAIN = 3
MOST_MISREAD = 3
#: Where data usually begin, so many bytes that should come next are believed to be them.
FEWEST_IN_PLACE = 2

IntArray = npt.NDArray[np.int64]


def known_offsets(values: npt.NDArray[np.int16], sent: bytes, needles: Needles | None = None) -> IntArray:
    """Tell for each byte of a stretch which of the known bytes it is.

    Runs begin where a needle of known bytes stands and are followed both ways as long as they agree, across
    single misread bytes. Where two runs claim the same byte, the longer one has it.

    Parameters
    ----------
    values : ndarray of int16, shape (n,)
        Bytes as they stand on tape; -1 where nothing could be read.
    sent : bytes
        Known bytes as they would stand on tape.
    needles : Needles, optional
        Of `sent`, to make them once for many stretches.

    Returns
    -------
    ndarray of int64, shape (n,)
        An offset into `sent`, or `NOT_KNOWN`.
    """
    wanted = np.frombuffer(sent, np.uint8).astype(np.int16)
    places, offsets = (needles or Needles(sent)).find(values)
    which = np.full(len(values), NOT_KNOWN, np.int64)
    runs: list[tuple[int, int, int]] = []
    done: dict[int, int] = {}
    for place, offset in zip(places.tolist(), offsets.tolist(), strict=True):
        if place < done.get(place - offset, 0):
            continue
        first = place - _agreeing(values[:place][::-1], wanted[:offset][::-1])
        end = place + NEEDLE + _agreeing(values[place + NEEDLE :], wanted[offset + NEEDLE :])
        done[place - offset] = end
        runs.append((end - first, first, place - offset))
    for length, first, ahead in sorted(runs):
        which[first : first + length] = np.arange(first, first + length) - ahead
    return _bridged(_without_remnants(which))


def _without_remnants(which: IntArray) -> IntArray:
    """Drop what a longer run has left of another: programs that repeat themselves look like that."""
    shift = np.where(which == NOT_KNOWN, -1, np.arange(len(which)) - which + len(which))
    edges = np.flatnonzero(np.diff(shift)) + 1
    for part in np.split(np.arange(len(which)), edges):
        if len(part) < NEEDLE:
            which[part] = NOT_KNOWN
    return which


def _bridged(which: IntArray) -> IntArray:
    """Fill holes between runs that are as far apart as they should be: with bytes misread, and no block."""
    inside = np.flatnonzero(which != NOT_KNOWN)
    for before, after in pairwise(inside.tolist()):
        if after > before + 1 and which[after] - which[before] == after - before:
            which[before:after] = which[before] + np.arange(after - before)
    return which


def continued(values: npt.NDArray[np.int16], sent: bytes, expected: int, usual_place: int) -> IntArray | None:
    """Find the bytes that should come next, in a stretch where no run of them stands out.

    Programs repeat themselves, and a last block may hold a few bytes only.

    Parameters
    ----------
    values : ndarray of int16, shape (n,)
    sent : bytes
        Known bytes as they would stand on tape.
    expected : int
        Which of them should come next.
    usual_place : int
        Where the known bytes begin in other stretches; a few bytes are enough there.

    Returns
    -------
    ndarray of int64, shape (n,) or None
        As from `known_offsets`; None where they are not there.
    """
    wanted = np.frombuffer(sent[expected:], np.uint8).astype(np.int16)
    best, length = -1, 0
    for place in range(len(values)):
        agree = _agreeing(values[place:], wanted)
        if place == usual_place and agree >= min(FEWEST_IN_PLACE, len(wanted)):
            agree += NEEDLE
        if agree > length:
            best, length = place, agree
    if length < NEEDLE:
        return None
    count = _agreeing(values[best:], wanted)
    which = np.full(len(values), NOT_KNOWN, np.int64)
    which[best : best + count] = np.arange(expected, expected + count)
    return which


def _agreeing(values: npt.NDArray[np.int16], wanted: npt.NDArray[np.int16]) -> int:
    """How far two sequences agree from their beginnings on, single misread bytes aside."""
    n = min(len(values), len(wanted))
    equal = values[:n] == wanted[:n]
    differ = np.flatnonzero(~equal)
    end = 0
    for place in differ.tolist():
        if place < end:
            continue
        resumed = place
        while resumed < n and not equal[resumed] and resumed - place < MOST_MISREAD:
            resumed += 1
        if resumed + AGREE_AGAIN > n or not equal[resumed : resumed + AGREE_AGAIN].all():
            return int(place)
        end = resumed
    return n
