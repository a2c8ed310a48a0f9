"""Trying sums, exclusive or and Fletcher's sums on a block."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tapewright.cards.checks import SimpleCheck
from tapewright.learn import check_price as price
from tapewright.learn.certainty import CERTAIN_BITS
from tapewright.learn.check_evidence import Tails
from tapewright.learn.check_rule import CheckRule, Coverage, Place

__all__ = ["sum_rules"]

Ints = npt.NDArray[np.int64]

#: Rules so much worse than no check are nobody's rivals.
_LEAST_BITS = -CERTAIN_BITS


@dataclass(frozen=True, eq=False)
class _Digests:
    """All that sums can know of what is covered: arrays of shape (coverages, messages)."""

    total: Ints
    exclusive_or: Ints
    running: Ints  # the sum of all running sums, as Fletcher's second sum adds them up
    length: Ints

    @classmethod
    def of(cls, texts: Iterable[Sequence[bytes]]) -> _Digests:
        rows = np.array([[_digest(data) for data in row] for row in texts], np.int64)
        return cls(*np.moveaxis(rows, 2, 0))


def _digest(data: bytes) -> tuple[int, int, int, int]:
    values = np.frombuffer(data, np.uint8)
    weights = np.arange(len(values), 0, -1, dtype=np.int64)
    exclusive_or = int(np.bitwise_xor.reduce(values)) if len(values) else 0
    return int(values.sum(dtype=np.int64)), exclusive_or, int(values @ weights), len(values)


def _fletcher_starts(seen: Ints, digests: _Digests) -> Ints:
    """Solve for the start values; -1 where no Fletcher's sum mod 255 ends like this."""
    high, low = seen >> 8, seen & 0xFF
    first = (low - digests.total) % 255
    start = (high - digests.running - digests.length * first) % 255 << 8 | first
    return np.where((high == 255) | (low == 255), -1, start)


#: From the values of a check and what it covers to the values that it must have started from.
_STARTS: dict[SimpleCheck, Callable[[Ints, _Digests], Ints]] = {
    "sum8": lambda seen, digests: (seen - digests.total) & 0xFF,
    "sum8-neg": lambda seen, digests: (-seen - digests.total) & 0xFF,
    "xor8": lambda seen, digests: seen ^ digests.exclusive_or,
    "sum16": lambda seen, digests: (seen - digests.total) & 0xFFFF,
    "fletcher16": _fletcher_starts,
}
_WIDTH_BITS: dict[SimpleCheck, int] = {"sum8": 8, "sum8-neg": 8, "xor8": 8, "sum16": 16, "fletcher16": 16}


def sum_rules(
    tails: Tails,
    covered: Mapping[Coverage, Sequence[bytes]],
    covered_bits: Mapping[Coverage, float],
) -> Iterator[tuple[CheckRule, float]]:
    """Try every sum over everything that can be covered, at every place.

    Parameters
    ----------
    tails : Tails
    covered : dict
        Names covered and whether as sent -> those bytes of each message.
    covered_bits : dict
        The same -> its price.

    Yields
    ------
    rule : CheckRule
        With the start value that more than half of the messages agree on.
    bits : float
        What the rule saves, less its price.
    """
    if not covered:
        return
    coverages, digests = list(covered), _Digests.of(covered.values())
    own_bits = np.array([covered_bits[key] for key in coverages])
    for place in tails.places:
        if place.width_bytes > 2:
            continue
        values = tails.values(place)
        ones = (1 << 8 * place.width_bytes) - 1
        saved = tails.saved_bits(place, np.arange(len(values) + 1)) - price.place_bits(
            place, tails.is_told_apart
        )
        for (kind, is_inverted), kind_bits in price.SIMPLE_KIND_BITS.items():
            if _WIDTH_BITS[kind] != 8 * place.width_bytes or saved.max() < kind_bits:
                continue
            if is_inverted and place.is_coded and not tails.can_invert:
                continue
            seen = values ^ ones if is_inverted else values
            starts, counts = _majorities(np.where(values >= 0, _STARTS[kind](seen, digests), -1))
            bits = saved[counts] - kind_bits - own_bits
            for n in np.flatnonzero((starts >= 0) & (bits > _LEAST_BITS)):
                start = int(starts[n])
                rule = _rule(kind, coverages[n], place, start, is_inverted, tails)
                yield rule, float(bits[n]) - price.start_bits(start, 8 * place.width_bytes)


def _majorities(numbers: Ints) -> tuple[Ints, Ints]:
    """The number that more than half of each row are, if there is one, and how many of them are it."""
    middle = np.sort(numbers, axis=1)[:, numbers.shape[1] // 2]
    return middle, np.count_nonzero(numbers == middle[:, np.newaxis], axis=1)


def _rule(
    kind: SimpleCheck, key: Coverage, place: Place, start: int, is_inverted: bool,
    tails: Tails,
) -> CheckRule:  # fmt: skip
    over, as_sent = key
    xor = 255 if is_inverted else 0
    if kind == "sum8-neg" and start == 1 and (tails.can_invert or not place.is_coded):
        kind, start, xor = "sum8", 0, 255  # the one's complement of the sum
    return CheckRule(kind, over, place.order, start, as_sent, xor, place.is_coded, place.offset)
