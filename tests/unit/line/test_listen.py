"""Listening: whatever the rates, and however the recording comes in, it stays in step and keeps its level."""

from __future__ import annotations

import numpy as np
import pytest

from tapewright.line.front import listen
from tapewright.line.templates import Band, ratio_of

HERTZ = 900.0


def a_band(rate_hz: float, inner_hz: float) -> Band:
    inner_hz = rate_hz * float(ratio_of(rate_hz, inner_hz))
    return Band(inner_hz, 300.0, 0.4 * min(rate_hz, inner_hz))


def heard(samples: np.ndarray, rate_hz: float, band: Band, pieces: list[int]) -> np.ndarray:
    chunks = np.split(samples[:, np.newaxis], np.cumsum(pieces))
    return np.concatenate([np.zeros(0, np.float32), *listen(chunks, rate_hz, 0, band)])


# coarser, by a prime number, finer, the same, and rates that nothing small is a multiple of
@pytest.mark.parametrize(
    "rate_hz,inner_hz",
    [
        (44_100.0, 24_000.0),
        (44_100.0, 8_260.0),
        (22_050.0, 49_744.8),
        (44_100.0, 44_100.0),
        (47_952.3, 26_470.6),
    ],
)
@pytest.mark.parametrize("samples", [6_000, 100_001])
def test_a_tone_in_the_band_stays_as_it_is_and_where_it_is(rate_hz, inner_hz, samples):
    band = a_band(rate_hz, inner_hz)
    tone = np.sin(2 * np.pi * HERTZ / rate_hz * np.arange(samples)).astype(np.float32)
    out = heard(tone, rate_hz, band, [1, 20_000, 0, 777])
    assert abs(len(out) - samples * band.rate_hz / rate_hz) <= 1.0
    expected = np.sin(2 * np.pi * HERTZ / band.rate_hz * np.arange(len(out)))
    whole = slice(len(band.filter), -len(band.filter))  # at the ends there is silence as well
    assert out[whole] == pytest.approx(expected[whole], abs=1e-3)


@pytest.mark.parametrize("hertz", [50.0, 11_500.0, 17_000.0])
def test_a_tone_outside_the_band_is_gone(hertz):
    band = Band(24_000.0, 300.0, 10_000.0)
    tone = np.sin(2 * np.pi * hertz / 44_100.0 * np.arange(44_100)).astype(np.float32)
    out = heard(tone, 44_100.0, band, [10_000])
    assert np.abs(out[len(band.filter) : -len(band.filter)]).max() < 2e-3


def test_it_does_not_matter_how_a_recording_is_cut():
    band = a_band(44_100.0, 24_000.0)
    noise = np.random.default_rng(1).standard_normal(150_000).astype(np.float32)
    whole, cut = (heard(noise, 44_100.0, band, pieces) for pieces in ([], [3, 70_000, 1, 50_000]))
    assert whole == pytest.approx(cut, abs=1e-5)


@pytest.mark.parametrize("samples", [0, 1, 10])
def test_next_to_no_samples_are_next_to_none_afterwards(samples):
    out = heard(np.ones(samples, np.float32), 44_100.0, a_band(44_100.0, 24_000.0), [])
    assert len(out) == round(samples * 24_000 / 44_100)


def test_the_receivers_rate_is_next_to_the_one_asked_for():
    for wanted in np.random.default_rng(2).uniform(8_000.0, 96_000.0, 200):
        assert 44_100.0 * float(ratio_of(44_100.0, wanted)) == pytest.approx(wanted, rel=1e-3)
