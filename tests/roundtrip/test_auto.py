"""``format="auto"``: which card a recording was written with, or that nobody can tell."""

from __future__ import annotations

import numpy as np
import pytest

import sounds_of_nothing as sounds
import tapewright as tw
from tapewright.chain.read import CONTEST_SECONDS

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


def test_a_tape_longer_than_the_contest_is_read_to_its_end():
    program = np.random.default_rng(43).integers(0, 256, 2_000, np.uint8).tobytes()
    tape = tw.synthesize(program, format="kcs-1200")
    assert tape.seconds > CONTEST_SECONDS[0]
    reading = tw.read(tape, format=["kcs-1200", "kcs-300", "heron-cycle-1600"])
    assert reading.format == "kcs-1200"
    assert reading.image.ranges[0].data == program
    assert reading.rivals[0][0] == "kcs-1200"
    assert reading.source.seconds == pytest.approx(tape.seconds)


def test_a_program_that_begins_after_the_contest_is_found():
    quiet = sounds.white_noise(CONTEST_SECONDS[0] + 2.0)
    tape = tw.synthesize(PROGRAM, format="larch-biphase-l-2000", start=ADDRESS)
    sound = np.concatenate((quiet.astype(np.float32), tape.samples[:, 0]))
    reading = tw.read(sound, format=["kcs-1200", "larch-biphase-l-2000"], rate_hz=tape.rate_hz)
    assert reading.format == "larch-biphase-l-2000"
    assert reading.image.ranges[0].data == PROGRAM
    assert reading.verified
