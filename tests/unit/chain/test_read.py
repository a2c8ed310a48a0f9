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
