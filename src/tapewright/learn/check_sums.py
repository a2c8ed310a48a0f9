"""Trying sums, exclusive or and Fletcher's sums on a block."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from tapewright.cards.checks import SimpleCheck
from tapewright.learn import check_price as price
from tapewright.learn.check_evidence import Tails
from tapewright.learn.check_rule import CheckRule, Coverage, Place

__all__ = ["sum_rules"]


@dataclass(frozen=True)
class _Digest:
    """All that sums can know of some bytes."""

    total: int
    exclusive_or: int
    running: int  # the sum of all running sums, as Fletcher's second sum adds them up
    length: int

    @classmethod
    def of(cls, data: bytes) -> _Digest:
        values = np.frombuffer(data, np.uint8)
        weights = np.arange(len(values), 0, -1, dtype=np.int64)
        exclusive_or = int(np.bitwise_xor.reduce(values)) if len(values) else 0
        return cls(int(values.sum(dtype=np.int64)), exclusive_or, int(values @ weights), len(values))


def _fletcher_start(seen: int, digest: _Digest) -> int:
    """Solve for the start value; -1 where no Fletcher's sum mod 255 ends like this."""
    high, low = seen >> 8, seen & 0xFF
    if high == 255 or low == 255:
        return -1
    first = (low - digest.total) % 255
    return (high - digest.running - digest.length * first) % 255 << 8 | first


#: From the value of a check and what it covers to the value that it must have started from.
_STARTS: dict[SimpleCheck, Callable[[int, _Digest], int]] = {
    "sum8": lambda seen, digest: (seen - digest.total) & 0xFF,
    "sum8-neg": lambda seen, digest: (-seen - digest.total) & 0xFF,
    "xor8": lambda seen, digest: seen ^ digest.exclusive_or,
    "sum16": lambda seen, digest: (seen - digest.total) & 0xFFFF,
    "fletcher16": _fletcher_start,
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
        With the start value that most messages agree on.
    bits : float
        What the rule saves, less its price.
    """
    digests = {key: [_Digest.of(data) for data in texts] for key, texts in covered.items()}
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
            seen = [int(value) ^ (ones if is_inverted else 0) if value >= 0 else -1 for value in values]
            for key, own in digests.items():
                starts = Counter(
                    start
                    for value, digest in zip(seen, own, strict=True)
                    if value >= 0 and (start := _STARTS[kind](value, digest)) >= 0
                )
                for start, count in starts.most_common(2):
                    bits = float(saved[count]) - kind_bits
                    bits -= covered_bits[key] + price.start_bits(start, 8 * place.width_bytes)
                    yield _rule(kind, key, place, start, is_inverted, tails), bits


def _rule(
    kind: SimpleCheck, key: Coverage, place: Place, start: int, is_inverted: bool,
    tails: Tails,
) -> CheckRule:  # fmt: skip
    over, as_sent = key
    xor = 255 if is_inverted else 0
    if kind == "sum8-neg" and start == 1 and (tails.can_invert or not place.is_coded):
        kind, start, xor = "sum8", 0, 255  # the one's complement of the sum
    return CheckRule(kind, over, place.order, start, as_sent, xor, place.is_coded, place.offset)
