"""Runs of marked places."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["runs_of"]


def runs_of(marked: npt.NDArray[np.bool_]) -> npt.NDArray[np.int64]:
    """Find where marked places begin and end.

    Parameters
    ----------
    marked : ndarray of bool, shape (n,)

    Returns
    -------
    ndarray of int64, shape (runs, 2)
        The first place of each run, and the one after its last.

    Examples
    --------
    >>> runs_of(np.array([False, True, True, False, True])).tolist()
    [[1, 3], [4, 5]]
    """
    changes = np.diff(np.concatenate(([False], marked, [False])).astype(np.int8))
    return np.flatnonzero(changes).reshape(-1, 2).astype(np.int64)
