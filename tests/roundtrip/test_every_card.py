"""Every built-in card, there and back, through one named impairment at a time."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

import tapewright as tw
from tapewright import channel

ADDRESS = 0x9000
RATE_HZ = 44_100
#: Forty bytes with long runs of both bits among them, as programs have.
PROGRAM = (
    bytes.fromhex("00ff") + bytes(np.random.default_rng(40).integers(0, 256, 36, np.uint8)) + b"\xff\x00"
)
CARDS = tw.format_names()


@lru_cache(maxsize=1)
def tape(card: str) -> tw.Recording:
    return tw.synthesize(PROGRAM, format=card, start=ADDRESS, rate_hz=RATE_HZ)


def played_at(speed: float, card: str) -> tw.Recording:
    """Write for fewer samples a second than are then said to be in it: exact at any speed."""
    written = tw.synthesize(PROGRAM, format=card, start=ADDRESS, rate_hz=RATE_HZ / speed)
    return tw.Recording(written.samples, RATE_HZ)


def upside_down(recording: tw.Recording) -> tw.Recording:
    return recording.with_samples(-recording.samples, "inverted")


def assert_read_back(recording: tw.Recording, name: str, program: bytes = PROGRAM, copies: int = 1) -> None:
    """The bytes, the address where the format carries one, the check where it has one."""
    reading = tw.read(recording, format=name)
    card = tw.load_format(name)
    assert reading.blocks, reading
    assert not reading.damaged, reading
    if card.carries_addresses:
        (piece,) = reading.image.ranges
        assert piece.address == ADDRESS
        assert piece.data == program
    else:
        assert [r.address for r in reading.image] == [None] * len(reading.image.ranges)
        assert {bytes(block.data) for block in reading.blocks} == {program}
        assert len(reading.blocks) == copies
    for block in reading.blocks:
        checked = any("check" in item.model_fields_set for item in layout_of(card, block.kind))
        assert block.check == ("ok" if checked else "none"), block


def layout_of(card: tw.FormatCard, kind: str) -> list[object]:
    (layout,) = [block.layout for block in card.block if block.kind == kind]
    return list(layout)


@pytest.mark.parametrize("card", CARDS)
def test_clean(card):
    assert_read_back(tape(card), card)


@pytest.mark.parametrize("card", CARDS)
def test_12_db_over_noise_in_the_audio_band(card):
    # White noise, measured from 20 Hz to 20 kHz: worse than any cassette recorder in working order
    # (portable voice recorders: 40 to 45 dB, standards.md section 4.1, common practice).
    assert_read_back(channel.add_noise(tape(card), 12.0, band_hz=(20, 20_000), seed=12), card)


@pytest.mark.parametrize("card", CARDS)
def test_10_percent_fast(card):
    assert_read_back(played_at(1.1, card), card)


@pytest.mark.parametrize("card", CARDS)
def test_10_percent_slow_and_upside_down(card):
    assert_read_back(upside_down(played_at(0.9, card)), card)


@pytest.mark.parametrize("codec, rate_bps", [("mp3", 64_000), ("alaw", None)])
@pytest.mark.parametrize("card", CARDS)
def test_music_and_telephone_codecs(card, codec, rate_bps):
    if codec not in channel.available_codecs():
        pytest.skip(f"this installation has no {codec} encoder")
    assert_read_back(channel.through_codec(tape(card), codec, rate_bps), card)


# No shrinking: each example takes a second.
@settings(max_examples=16, phases=[Phase.explicit, Phase.reuse, Phase.generate])
@given(
    card=st.sampled_from(CARDS),
    program=st.binary(min_size=1, max_size=60),
    rate_hz=st.sampled_from([16_000, 22_050, 32_000, 44_100, 48_000, 96_000]),
    speed=st.floats(0.9, 1.1),
    level=st.floats(0.02, 0.8),
    inverted=st.booleans(),
    copies=st.sampled_from([1, 1, 1, 2]),
)
def test_any_program_at_any_rate_speed_and_level(card, program, rate_hz, speed, level, inverted, copies):
    written = tw.synthesize(
        program, format=card, start=ADDRESS, rate_hz=rate_hz / speed, level=level, inverted=inverted,
        copies=copies, pause_seconds=1.0,
    )  # fmt: skip
    assert_read_back(tw.Recording(written.samples, rate_hz), card, program, copies)


def test_pulses_upside_down_and_slow():
    written = tw.synthesize(
        b"h%N\x03\xd3", format="yarrow-fm-500", start=ADDRESS, rate_hz=32_000 / 0.9, level=0.18, inverted=True
    )
    assert_read_back(tw.Recording(written.samples, 32_000), "yarrow-fm-500", b"h%N\x03\xd3")
