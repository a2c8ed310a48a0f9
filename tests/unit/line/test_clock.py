"""Clocks drawn through noisy measurements know how far off they are, and stay inside the recording."""

import numpy as np
import pytest

from tapewright.line.clock import Clock, even_samples, interpolator, is_forward, smooth_clock

SYMBOLS, LENGTH, SPREAD = 600, 30.0, 0.5


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("samples, symbols", [(1.5, 40.0), (0.6, 80.0)])
def test_a_smooth_clock_follows_flutter_and_knows_how_far_off_it_is(samples, symbols, seed) -> None:
    # clocks a little more restless than quartz are the unlikeliest here, and were once the last ones tried
    at = LENGTH * np.arange(SYMBOLS)
    truth = at + samples * np.sin(2 * np.pi * np.arange(SYMBOLS) / symbols)
    place = truth + SPREAD * np.random.default_rng(seed).standard_normal(SYMBOLS)
    clock, _, uncertain = smooth_clock(at, place, np.full(SYMBOLS, SPREAD**2), 1.0)
    error = (clock - truth)[20:-20]
    assert 0.4 < np.sqrt(uncertain.mean() / np.mean(error**2)) < 2.5
    assert np.sqrt(np.mean(error**2)) < 0.7 * SPREAD


@pytest.mark.parametrize("flutter", [0.0005, 0.001, 0.003])
def test_flutter_is_followed_where_symbols_tell_the_time_well(flutter: float) -> None:
    # of the calmest clocks the second may be less likely than the first by a hundred nats
    number = np.arange(9000)
    truth = LENGTH * (number + flutter * 60 / (2 * np.pi) * np.sin(2 * np.pi * number / 60))
    place = truth + 0.07 * np.random.default_rng(3).standard_normal(9000)
    clock, _, _ = smooth_clock(LENGTH * number, place, np.full(9000, 0.07**2), 1.0)
    assert np.std((clock - truth)[20:-20]) < 0.05


@pytest.mark.parametrize("late", [0.0, 0.25, 0.5])
def test_noise_between_samples_is_as_strong_as_on_them(late: float) -> None:
    low, high = 0.02, 0.38
    spectrum = np.fft.rfft(np.random.default_rng(1).standard_normal(20_000))
    turns = np.fft.rfftfreq(20_000)
    spectrum[(turns < low) | (turns > high)] = 0.0
    noise = np.fft.irfft(spectrum).astype(np.float32)
    exact = np.fft.irfft(spectrum * np.exp(2j * np.pi * turns * late))
    even = np.empty(19_990, np.float32)
    even_samples(noise, np.zeros(1), np.array([late - 0.5]), np.ones(1), interpolator(low, high), even)
    assert even[9:].var() == pytest.approx(noise.var(), rel=0.02)  # a cubic: 0.8 of it half way between
    assert np.mean((even[9:] - exact[9:19_990]) ** 2) < 0.01 * noise.var()


def test_a_curve_that_leaves_the_recording_between_two_places_reads_silence_there() -> None:
    heard = np.ones(100, np.float32)
    at = np.array([0.0, 50.0])
    even = np.full(50, np.nan, np.float32)
    # both ends lie inside, and both slopes make the curve swing far out between them
    even_samples(heard, at, np.array([40.0, 60.0]), np.array([60.0, 60.0]), interpolator(0.0, 0.3), even)
    assert np.isfinite(even).all()
    assert even[12] == 0.0  # near place 300
    assert even[[0, -1]] == pytest.approx(1.0, abs=0.01)


def test_a_clock_runs_forward_unless_a_slope_is_too_steep() -> None:
    at, place = np.array([0.0, 10.0, 20.0]), np.array([5.0, 15.0, 25.0])
    assert is_forward(Clock(at, place, np.array([1.0, 1.3, 0.7])))
    assert not is_forward(Clock(at, place, np.array([1.0, 3.1, 0.7])))
    assert not is_forward(Clock(at, place[::-1], np.ones(3)))
    assert not is_forward(Clock(at, place, np.array([1.0, np.nan, 1.0])))
