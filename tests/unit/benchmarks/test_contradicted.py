"""Claims about checks that a fresh recording contradicts: wrong ones, and those beside the right one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.learn.contradicted import Contradicted, contradicted
from benchmarks.learn.formats import MadeUp, random_format
from benchmarks.learn.saves import save
from tapewright import read, synthesize
from tapewright.cards import FormatCard
from tapewright.cards.load import parse_card
from tapewright.chain.learn import Learned, learn, with_card
from tapewright.learn.known import Known
from tapewright.model import Recording

STARTS = (0x1200, 0x9A34, 0x4C00)


@pytest.fixture(scope="module")
def lesson() -> tuple[Learned, Recording]:
    """What is learned of a format with a sum of one byte after the data, and a fresh recording of it."""
    made_up = next(f for f in map(drawn, range(1000)) if {"single", "sum8", "8-bits"} <= set(f.traits))
    rng = np.random.default_rng(3)
    knowns = [Known(rng.bytes(90 + 20 * k), start, "TIDE") for k, start in enumerate(STARTS)]
    saves = [save(made_up, known.data, known.start or 0, "TIDE", rng, channel=False) for known in knowns]
    learned = learn(saves[:2], knowns[:2])
    assert learned.text is not None
    assert learned.text.count('check = "sum8"') == 1
    return learned, saves[2]


def drawn(seed: int) -> MadeUp:
    return random_format(np.random.default_rng(seed), "n-cycle")


@pytest.mark.parametrize(
    "certainty, has_rival, said",
    [
        ("open", True, Contradicted((), 1)), ("open", False, Contradicted(("open",))),
        ("likely", True, Contradicted(("likely",))), ("certain", False, Contradicted(("certain",))),
    ],
)  # fmt: skip
def test_a_wrong_claim_is_wrong_unless_it_is_held_open_beside_the_right_one(
    lesson, certainty, has_rival, said
):
    learned, fresh = lesson
    (kind,) = learned.layout.kinds
    right = kind.tail_check
    rivals = (right,) if has_rival else ()
    claim = replace(
        right, rule=replace(right.rule, check="xor8"), rivals=rivals, certainty=certainty
    )  # fmt: skip
    layout = replace(learned.layout, kinds=[replace(kind, tail_check=claim)])
    text = learned.text.replace('check = "sum8"', 'check = "xor8"')
    wrong = with_card(replace(learned, layout=layout), "wrong", text)
    assert contradicted(wrong, read(fresh, format=wrong.card), fresh) == said


def test_nothing_is_said_against_a_check_that_holds(lesson):
    learned, fresh = lesson
    assert contradicted(learned, read(fresh, format=learned.card), fresh) == Contradicted()


def test_a_copy_that_was_misread_says_nothing_against_a_check_that_holds_in_the_other(lesson):
    learned, fresh = lesson
    reading = read(fresh, format=learned.card)
    (block,) = reading.blocks
    misread = replace(block, check="bad")
    assert contradicted(learned, replace(reading, blocks=(block, misread)), fresh) == Contradicted()


#: A header with a sum of two bytes that begins with 46 where the bytes before it add up to little.
WIDER = """
card = "format"
name = "wider"
title = "A sum of two bytes"
source = "made up"
[symbols]
"0" = [{ tone = 1200, cycles = 1 }]
"1" = [{ tone = 2400, cycles = 1 }]
[[block]]
kind = "data"
layout = [
  { lead = "1", seconds = 1.5 },
  { sync = "92 e7" },
  { field = "start", type = "u16-le" },
  { field = "length", type = "u16-le" },
  { check = "sum16", over = ["start", "length"], start = 17925, order = "be" },
  { data = "length" },
  { lead = "1", seconds = 0.5 },
]
load = "start"
"""


def test_a_check_held_open_beside_a_wider_one_that_holds_is_not_wrong():
    card = parse_card(WIDER, FormatCard, "wider")
    low = [Known(bytes(range(70 + 9 * k)), start) for k, start in enumerate((0x0243, 0x1357, 0x2468))]
    learned = learn([synthesize(known.data, format=card, start=known.start) for known in low], low)
    assert learned.card is not None
    fresh = synthesize(bytes(range(90)), format=card, start=0x9AF0)
    assert contradicted(learned, read(fresh, format=learned.card), fresh) == Contradicted((), 1)
