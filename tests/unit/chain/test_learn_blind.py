"""A guess at a format: never more than that, and none at all where nothing was saved."""

import numpy as np
import pytest

import sounds_of_nothing
from made_up_cards import made_up
from tapewright import blocks, framing, line
from tapewright.cards import Alphabet, FormatCard
from tapewright.chain import read
from tapewright.chain.learn_blind import learn_blind
from tapewright.model import Image, Range, Recording

RATE_HZ = 44_100.0


def recorded(card: FormatCard, program: bytes, start: int, seed: int) -> Recording:
    image = Image((Range(start, program),), name="PROG")
    parts = framing.encode(blocks.encode(image, card), card)
    silence = np.zeros(15_000, np.float32)
    sound = np.concatenate([silence, *line.encode(parts, Alphabet.of(card), RATE_HZ, level=0.5), silence])
    noise = np.random.default_rng(seed).normal(0.0, 0.003, len(sound))
    return Recording((sound + noise).astype(np.float32), RATE_HZ)


@pytest.fixture(scope="module")
def learned():
    rng = np.random.default_rng(12)
    programs = [rng.bytes(150), rng.bytes(97), rng.bytes(210)]
    recordings = [
        recorded(made_up("plain"), program, start, k)
        for k, (program, start) in enumerate(zip(programs, (0x1234, 0x4321, 0x2A07), strict=True))
    ]
    return learn_blind(recordings), recordings, programs


def test_saves_of_unknown_programs_give_a_card_that_reads_them(learned):
    found, recordings, programs = learned
    assert found.problem == ""
    for recording, program in zip(recordings, programs, strict=True):
        assert read(recording, format=found.card).image.ranges[0].data == program


def test_the_card_says_that_it_is_a_guess(learned):
    found, _, _ = learned
    assert "A guess" in found.text
    assert "A guess" in found.card.notes


def test_no_conclusion_is_called_certain(learned):
    found, _, _ = learned
    claims = [claim for kind in found.layout.kinds for claim in (kind.head_check, kind.tail_check) if claim]
    assert claims
    assert {claim.certainty for claim in claims} <= {"likely", "open"}
    assert "certain" not in found.text


@pytest.mark.parametrize(
    "sound",
    [
        sounds_of_nothing.white_noise(8.0), sounds_of_nothing.hum(8.0), sounds_of_nothing.music(8.0),
        sounds_of_nothing.music(8.0, 7), sounds_of_nothing.speech(8.0), sounds_of_nothing.speech(8.0, 8),
        sounds_of_nothing.silence(2.0), sounds_of_nothing.tone(8.0, 1000.0),
    ],
    ids=["noise", "hum", "music", "other music", "speech", "other speech", "silence", "tone"],
)  # fmt: skip
def test_sounds_of_nothing_give_no_card(sound):
    found = learn_blind([Recording(sound.astype(np.float32), RATE_HZ)])
    assert found.card is None
    assert found.text is None
    assert found.problem.endswith(".")
