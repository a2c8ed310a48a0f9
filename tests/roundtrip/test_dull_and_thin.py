"""Tapes far duller or thinner than any receiver expects: read with the tone corrected, and said so."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

import sounds_of_nothing as sounds
import tapewright as tw
from tapewright.chain.tone import TONES, Toned

RATE_HZ = 44_100
DATA = np.random.default_rng(5).integers(0, 256, 120, np.uint8).tobytes()


def tape(name: str, kind: str, order: int, hertz: float) -> tw.Recording:
    """A save through a filter, 30 dB above the noise."""
    sent = tw.synthesize(DATA, format=name, start=0x300, rate_hz=RATE_HZ).samples.ravel()
    sound = signal.sosfilt(signal.butter(order, hertz, kind, fs=RATE_HZ, output="sos"), sent)
    sound /= np.sqrt(np.mean(sound**2))
    noise = 10 ** (-30 / 20) * np.random.default_rng(6).standard_normal(len(sound))
    return tw.Recording((0.2 * (sound + noise)).astype(np.float32), RATE_HZ)


@pytest.mark.parametrize(
    "name, kind, order, hertz, sounds_like",
    [
        ("heron-cycle-1600", "low", 1, 300, "dull"),
        ("larch-biphase-l-2000", "low", 2, 500, "dull"),
        ("kcs-1200", "low", 3, 900, "dull"),
        ("mallow-fsk-600", "low", 2, 500, "dull"),
        ("heron-cycle-1600", "high", 1, 3000, "thin"),
        ("reed-pwm-1500", "high", 1, 5000, "thin"),
    ],
)
def test_a_tape_that_hardly_has_one_of_the_tones_left(name, kind, order, hertz, sounds_like):
    reading = tw.read(tape(name, kind, order, hertz), format=name)
    assert [piece.data for piece in reading.image] == [DATA]
    assert not reading.damaged
    assert [fault.kind for fault in reading.faults] == [sounds_like]


def test_its_format_is_found_as_well():
    reading = tw.read(tape("heron-cycle-1600", "low", 2, 800))
    assert reading.format == reading.rivals[0][0] == "heron-cycle-1600"
    assert len(reading.rivals) > 1
    assert reading.verified
    assert [piece.data for piece in reading.image] == [DATA]


def test_of_a_good_tape_the_tone_is_left_alone():
    reading = tw.read(tape("kcs-1200", "low", 1, 9000), format="kcs-1200")
    assert [piece.data for piece in reading.image] == [DATA]
    assert reading.faults == ()


def test_a_tone_makes_no_program_of_noise():
    noise = tw.Recording(sounds.white_noise(6.0).astype(np.float32), sounds.RATE_HZ)
    reading = tw.read(noise, format="kcs-1200")
    assert reading.blocks == ()
    assert not {"dull", "thin"} & {fault.kind for fault in reading.faults}


@pytest.mark.parametrize("tone", TONES)
def test_what_a_tone_does_to_a_sine_is_what_its_words_say(tone):
    low, high = sorted((tone.flat_hz, tone.level_hz))
    seconds = np.arange(RATE_HZ) / RATE_HZ
    gain = []
    for hertz in (0.05 * low, 2 * low, 4 * low):
        sine = np.sin(2 * np.pi * hertz * seconds).astype(np.float32)
        heard = np.concatenate(list(Toned(tw.Recording(sine, RATE_HZ), tone).chunks(0.1))).ravel()
        gain.append(
            20 * np.log10(np.sqrt(np.mean(heard[RATE_HZ // 2 :] ** 2) / np.mean(sine[RATE_HZ // 2 :] ** 2)))
        )
    slope = tone.stages if tone.what == "raised" else -tone.stages
    # between the corners an octave is worth 6 dB a stage, a little less near them
    assert gain[2] - gain[1] == pytest.approx(5.2 * slope, abs=0.8 * tone.stages)
    # a first-order shelf reaches half its decibels in the middle of the slope, where the gain is 1
    whole = 20 * np.log10(high / low)
    assert gain[0] == pytest.approx(-0.5 * whole * slope, abs=0.5 * tone.stages)
