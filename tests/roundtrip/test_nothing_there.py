"""Where there is no program none is found, and a card never vouches for the tape of another."""

from __future__ import annotations

import numpy as np
import pytest

import sounds_of_nothing as sounds
import tapewright as tw

CARDS = tw.format_names()
SECONDS = 3.0
NOTHING = {
    "white noise": lambda: sounds.white_noise(SECONDS),
    "hum and its harmonics": lambda: sounds.hum(SECONDS),
    "music": lambda: sounds.music(SECONDS),
    "speech": lambda: sounds.speech(SECONDS),
    "silence": lambda: sounds.silence(SECONDS),
    "a steady 1200 Hz": lambda: sounds.tone(0.9, 1200),
    "a steady 2400 Hz": lambda: sounds.tone(0.9, 2400),
}


@pytest.mark.parametrize("sound", NOTHING)
def test_no_card_finds_a_program_in(sound):
    recording = tw.Recording(NOTHING[sound]().astype(np.float32), sounds.RATE_HZ)
    for card in CARDS:
        reading = tw.read(recording, format=card)
        assert reading.blocks == (), (card, reading)
        assert reading.damaged
        assert not reading.verified
        assert reading.faults, card  # and it says why


# Cards whose tones or half-waves are those of the other: 1200 and 2400 Hz, 250 and 500 us, or near ones.
ALIKE = [
    ("kcs-300", "kcs-1200"),
    ("heron-cycle-1600", "kcs-1200"),
    ("kcs-1200", "heron-cycle-1600"),
    ("mallow-fsk-600", "kcs-300"),
    ("bell-202-1200", "v23-1200"),
    ("bell-202-1200", "bell-103-300"),
    ("bell-103-300", "v21-300"),
    ("sedge-half-2700", "alder-biphase-m-2000"),
    ("alder-biphase-m-2000", "sedge-half-2700"),
    ("alder-biphase-m-2000", "larch-biphase-l-2000"),
    ("alder-biphase-m-2000", "v21-300"),
    ("reed-pwm-1500", "sedge-half-2700"),
    ("osier-biphase-s-1200", "heron-cycle-1600"),
]


@pytest.mark.parametrize("written, read_as", ALIKE)
def test_a_wrong_card_never_vouches_for_a_tape(written, read_as):
    program = np.random.default_rng(5).integers(0, 256, 60, np.uint8).tobytes()
    recording = tw.synthesize(program, format=written, start=0x9000)
    reading = tw.read(recording, format=read_as)
    assert not any(block.verified for block in reading.blocks), reading
    assert not reading.verified
    # and nobody is told that a program was read without damage
    assert reading.damaged, reading


def test_a_card_without_a_check_reads_the_characters_of_one_with_the_same_tones_and_bits():
    # Seven bits and a parity that is always 1 make up eight bits, so Kansas City tones at 1200 bit/s are what
    # this tape holds as well: its records as ASCII. It is read as such, and nothing vouches for it.
    program = b"\x00\x01\xab\xff"
    recording = tw.synthesize(program, format="sorrel-step-1200", start=0x9000)
    reading = tw.read(recording, format="kcs-1200")
    (block,) = reading.blocks
    assert not block.verified
    # start, length, data and their sum modulo 256: 90 + 00 + 00 + 04 + 00 + 01 + AB + FF = 23Fh
    assert bytes(value & 0x7F for value in block.data).upper() == b"<900000040001ABFF3F>"
    assert all(value & 0x80 for value in block.data)
