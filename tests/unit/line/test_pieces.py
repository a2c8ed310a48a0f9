"""Which seconds of a recording are looked at first: those of data, wherever they are."""

from __future__ import annotations

import numpy as np
import pytest

import sounds_of_nothing as sounds
import tapewright as tw
from tapewright import line

PROGRAM = np.random.default_rng(5).integers(0, 256, 60, np.uint8).tobytes()


@pytest.mark.parametrize("name", ["kcs-300", "heron-cycle-1600", "larch-biphase-l-2000", "v21-300"])
@pytest.mark.parametrize("other", [sounds.white_noise, sounds.speech, sounds.music, sounds.hum])
def test_seconds_of_data_are_found_among_minutes_of_louder_sound(name: str, other) -> None:
    data = tw.synthesize(PROGRAM, format=name, start=0x9000)
    tape = data.samples[:, 0]
    lead = np.tile(other(8.0), 16).astype(np.float32)  # more than two minutes
    assert len(lead) > 120 * sounds.RATE_HZ
    first, *more = line.overview(tw.Recording(np.concatenate((lead, 0.3 * tape)), sounds.RATE_HZ)).surveys
    assert 1 <= len(first.pieces) <= 8
    held = (0.3 * tape).tobytes()
    assert sum(piece[5000:5100, 0].tobytes() in held for piece in first.pieces) >= len(first.pieces) - 1
    assert len(more) == 1  # any sound, for where the likely seconds say nothing


def test_pieces_know_where_the_sound_begins_that_they_are_of() -> None:
    tape = tw.synthesize(PROGRAM * 10, format="kcs-1200").samples[:, 0]
    pause, hiss = np.zeros(3 * sounds.RATE_HZ, np.float32), sounds.white_noise(4.0).astype(np.float32)
    whole = np.concatenate((hiss, tape, pause, tape))
    first, *_ = line.overview(tw.Recording(whole, sounds.RATE_HZ)).surveys
    begins = np.array([4.0, 4.0 + (len(tape) + len(pause)) / sounds.RATE_HZ])
    assert len(first.starts) == len(first.pieces)
    for start in first.starts:
        assert np.abs(begins - start).min() <= 1.0  # a second that is part pause may not sound like data
    assert {int(np.argmin(np.abs(begins - start))) for start in first.starts} == {0, 1}


def test_of_noise_alone_there_is_nothing_to_prefer() -> None:
    (only,) = line.overview(tw.Recording(sounds.white_noise(12.0).astype(np.float32), sounds.RATE_HZ)).surveys
    assert len(only.pieces) == 8


def test_pieces_come_from_all_over_however_long_the_recording() -> None:
    rng = np.random.default_rng(7)
    sound = rng.uniform(-0.1, 0.1, 400 * 4000).astype(np.float32)
    sound[::4000] = np.arange(400) / 1000  # which second a piece is
    (only,) = line.overview(tw.Recording(sound, 4000.0)).surveys
    seconds = [round(1000 * float(piece[0, 0])) for piece in only.pieces]
    assert seconds == sorted(seconds)
    assert max(np.diff([0, *seconds, 400])) <= 150


def test_silence_is_no_piece() -> None:
    (only,) = line.overview(tw.Recording(np.zeros(44_100, np.float32), 44_100.0)).surveys
    assert only.pieces == ()
