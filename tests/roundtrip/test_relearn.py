"""Every built-in card is learned anew from two saves, and reads a third program it has not seen."""

from __future__ import annotations

import numpy as np
import pytest

import tapewright as tw
from made_up_saves import program
from tapewright.chain.learn import learn
from tapewright.learn.known import Known

#: Addresses of two different bytes, names of different lengths, and sizes that make blocks of different ones.
TAUGHT = [Known(program(1, 310), 0x9234, "NLM"), Known(program(2, 290), 0x8765, "TUNA")]
ANOTHER = Known(program(3, 270), 0xA1B2, "KELP")


def saved(card: str, known: Known) -> tw.Recording:
    return tw.synthesize(known.data, format=card, start=known.start, name=known.name)


def has_check(card: tw.FormatCard) -> bool:
    return any(hasattr(item, "check") for block in card.block for item in block.layout)


@pytest.mark.parametrize("name", tw.format_names())
def test_a_program_it_has_not_seen_reads_back(name):
    found = learn([saved(name, known) for known in TAUGHT], TAUGHT)
    assert found.card is not None, found.problem
    original = tw.load_format(name)
    reading = tw.read(saved(name, ANOTHER), format=found.card)
    assert not reading.damaged, reading
    (piece,) = reading.image.ranges
    assert piece.data == ANOTHER.data
    assert piece.address == (ANOTHER.start if original.carries_addresses else None)
    with_data = [block for block in reading.blocks if block.data]
    assert {block.check for block in with_data} == {"ok" if has_check(original) else "none"}


def test_through_a_recorder_with_hiss_and_at_another_speed():
    recordings = [
        tw.Recording(
            (one.samples + np.random.default_rng(k).normal(0, 0.01, one.samples.shape)).astype(np.float32),
            one.rate_hz * speed,
        )
        for k, (one, speed) in enumerate(
            zip([saved("sedge-half-2700", known) for known in TAUGHT], (1.02, 0.97), strict=True)
        )
    ]
    found = learn(recordings, TAUGHT)
    assert found.card is not None, found.problem
    reading = tw.read(saved("sedge-half-2700", ANOTHER), format=found.card)
    (piece,) = reading.image.ranges
    assert (piece.address, piece.data) == (ANOTHER.start, ANOTHER.data)
    assert not reading.damaged
