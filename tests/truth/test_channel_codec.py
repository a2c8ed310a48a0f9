"""Codecs against the tone and the time that must survive them."""

import numpy as np
import pytest
import scipy.signal

from tapewright.channel import available_codecs, through_codec
from tapewright.model import Recording

RATE_HZ = 44_100
RATES_BPS = {"mp3": 128_000, "aac": 128_000, "opus": 64_000, "mulaw": None, "alaw": None, "amr": 12_200}


def sweep() -> Recording:
    now = np.arange(2 * RATE_HZ) / RATE_HZ
    wave = 0.4 * scipy.signal.chirp(now, 500, 2.0, 2500) * np.exp(-(((now - 0.9) / 0.4) ** 2))
    return Recording(wave, RATE_HZ)


@pytest.mark.parametrize("codec", sorted(RATES_BPS))
def test_no_delay_is_left_and_the_tone_is_kept(codec):
    if codec not in available_codecs():
        pytest.skip(f"this FFmpeg has no {codec} encoder")
    given = sweep()
    heard = through_codec(given, codec, RATES_BPS[codec])
    assert heard.samples.shape == given.samples.shape
    lags = scipy.signal.correlate(heard.samples[:, 0], given.samples[:, 0], method="fft")
    lag_seconds = (np.argmax(lags) - (len(given.samples) - 1)) / RATE_HZ
    assert abs(lag_seconds) < 0.1e-3
    energy = float(np.sum(given.samples.astype(np.float64) ** 2))
    # A speech codec keeps the sound, not the waveform (AMR); the others keep both.
    assert lags.max() / energy == pytest.approx(1.0, abs=0.35 if codec == "amr" else 0.06)


@pytest.mark.parametrize("codec, floor_db", [("mulaw", 36.0), ("alaw", 36.0)])
def test_g711_has_the_quantising_distortion_of_its_law(codec, floor_db):
    # ITU-T G.712 asks at least 33 dB over the upper 30 dB of level, the laws give 37 to 38 (from memory).
    now = np.arange(8000) / 8000
    given = Recording(0.25 * np.sin(2 * np.pi * 1020 * now), 8000)
    error = through_codec(given, codec).samples - given.samples
    ratio_db = 10 * np.log10(np.mean(given.samples**2) / np.mean(error**2))
    assert floor_db < ratio_db < 42.0
