"""Trying on a block the checks that other blocks of the same format have."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import replace

from tapewright.learn.check_evidence import Tails
from tapewright.learn.check_price import place_bits
from tapewright.learn.check_rule import CheckRule, Coverage, Place

__all__ = ["kin_rules"]

#: What it costs that a check is worked out as another kind of block's is, whatever that costs by itself
#: (chosen: one routine is mostly used for all).
_KIN_BITS = 1.5


def kin_rules(
    kin: Collection[CheckRule], tails: Tails, covered_bits: Mapping[Coverage, float]
) -> Iterator[tuple[CheckRule, float]]:
    """Try the same checks over everything that can be covered, right after the items.

    Parameters
    ----------
    kin : collection of CheckRule
        Checks of other kinds of block.
    tails : Tails
    covered_bits : dict
        Names covered and whether as sent -> its price.

    Yields
    ------
    rule : CheckRule
    bits : float
        What the rule saves, less its price.
    """
    for other in kin:
        place = Place(other.is_coded, 0, other.width_bytes, other.order)
        if place not in tails.places:
            continue
        price = _KIN_BITS + place_bits(place, tails.is_told_apart)
        for (over, as_sent), bits in covered_bits.items():
            if as_sent == other.as_sent:
                rule = replace(other, over=over, offset=0)
                agreeing = sum(rule.holds(message) for message in tails.messages)
                yield rule, float(tails.saved_bits(place, agreeing)) - price - bits
