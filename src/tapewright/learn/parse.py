"""How well a code book explains the half-waves of a recording, in bits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from tapewright.learn import kernels
from tapewright.learn.code_book import Book
from tapewright.learn.durations import Tokens

__all__ = ["Null", "Parse", "coarse_spreads", "parse_book", "prices_of"]

FloatArray = npt.NDArray[np.float64]

#: What a half-wave costs that belongs to no word, in nats: any length from 50 to 5000 us, and the surprise.
UNKNOWN = 1.5 + 3.5
#: What a word costs that is no bit, in nats: leaders and marks are rare.
RARE_WORD = 5.0
#: Nobody hears half-waves more exactly than this (standard deviation of the logarithm).
FINEST = 0.006
#: What is supposed before it is known: a share, and the jitter of edges in microseconds.
COARSE, COARSE_US = 0.03, 7.0


@dataclass(frozen=True, eq=False)
class Parse:
    """A recording cut into words.

    Parameters
    ----------
    words : ndarray of int
        The words in their order; -1 for a half-wave that belongs to none.
    places : ndarray of int
        The first half-wave of each.
    elements : ndarray of int
        The class each half-wave has in its word, or -1.
    cost : float
        In nats.
    explained : float
        The share of half-waves in words.
    """

    words: npt.NDArray[np.int64]
    places: npt.NDArray[np.int64]
    elements: npt.NDArray[np.int64]
    cost: float
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


def coarse_spreads(book: Book) -> FloatArray:
    """Standard deviation of each class's logarithm before anything is known of it."""
    return np.asarray(np.hypot(COARSE, COARSE_US / np.exp(np.array(book.centres))))


def prices_of(book: Book) -> FloatArray:
    """What each word costs, in nats."""
    return np.array([bits * np.log(2.0) if bits > 0 else RARE_WORD for bits in book.bits])


def parse_book(tokens: Tokens, book: Book, spreads: FloatArray) -> Parse:
    """Cut half-waves into a book's words at the least cost.

    Parameters
    ----------
    tokens : Tokens
    book : Book
    spreads : ndarray
        Standard deviation of each class's logarithm.
    """
    classes = np.concatenate([np.array(word, np.int64) for word in book.words])
    starts = np.concatenate(([0], np.cumsum([len(word) for word in book.words])))
    count = len(tokens.us)
    back = np.zeros((3, count + 1), np.int64)
    cost = kernels.parse(
        tokens.logs, tokens.breaks, np.array(book.centres)[classes], spreads[classes], starts,
        prices_of(book), UNKNOWN, back,
    )  # fmt: skip
    steps = np.empty((4, count), np.int64)
    words, skipped, sizes, places = steps[:, kernels.trace(back, steps) :]
    within = np.arange(count) - np.repeat(places, sizes)
    first = np.where(words >= 0, starts[words] + skipped, 0)
    elements = np.where(np.repeat(words, sizes) >= 0, classes[np.repeat(first, sizes) + within], -1)
    return Parse(words, places, elements, float(cost), float((elements >= 0).mean()))
