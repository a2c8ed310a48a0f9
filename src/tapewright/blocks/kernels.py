"""Compiled loops of the search for blocks."""

from __future__ import annotations

from tapewright.compiled import kernel

__all__ = ["frame_trials", "lead_ends"]


@kernel
def lead_ends(score, phase, most, bits, first):  # type: ignore[no-untyped-def]
    """Score the best stretch of a leader ending before each place, for one phase of a repeated leader.

    A running sum that never falls below 0 (a new leader may start anywhere) nor rises above `most` (a long
    leader is over as soon as a short one would be).

    Parameters
    ----------
    score : ndarray of float32, shape (length, n)
        Evidence for each symbol of the leader at each place.
    phase : int
        Place `phase` holds symbol 0 of the leader.
    most : float
    bits : ndarray of float64, shape (n + 1,)
    first : ndarray of int64, shape (n + 1,)
        Where the stretch begins. Both are filled in at every `length` places from `phase` on, after 0.
    """
    length, n = score.shape
    total, begin = 0.0, 0
    for p in range(n):
        total += score[(p - phase) % length, p]
        if total <= 0.0:
            total, begin = 0.0, p + 1
        elif total > most:
            total = most
        if (p + 1 - phase) % length == 0:
            bits[p + 1], first[p + 1] = total, begin


@kernel
def frame_trials(index, start, stop, length, idle, gap):  # type: ignore[no-untyped-def]
    """Go through symbols as a simple machine would: at every start, look whether there is a stop as well.

    Parameters
    ----------
    index : ndarray of int16, shape (n,)
    start, stop : ndarray of int64
        Symbols a byte begins and ends with.
    length : int
        Symbols in a byte.
    idle : int
        What stands between bytes.
    gap : int
        What stands for no signal: nothing is held against what is next to it.

    Returns
    -------
    good, bad : int
        Starts with and without a stop.
    """
    good, bad = 0, 0
    place, n = 0, len(index)
    free = False
    stop_at = length - len(stop)
    while place + length <= n:
        if index[place] == gap:
            free = True
            place += 1
            continue
        fits = True
        for k in range(len(start)):
            fits &= index[place + k] == start[k]
        if not fits:
            if index[place] != idle and not free:
                bad += 1
            place += 1
            continue
        has_gap = False
        for k in range(length):
            has_gap |= index[place + k] == gap
        for k in range(len(stop)):
            fits &= index[place + stop_at + k] == stop[k]
        if has_gap:
            free = True
        elif fits:
            good += 1
            free = False
        elif not free:
            bad += 1
        place += length if fits else 1
    return good, bad
