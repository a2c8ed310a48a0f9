"""Blocks of several recordings of one save, made into one program."""

from __future__ import annotations

import numpy as np
import pytest

from command_line import PROGRAM, QUICK_CARD, START
from tapewright.cards import FormatCard, parse_card
from tapewright.chain import combine, read, synthesize
from tapewright.model import Block, Image, Recording


@pytest.fixture(scope="module")
def card() -> FormatCard:
    return parse_card(QUICK_CARD, FormatCard, "quick.toml")


def hurt_blocks(card: FormatCard, start_seconds: float) -> tuple[Block, ...]:
    tape = synthesize(Image.from_bytes(PROGRAM, START), format=card)
    samples = tape.samples.copy()
    first = round(start_seconds * tape.rate_hz)
    samples[first : first + round(0.04 * tape.rate_hz)] = 0
    return read(Recording(samples, tape.rate_hz), format=card).blocks


def test_two_hurt_recordings_make_one_whole_program(card: FormatCard) -> None:
    one, other = hurt_blocks(card, 1.9), hurt_blocks(card, 2.3)
    assert [block.check for block in (*one, *other)] == ["bad", "bad"]
    found, image, (sure,) = combine((*one, *other), card)
    assert image == Image.from_bytes(PROGRAM, START)
    assert sure.min() > 0.99
    assert sorted(block.check for block in found) == ["bad", "repaired"]


def test_a_single_recording_stays_as_it_was_read(card: FormatCard) -> None:
    one = hurt_blocks(card, 1.9)
    found, image, (sure,) = combine(one, card)
    assert [new is old for new, old in zip(found, one, strict=True)] == [True]
    wrong = np.frombuffer(image.ranges[0].data, np.uint8) != np.frombuffer(PROGRAM, np.uint8)
    assert wrong.any()
    assert sure[wrong].max() < 0.99
