"""Comparing what was heard with what was sent, by time and never by number."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["overlapping", "wrong_bytes"]

FloatArray = npt.NDArray[np.floating]


def overlapping(
    start: FloatArray, end: FloatArray, other_start: FloatArray, other_end: FloatArray
) -> npt.NDArray[np.int64]:
    """For each stretch of time, the number of the other stretch that shares most of it; -1 for none.

    The other stretches must be in order and must not overlap.
    """
    if not len(other_start):
        return np.full(len(start), -1)
    first = np.searchsorted(other_end, start, side="right")
    best = np.full(len(start), -1)
    most = np.zeros(len(start))
    for k in range(64):
        at = first + k
        inside = at < len(other_start)
        at = np.minimum(at, len(other_start) - 1)
        shared = np.minimum(end, other_end[at]) - np.maximum(start, other_start[at])
        better = inside & (shared > most + 1e-9)
        best[better], most[better] = at[better], shared[better]
        if not np.any(inside & (other_start[at] < end)):
            break
    return best


def wrong_bytes(wrong_symbols: npt.NDArray[np.bool_], bits: int) -> npt.NDArray[np.bool_]:
    """Group bits into bytes: a byte is wrong if any of its bits is."""
    whole = len(wrong_symbols) // bits * bits
    return np.asarray(wrong_symbols[:whole].reshape(-1, bits).any(axis=1), np.bool_)
