"""From error counts to the Eb/N0 that is needed."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchmarks.accuracy.families import TARGET, byte_error_rate

__all__ = ["Needed", "needed_db"]

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Needed:
    """Eb/N0 for the target rate.

    Parameters
    ----------
    db : float
        nan where the points do not reach the target from both sides.
    sigma_db : float
        Its standard error from counting, widened where the points scatter more than chance.
    how : {"fit", "lines", "none"}
        Theory's curve shifted onto the points; straight lines through the logarithm where the points do not
        follow that curve (a floor, say); or not reached.
    """

    db: float
    sigma_db: float
    how: str


def needed_db(eb_n0_db: list[float], wrong: list[int], total: list[int]) -> Needed:
    """Shift the curve of theory onto the counted errors (maximum likelihood), or draw lines between them."""
    x, k, n = np.array(eb_n0_db), np.array(wrong, np.float64), np.array(total, np.float64)
    rate = k / np.maximum(n, 1.0)
    lines = _lines(x, np.maximum(rate, 0.5 / np.maximum(n, 1.0)))
    used = (rate < 0.1) & (n > 0)  # far above, symbols are no longer wrong one by one
    if not used.any() or math.isnan(lines):
        return Needed(math.nan, math.nan, "none")
    x, k, n = x[used], k[used], n[used]
    shifts = np.arange(x.min() - 4, x.max() + 4, 0.005)
    expected = np.stack([n * byte_error_rate(s, x) for s in shifts])
    score = (k * np.log(expected + 1e-300) - expected).sum(axis=1)
    best = int(np.argmax(score))
    mean = expected[best]
    slope = (expected[min(best + 1, len(shifts) - 1)] - expected[max(best - 1, 0)]) / 0.01
    spread = float(np.sum((k - mean) ** 2 / np.maximum(mean, 1.0)) / max(1, len(k) - 1))
    sigma = math.sqrt(max(spread, 1.0) / max(float(np.sum(slope**2 / np.maximum(mean, 1e-9))), 1e-9))
    if k.sum() == 0:  # from some tenth to nothing in one step: the curve has nothing to hold on to
        return Needed(lines, float(x[0] - np.max(np.array(eb_n0_db)[~used])) / 4, "lines")
    if spread > 4.0:
        return Needed(lines, max(sigma, abs(lines - float(shifts[best]))), "lines")
    return Needed(float(shifts[best]), sigma, "fit")


def _lines(x: FloatArray, rate: FloatArray) -> float:
    """Where straight lines through the logarithms cross the target for the last time; nan if they do not."""
    logs, wanted = np.log10(rate), math.log10(TARGET)
    for k in range(len(x) - 1, 0, -1):
        if logs[k - 1] > wanted >= logs[k]:
            share = (logs[k - 1] - wanted) / (logs[k - 1] - logs[k])
            return float(x[k - 1] + share * (x[k] - x[k - 1]))
    return math.nan
