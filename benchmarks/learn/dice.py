"""Drawing at random, in the words of what is drawn."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TypeVar

import numpy as np

__all__ = ["Dice"]

T = TypeVar("T")


class Dice:
    """A random generator with the few ways of drawing that formats are made of."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng = rng

    def chance(self, probability: float) -> bool:
        """Whether something of that probability happens."""
        return bool(self.rng.random() < probability)

    def evenly(self, low: float, high: float) -> float:
        """Draw a number, all equally likely."""
        return float(self.rng.uniform(low, high))

    def by_ratio(self, low: float, high: float) -> float:
        """Draw a number above 0, all ratios equally likely."""
        return math.exp(self.evenly(math.log(low), math.log(high)))

    def whole(self, low: int, high: int) -> int:
        """Draw a whole number from `low` to `high`, both included."""
        return int(self.rng.integers(low, high + 1))

    def pick(self, choices: Sequence[T], weights: Sequence[float] | None = None) -> T:
        """Draw one of several, by weight."""
        if weights is None:
            return choices[self.whole(0, len(choices) - 1)]
        share = np.asarray(weights, np.float64)
        return choices[int(self.rng.choice(len(choices), p=share / share.sum()))]

    def shuffled(self, things: Sequence[T]) -> list[T]:
        """Put things in a random order."""
        return [things[k] for k in self.rng.permutation(len(things))]
