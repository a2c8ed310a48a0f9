"""What a reading says of the recording's time."""

from __future__ import annotations

import numpy as np
import pytest

from command_line import QUICK_CARD
from tapewright.cards import FormatCard, parse_card
from tapewright.chain import read, synthesize
from tapewright.model import Image, UsageError

IMAGE = Image.from_bytes(np.random.default_rng(52).bytes(60), 0x200)


def test_a_block_begins_with_its_leader_and_not_with_the_pause_before_it() -> None:
    card = parse_card(QUICK_CARD, FormatCard, "quick.toml")
    once, twice = (synthesize(IMAGE, format=card, copies=n, pause_seconds=3.0) for n in (1, 2))
    first, second = (block.span.start_seconds for block in read(twice, format=card).blocks)
    # a second copy makes the tape longer by itself and the pause, and stands so much later
    assert second - first == pytest.approx(twice.seconds - once.seconds, abs=0.01)


@pytest.mark.parametrize("sound", [[1, 2, 3], None, b"RIFF"])
def test_what_is_no_recording_is_refused_in_a_sentence(sound) -> None:
    with pytest.raises(UsageError, match="is no recording; give the path of a sound file"):
        read(sound)


def test_a_program_of_another_format_on_the_same_tape_is_not_passed_over_in_silence() -> None:
    program = np.random.default_rng(9).integers(0, 256, 200, np.uint8).tobytes()
    one, other = (synthesize(program, format=name, start=0x9000) for name in ("kcs-300", "heron-cycle-1600"))
    cards = ["kcs-300", "heron-cycle-1600"]
    alone = read(one, format=cards)
    assert alone.format == "kcs-300"
    assert not any(fault.kind == "other-data" for fault in alone.faults)
    both = read(np.concatenate((one.samples, other.samples)), format=cards, rate_hz=one.rate_hz)
    (note,) = (fault for fault in both.faults if fault.kind == "other-data")
    assert "sound like data too" in note.text
    assert note.remedy
