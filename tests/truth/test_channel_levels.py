"""Saturation, noise, hum and dropouts: what is asked for is what a measuring instrument finds."""

from dataclasses import replace

import numpy as np
import pytest
import scipy.signal

from tapewright.channel import CassetteChannel, add_noise, play
from tapewright.model import Recording

RATE_HZ = 16_000
#: Peak of a sine at reference level in the samples: -6 dBFS, the channel's default.
REFERENCE_PEAK = 10 ** (-6 / 20)
QUIET = CassetteChannel.TRANSPARENT


def tone(frequency_hz: float, peak: float, seconds: float = 2.0) -> Recording:
    now = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return Recording(peak * np.sin(2 * np.pi * frequency_hz * now), RATE_HZ)


def line_peaks(recording: Recording) -> np.ndarray:
    """Peaks of the lines of the second second: entry k belongs to k hertz."""
    return np.abs(np.fft.rfft(recording.samples[RATE_HZ : 2 * RATE_HZ, 0].astype(np.float64))) * 2 / RATE_HZ


def band_power(samples: np.ndarray, low_hz: float, high_hz: float, rate_hz: float = RATE_HZ) -> float:
    hz, density = scipy.signal.welch(samples.astype(np.float64), rate_hz, nperseg=4096)
    inside = (hz >= low_hz) & (hz <= high_hz)
    return float(np.mean(density[inside])) * (high_hz - low_hz)


@pytest.mark.parametrize("level_db", [0.0, 3.0])
def test_third_harmonic_is_3_percent_at_the_stated_level(level_db):
    # The 3 % third-harmonic point is how DIN 45500-4 states full level (second-hand); 315 Hz is the
    # level tone of IEC 60094-2 (from memory).
    channel = replace(QUIET, three_percent_level_db=level_db)
    lines = line_peaks(play(tone(315, REFERENCE_PEAK * 10 ** (level_db / 20)), channel, seed=1))
    assert lines[945] / lines[315] == pytest.approx(0.03, abs=2e-5)
    assert lines[630] / lines[315] < 1e-5  # symmetric: no even harmonics
    assert lines[1575] < lines[945]


def test_third_harmonic_falls_with_the_square_of_level():
    # First term of any symmetric curve: 20 dB down, the share of the third harmonic is 40 dB down.
    channel = replace(QUIET, three_percent_level_db=0.0)
    loud = line_peaks(play(tone(315, REFERENCE_PEAK * 0.1), channel, seed=1))
    soft = line_peaks(play(tone(315, REFERENCE_PEAK * 0.01), channel, seed=1))
    drop_db = 20 * np.log10((loud[945] / loud[315]) / (soft[945] / soft[315]))
    assert drop_db == pytest.approx(40, abs=1.0)


@pytest.mark.parametrize("preset", [CassetteChannel.PORTABLE, CassetteChannel.WORN])
def test_hiss_has_the_signal_to_noise_ratio_asked_for(preset):
    channel = replace(
        preset,
        hiss_band_hz=(100.0, 7900.0),
        hum_level_db=None,
        dc_offset_full_scale=0.0,
        replay_gain_db=-4.0,
        capture_bits=None,
    )
    silence = Recording(np.zeros(20 * RATE_HZ), RATE_HZ)
    hiss = play(silence, channel, seed=4).samples[:, 0]
    signal_power = (REFERENCE_PEAK * 10 ** (-4 / 20)) ** 2 / 2
    snr_db = 10 * np.log10(signal_power / band_power(hiss, 100, 7900))
    assert snr_db == pytest.approx(channel.hiss_snr_db, abs=0.1)


def test_hiss_of_particles_is_flat_below_and_rises_3_db_an_octave_above():
    # Mallinson's particle noise behind a 120 us equaliser (from memory): long wavelengths are read through
    # the whole coating (power as f^2) and equalised by 1/f; short ones near its surface (power as f), flat.
    channel = replace(QUIET, hiss_snr_db=20.0, hiss_band_hz=(100.0, 20_000.0))
    hiss = play(Recording(np.zeros(30 * 48_000), 48_000), channel, seed=1).samples[:, 0]
    octaves = [band_power(hiss, hz, hz + 200, 48_000) for hz in (200, 400, 8000, 16_000)]
    assert 10 * np.log10(octaves[1] / octaves[0]) == pytest.approx(0.0, abs=0.6)
    assert 10 * np.log10(octaves[3] / octaves[2]) == pytest.approx(3.0, abs=0.3)


def test_hum_and_its_harmonics_have_their_levels():
    channel = replace(QUIET, hum_level_db=-30.0, hum_hz=50.0, hum_harmonics_db=(-3.0, -12.0))
    lines = line_peaks(play(Recording(np.zeros(3 * RATE_HZ), RATE_HZ), channel, seed=1))
    measured_db = 20 * np.log10(lines[[50, 100, 150]] / REFERENCE_PEAK)
    np.testing.assert_allclose(measured_db, (-30, -33, -42), atol=1e-3)
    assert lines[200] < 1e-6


def test_a_dropout_has_its_depth_and_its_duration():
    # A general glossary calls a fall of at least 12 dB for more than 4 ms a dropout (second-hand).
    channel = replace(
        QUIET,
        dropout_at_seconds=(0.5,),
        dropout_depth_db=18.0,
        dropout_seconds=0.010,
        dropout_edge_seconds=0.002,
    )
    given = Recording(np.full(RATE_HZ, 0.5), RATE_HZ)
    level_db = 20 * np.log10(play(given, channel, seed=1).samples[:, 0] / 0.5)
    assert level_db.min() == pytest.approx(-18.0, abs=1e-4)
    assert np.count_nonzero(level_db < -9.0) / RATE_HZ == pytest.approx(0.010, abs=2 / RATE_HZ)
    assert np.count_nonzero(level_db <= -12.0) / RATE_HZ > 0.004
    middle = np.flatnonzero(level_db < -17.9).mean() / RATE_HZ
    assert middle == pytest.approx(0.5, abs=2 / RATE_HZ)
    assert np.abs(np.diff(level_db)).max() < 18.0 * (np.pi / 2) / (0.002 * RATE_HZ) * 1.01  # a raised cosine


@pytest.mark.parametrize("band_hz", [(0.0, 8000.0), (300.0, 3000.0)])
def test_added_noise_has_its_ratio_in_its_band(band_hz):
    given = tone(1200, 0.3, seconds=20.0)
    noise = add_noise(given, 12.0, band_hz=band_hz, seed=9).samples - given.samples
    signal_power = 0.3**2 / 2
    snr_db = 10 * np.log10(signal_power / band_power(noise[:, 0], *band_hz))
    assert snr_db == pytest.approx(12.0, abs=0.1)
    # White: as much in any other band of the same width.
    halves = band_power(noise[:, 0], 500, 3500) / band_power(noise[:, 0], 4500, 7500)
    assert halves == pytest.approx(1.0, abs=0.03)
