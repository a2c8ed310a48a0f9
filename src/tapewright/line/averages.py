"""Running means and medians.

scipy.ndimage has them too, but takes a quarter of a second to import: as long as reading ten seconds of tape.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
import numpy.typing as npt

from tapewright.compiled import inlined, kernel

__all__ = ["running_mean", "running_median", "sums_up_to"]

FloatArray = npt.NDArray[np.float64]


def running_mean(
    values: npt.NDArray[np.floating], size: int, *, origin: int = 0,
    beyond: Literal["symmetric", "edge"] = "symmetric",
) -> FloatArray:  # fmt: skip
    """Average each value with its neighbours.

    Parameters
    ----------
    values : ndarray, shape (n,)
    size : int
        Values in each mean; of an even number, one more of those before than of those after.
    origin : int
        By how many values the means are moved back: ``size // 2`` averages what came before.
    beyond : {"symmetric", "edge"}
        Beyond the ends the values are as in a mirror that stands there, or as the last one.

    Returns
    -------
    ndarray of float64, shape (n,)

    Examples
    --------
    >>> running_mean(np.array([0.0, 0.0, 3.0, 3.0]), 3).tolist()
    [0.0, 1.0, 2.0, 3.0]
    """
    before = size // 2 + origin
    sums = sums_up_to(values, before, size - 1 - before, beyond)
    mean: FloatArray = sums[size : size + len(values)] - sums[: len(values)]
    mean /= size
    return mean


def sums_up_to(
    values: npt.NDArray[np.floating], before: int, after: int,
    beyond: Literal["symmetric", "edge"] = "symmetric",
) -> FloatArray:  # fmt: skip
    """Sums of all values up to each, and of so many more before the first and after the last."""
    sums = np.zeros(before + len(values) + max(after, 0) + 1)
    if len(values):
        _add_up(np.ascontiguousarray(values, np.float64), before, after, beyond == "symmetric", sums)
    return sums


@kernel
def _add_up(values, before, after, is_mirrored, sums):  # type: ignore[no-untyped-def]
    count = len(values)
    total, k = 0.0, 0
    for i in range(-before, 0):
        total += values[_mirrored(i, count) if is_mirrored else 0]
        k += 1
        sums[k] = total
    for i in range(count):
        total += values[i]
        k += 1
        sums[k] = total
    for i in range(count, count + after):
        total += values[_mirrored(i, count) if is_mirrored else count - 1]
        k += 1
        sums[k] = total


@inlined
def _mirrored(i, count):  # type: ignore[no-untyped-def]
    """Which of `count` values is seen at place `i`, between mirrors at both ends."""
    i %= 2 * count
    return min(i, 2 * count - 1 - i)


def running_median(values: FloatArray, size: int) -> FloatArray:
    """Take the median of each value and its neighbours; beyond the ends the values are as in a mirror.

    Parameters
    ----------
    values : ndarray of float64, shape (n,)
    size : int
        Values in each median; of an even number, the upper one of the two in the middle.

    Returns
    -------
    ndarray of float64, shape (n,)

    Examples
    --------
    >>> running_median(np.array([0.0, 9.0, 1.0, 2.0]), 3).tolist()
    [0.0, 1.0, 2.0, 2.0]
    """
    medians = np.empty(len(values))
    if len(values):
        extended = np.pad(values, (size // 2, size - 1 - size // 2), mode="symmetric")
        _medians(extended, np.sort(extended[:size]), medians)
    return medians


@kernel
def _medians(extended, inside, medians):  # type: ignore[no-untyped-def]
    """Keep what is `inside` the window in order: one value leaves it, another comes in."""
    size = len(inside)
    medians[0] = inside[size // 2]
    for i in range(1, len(medians)):
        old, new = extended[i - 1], extended[i + size - 1]
        k = 0
        while k + 1 < size and inside[k] != old:
            k += 1
        while k + 1 < size and inside[k + 1] < new:
            inside[k] = inside[k + 1]
            k += 1
        while k > 0 and inside[k - 1] > new:
            inside[k] = inside[k - 1]
            k -= 1
        inside[k] = new
        medians[i] = inside[size // 2]
