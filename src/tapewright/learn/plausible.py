"""How much bytes are like a program's: what helps to tell bit order and polarity where no byte is known."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import gammaln

__all__ = ["surprise_bits"]

FloatArray = npt.NDArray[np.float64]

#: A byte that was there before is likelier than a new one: so many bytes' worth of expectation stand
#: against what has been seen.
EXPECTATION = 24.0


def _expected() -> FloatArray:
    """How often a byte is expected (chosen): zeros, then text and FF, are commoner than others."""
    weight = np.full(256, 1.0)
    weight[0x20:0x7F] = 2.0
    weight[[*b"0123456789", *b"ABCDEFGHIJKLMNOPQRSTUVWXYZ"]] = 4.0
    weight[0x20] = 10.0
    weight[0x00], weight[0x01], weight[0xFF] = 24.0, 3.0, 6.0
    return np.asarray(weight / weight.sum(), np.float64)


_EXPECTED = _expected()


def surprise_bits(values: npt.NDArray[np.integer]) -> float:
    """Tell in how many bits the bytes of a program can be told by one who has seen programs.

    Parameters
    ----------
    values : ndarray of int, shape (n,)
        Bytes; negative ones, that could not be read, are left out.

    Returns
    -------
    float
        By an urn to which each byte drawn is put back with another of its kind (Pólya's), or by eight bits
        each if that is less: arbitrary bytes say nothing about their order or polarity.
    """
    counts = np.bincount(values[values >= 0].astype(np.int64), minlength=256)
    start = EXPECTATION * _EXPECTED
    nats = (
        gammaln(EXPECTATION + counts.sum())
        - gammaln(EXPECTATION)
        - (gammaln(start + counts) - gammaln(start)).sum()
    )
    return min(float(nats / np.log(2.0)), 8.0 * float(counts.sum())) + 1.0
