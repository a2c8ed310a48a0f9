"""Compiled loops of the search for blocks."""

from __future__ import annotations

import numpy as np
from numba import njit

__all__ = ["lead_ends"]


@njit(cache=True)
def lead_ends(score, phase, most):  # type: ignore[no-untyped-def]
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

    Returns
    -------
    bits : ndarray of float64, shape (n + 1,)
    first : ndarray of int64, shape (n + 1,)
        Where the stretch begins.
    """
    length, n = score.shape
    bits = np.zeros(n + 1)
    first = np.zeros(n + 1, np.int64)
    total, begin = 0.0, 0
    first[0] = 0
    for p in range(n):
        total += score[(p - phase) % length, p]
        if total <= 0.0:
            total, begin = 0.0, p + 1
        elif total > most:
            total = most
        bits[p + 1], first[p + 1] = total, begin
    return bits, first
