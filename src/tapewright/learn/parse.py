"""How well a code book explains the half-waves of a recording, in bits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from tapewright.learn import kernels
from tapewright.learn.durations import Tokens

__all__ = ["Null", "Parse", "parse_words"]

FloatArray = npt.NDArray[np.float64]

#: What a half-wave costs that belongs to no word, in nats: any length from 50 to 5000 us, and the surprise.
UNKNOWN = 1.5 + 3.5
#: A word beside the two of the bits is rare.
RARE_WORD = 5.0
#: Nobody hears half-waves more exactly than this (standard deviation of the logarithm).
FINEST = 0.006
COARSE = 0.045


@dataclass(frozen=True, eq=False)
class Parse:
    """A recording cut into words.

    Parameters
    ----------
    words : ndarray of int
        The words in their order; -1 for a half-wave that belongs to none.
    places : ndarray of int
        The first half-wave of each.
    cost : float
        In nats.
    sigma : float
        Standard deviation of the logarithm of a duration about its centre.
    explained : float
        The share of half-waves in words.
    """

    words: npt.NDArray[np.int64]
    places: npt.NDArray[np.int64]
    cost: float
    sigma: float
    explained: float


class Null:
    """What half-waves cost if nothing is known but roughly how often each length occurs."""

    def __init__(self, logs: FloatArray) -> None:
        low = float(logs.min()) - 1.0
        step = 0.02
        counts = np.bincount(((logs - low) / step).astype(np.int64), minlength=100).astype(np.float64)
        counts = np.concatenate((counts, np.zeros(50)))
        density = ndimage.gaussian_filter1d(counts, 0.22 / step, mode="constant") / (len(logs) * step)
        places = ((logs - low) / step).astype(np.int64)
        self.costs = -np.log(density[places] + 1e-3)

    @property
    def cost(self) -> float:
        """Of all together, in nats."""
        return float(self.costs.sum())


def parse_words(
    tokens: Tokens, words: list[FloatArray], sigma: float, prices: FloatArray | None = None
) -> Parse:
    """Cut half-waves into words at the least cost."""
    logs = tokens.logs
    centres = np.concatenate(words)
    starts = np.concatenate(([0], np.cumsum([len(word) for word in words])))
    if prices is None:
        prices = np.full(len(words), np.log(2.0))
        prices[2:] = RARE_WORD
    back = np.full(len(logs) + 1, -1, np.int64)
    cost = kernels.parse(logs, tokens.breaks, centres, starts, prices, sigma, UNKNOWN, back)
    found, places = np.empty(len(logs), np.int64), np.empty(len(logs), np.int64)
    first = kernels.trace(back, np.diff(starts), found, places)
    cut = found[first:]
    explained = 1.0 - float((cut < 0).sum()) / max(1, len(logs))
    return Parse(cut, places[first:], float(cost), sigma, explained)
