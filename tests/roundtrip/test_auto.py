"""``format="auto"``: which card a recording was written with, or that nobody can tell."""

from __future__ import annotations

import numpy as np
import pytest

import sounds_of_nothing as sounds
import tapewright as tw

ADDRESS = 0x9000
PROGRAM = np.random.default_rng(41).integers(0, 256, 40, np.uint8).tobytes()


@pytest.mark.parametrize(
    "card", ["kcs-1200", "heron-cycle-1600", "alder-biphase-m-2000", "v23-1200", "larch-biphase-l-2000"]
)
def test_auto_finds_the_card_a_tape_was_written_with(card):
    reading = tw.read(tw.synthesize(PROGRAM, format=card, start=ADDRESS))
    assert reading.format == card
    (piece,) = reading.image.ranges
    assert piece.data == PROGRAM
    assert not reading.damaged
    assert reading.rivals[0][0] == card
    bits = [evidence for _, evidence in reading.rivals]
    assert not any(fault.kind == "cannot-tell" for fault in reading.faults)
    assert bits[0] > 0


def test_auto_finds_nothing_in_noise_and_says_so():
    noise = tw.Recording(sounds.white_noise(4.0).astype(np.float32), sounds.RATE_HZ)
    reading = tw.read(noise)
    assert reading.blocks == ()
    assert len(reading.image) == 0
    assert {fault.kind for fault in reading.faults} <= {"no-signal", "cannot-tell"}
    assert reading.faults


def test_a_list_of_cards_is_tried_and_no_other():
    tape = tw.synthesize(PROGRAM, format="kcs-300")
    reading = tw.read(tape, format=["v21-300", "kcs-300", "kcs-1200"])
    assert reading.format == "kcs-300"
    assert {name for name, _ in reading.rivals} <= {"v21-300", "kcs-300", "kcs-1200"}
    assert reading.image.ranges[0].data == PROGRAM


def test_no_cards_to_try_is_a_mistake():
    with pytest.raises(tw.UsageError, match="no format cards to try; name at least one"):
        tw.read(np.zeros(1_000), format=[], rate_hz=44_100)
