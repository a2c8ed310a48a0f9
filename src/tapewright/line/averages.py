"""Running means.

scipy.ndimage has them too, but takes a quarter of a second to import: as long as reading ten seconds of tape.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
import numpy.typing as npt

__all__ = ["running_mean"]

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
    if not len(values):
        return np.zeros(0)
    before, after = size // 2 + origin, size - 1 - size // 2 - origin
    total = np.zeros(len(values) + size)
    np.cumsum(_extended(values, before, after, beyond), out=total[1:])
    mean = total[size:] - total[:-size]
    mean /= size
    return mean


def _extended(
    values: npt.NDArray[np.floating], before: int, after: int, beyond: Literal["symmetric", "edge"]
) -> npt.NDArray[np.floating]:
    count = len(values)
    if beyond == "edge":
        return np.concatenate((np.full(before, values[0]), values, np.full(after, values[-1])))
    if max(before, after) > count:  # mirrors in mirrors
        return np.pad(values, (before, after), mode="symmetric")
    return np.concatenate((values[:before][::-1], values, values[count - after :][::-1]))
