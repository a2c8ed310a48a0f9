"""No card, however strange, makes a later stage hang or run out of memory."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from card_text import EVERYTHING, toml_text, with_change
from tapewright.cards import Alphabet, FormatCard, parse_card
from tapewright.cards.layout import Fixed, Gap, Lead, Mark, Sync
from tapewright.model import CardError

TABLE = tomllib.loads(EVERYTHING)
LAYOUT = ("block", 1, "layout")


def refused(*changes):
    table = TABLE
    for path, value in changes:
        table = with_change(table, path, value)
    with pytest.raises(CardError) as caught:
        parse_card(toml_text(table), FormatCard, "my.toml")
    return str(caught.value)


def test_many_long_leads_are_too_long_together():
    leads = [{"lead": "1", "seconds": 120}] * 3
    message = refused((LAYOUT, [*leads, *TABLE["block"][1]["layout"]]))
    # two copies of 3 x 120 s and more
    assert "block[1].layout: leads, gaps, sync and marks take 72" in message
    assert "600 s is the most" in message


@pytest.mark.parametrize(
    "item",
    [
        {"gap": 120},
        {"lead": "1", "seconds": 120},
        {"sync": "00 " * 256, "times": 10_000},
        {"mark": "M" * 64},
    ],
)
def test_each_kind_of_item_counts(item):
    slow = (("symbols", "M"), [{"levels": [[1.0, 1e6]]}])
    assert "600 s is the most" in refused(slow, (LAYOUT, [*[item] * 10, *TABLE["block"][1]["layout"]]))


def test_a_bit_that_lasts_seconds():
    assert 'symbols."0": it lasts 0.25 s; 0.2 s is the most' in refused(
        (("symbols", "0"), [{"half_waves": [250_000]}])
    )


def test_a_mark_that_lasts_minutes():
    message = refused((("symbols", "M"), [{"half_waves": [1e6] * 256}] * 64))
    assert 'symbols."M": it lasts 16384 s; 2 s is the most' in message


@pytest.mark.parametrize(
    "path, value",
    [
        (("symbols", "M"), [{"silence": 10}] * 65),
        (("block",), [TABLE["block"][0]] * 9),
        (LAYOUT, [{"gap": 0}] * 65),
        (("symbols",), {**TABLE["symbols"], **{c: [{"silence": 1000 + ord(c)}] for c in "abcdefghijklmn"}}),
        (("block", 1, "layout", 2, "field"), "x" * 40),
        (("block", 1, "total"), "1" + " * 9" * 60),
        (("notes",), "x" * 2001),
        (("block", 1, "total"), [[[[[[[[[[]]]]]]]]]]),
    ],
)
def test_more_than_there_can_be(path, value):
    refused((path, value))


NUMBERS = st.one_of(
    st.sampled_from([0, 1, 9, 10, 120, 10_000, 65_536, 1_000_000, 1e-300, 1e300]),
    st.floats(0, 1e7),
    st.integers(0, 1 << 40),
)


@given(st.lists(NUMBERS, min_size=10, max_size=10))
@settings(max_examples=200)
def test_what_is_accepted_takes_little_memory_and_ends(numbers):
    a, b, c, d, e, f, g, h, i, j = numbers
    changes = {
        ("symbols", "0", 0, "half_waves"): [a, b],
        ("symbols", "M", 0, "levels"): [[1.0, c], [0.0, d]],
        ("symbols", "1", 0, "tone"): e,
        (*LAYOUT, 0, "seconds"): f,
        (*LAYOUT, 5, "gap"): g,
        ("block", 0, "layout", 2, "times"): h,
        ("block", 1, "size"): i,
        ("block", 1, "copies"): j,
    }
    table = TABLE
    for path, value in changes.items():
        table = with_change(table, path, value)
    try:
        card = parse_card(toml_text(table), FormatCard, "my.toml")
    except CardError:
        return
    alphabet = Alphabet.of(card)
    assert all(1e-5 <= shape.seconds <= 2.0 for shape in alphabet.shapes)
    assert sum(len(shape.segments) for shape in alphabet.shapes) < 10_000
    for block in card.block:
        seconds = sum(
            item.seconds if isinstance(item, Lead) else item.gap
            for item in block.layout
            if isinstance(item, (Lead, Gap))
        )
        assert block.copies * seconds <= 600
        assert all(
            len(item.sync) * item.times <= 256 * 10_000 for item in block.layout if isinstance(item, Sync)
        )
        assert not any(isinstance(item, (Fixed, Mark)) and len(str(item)) > 2000 for item in block.layout)
