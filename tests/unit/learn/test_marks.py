from __future__ import annotations

import numpy as np
import pytest

from tapewright.learn.marks import marks_of
from tapewright.model import Recording

RATE_HZ = 44_100


def sine(hertz: float, seconds: float) -> np.ndarray:
    return 0.5 * np.sin(2 * np.pi * hertz * np.arange(round(seconds * RATE_HZ)) / RATE_HZ)


def heard(sound: np.ndarray) -> Recording:
    return Recording(sound.astype(np.float32), RATE_HZ)


@pytest.mark.parametrize("hertz", [700.0, 1200.0, 4000.0])
def test_half_waves_of_a_tone_are_half_its_period(hertz: float) -> None:
    marks = marks_of(heard(sine(hertz, 1.0)))
    assert len(marks.durations_us) == pytest.approx(2 * hertz, abs=4)
    inner = marks.durations_us[20:-20]
    assert np.abs(inner - 0.5e6 / hertz).max() < 0.01 * 0.5e6 / hertz
    assert (marks.rising[1:] != marks.rising[:-1]).all()


def test_hum_and_an_offset_change_nothing() -> None:
    tone = sine(2000.0, 1.0)
    marks = marks_of(heard(0.2 + 0.6 * sine(50.0, 1.0) + tone))
    assert np.abs(marks.durations_us[40:-40] - 250.0).max() < 5.0


def test_silence_has_no_marks() -> None:
    assert len(marks_of(heard(np.zeros(RATE_HZ))).times_s) == 0


def test_hiss_in_a_rest_makes_no_half_waves() -> None:
    burst, rest = sine(3000.0, 0.01), np.zeros(RATE_HZ // 100)
    sound = np.concatenate([burst, rest] * 30)
    sound += 0.01 * np.random.default_rng(1).standard_normal(len(sound))
    long = marks_of(heard(sound)).durations_us
    assert (long > 5_000).sum() == 29
    assert ((long > 300) & (long < 5_000)).sum() == 0


def test_the_louder_channel_is_listened_to() -> None:
    loud, quiet = sine(1000.0, 0.5), 0.1 * sine(2000.0, 0.5)
    stereo = Recording(np.stack([quiet, loud], axis=1).astype(np.float32), RATE_HZ)
    assert np.median(marks_of(stereo).durations_us) == pytest.approx(500.0, abs=1.0)
