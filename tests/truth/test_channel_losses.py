"""Tape and head against closed formulas and printed tables, measured on tones played through the channel.

Sources, as the standards dossier has them (sections 4.2 and 4.3): gap, J. Eargle, Electroacoustical
Reference Data, 1994, item 167 (abstract read); azimuth, Camras and Eargle (from memory); spacing, R. L.
Wallace, BSTJ 1951 (from memory; "55 dB per wavelength" second-hand); equalisation, IEC 60094-1:1981 as
quoted by R. L. Hess, 2006 (second-hand). The values are computed from those formulas at 47.6 mm/s, printed
to the digits given and held to one in the last place.
"""

from dataclasses import replace

import numpy as np
import pytest

from tapewright.channel import CassetteChannel, play
from tapewright.channel.losses import recorded_flux_db, thickness_factor
from tapewright.model import Recording

RATE_HZ = 48_000
LAST_PLACE = 0.011


def tones(*frequencies_hz: float, seconds: float = 2.0, peak: float = 0.1) -> Recording:
    now = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return Recording(sum(peak * np.sin(2 * np.pi * hz * now) for hz in frequencies_hz), RATE_HZ)


def lines(recording: Recording, channel: int = 0) -> np.ndarray:
    """Complex amplitudes of the middle second: entry k belongs to k hertz."""
    middle = recording.samples[RATE_HZ // 2 : RATE_HZ // 2 + RATE_HZ, channel].astype(np.float64)
    return np.fft.rfft(middle) * 2 / RATE_HZ


def gains_db(frequencies_hz: tuple[int, ...], **settings: object) -> np.ndarray:
    given = tones(*frequencies_hz)
    replayed = play(given, replace(CassetteChannel.TRANSPARENT, **settings), seed=1)
    at = list(frequencies_hz)
    return 20 * np.log10(np.abs(lines(replayed)[at]) / np.abs(lines(given)[at]))


@pytest.mark.parametrize(
    "gap_um, expected_db",
    [
        (1.0, (-0.01, -0.04, -0.31, -0.79, -1.25)),
        (1.5, (-0.03, -0.10, -0.71, -1.82, -2.93)),
        (2.0, (-0.04, -0.18, -1.27, -3.37, -5.56)),
        (3.0, (-0.10, -0.41, -2.98, -8.67, -17.09)),
    ],
)
def test_gap_loss_of_eargle_item_167(gap_um, expected_db):
    measured = gains_db((1200, 2400, 6300, 10_000, 12_500), gap_um=gap_um)
    np.testing.assert_allclose(measured, expected_db, atol=LAST_PLACE)


def test_gap_null_and_the_polarity_beyond_it():
    assert gains_db((14_294,), gap_um=3.0)[0] < -60  # first null, dossier 4.3
    given = tones(18_000)
    beyond = play(given, replace(CassetteChannel.TRANSPARENT, gap_um=3.0), seed=1)
    turn = lines(beyond)[18_000] / lines(given)[18_000]
    assert turn.real < 0  # sin(x)/x is negative between its first and second null
    assert abs(turn.imag) < 1e-4


@pytest.mark.parametrize(
    "arcmin, width_mm, expected_db",
    [
        (5, 1.5, (-0.04, -0.17, -0.30, -1.23, -3.24)),
        (10, 1.5, (-0.17, -0.70, -1.23, -5.43, -20.93)),
        (20, 1.5, (-0.70, -2.97, -5.43, -17.79, -21.23)),
        (10, 0.6, (-0.03, -0.11, -0.19, -0.78, -2.01)),
        (20, 0.6, (-0.11, -0.45, -0.78, -3.30, -9.83)),
    ],
)
def test_azimuth_loss_table(arcmin, width_mm, expected_db):
    measured = gains_db(
        (1200, 2400, 3150, 6300, 10_000), azimuth_error_arcmin=arcmin, track_width_mm=width_mm
    )
    np.testing.assert_allclose(measured, expected_db, atol=LAST_PLACE)


@pytest.mark.parametrize(
    "spacing_um, expected_db",
    [
        (1.0, (1.38, 2.75, 3.61, 7.22, 11.47)),
        (2.0, (2.75, 5.50, 7.22, 14.45, 22.93)),
        (5.0, (6.88, 13.76, 18.06, 36.12, 57.33)),
    ],
)
def test_spacing_loss_of_wallace(spacing_um, expected_db):
    measured = gains_db((1200, 2400, 3150, 6300, 10_000), spacing_um=spacing_um)
    np.testing.assert_allclose(-measured, expected_db, atol=LAST_PLACE)


def test_thickness_loss_at_one_radian():
    # (1 - e^-1)/1 = 0.63212 where 2 pi delta = wavelength: by hand from Wallace's form (from memory).
    assert thickness_factor(np.array([47.6 / (2 * np.pi * 5e-3)]), 5.0, 47.6)[0] == pytest.approx(
        0.63212, abs=1e-5
    )


def test_a_120_us_tape_replayed_with_70_us():
    measured = gains_db((2400, 10_000), recorded_equalisation_us=120, replay_equalisation_us=70)
    np.testing.assert_allclose(measured, (-3.06, -4.54), atol=LAST_PLACE)  # dossier 4.2, computed


def test_recorded_flux_of_iec_60094_1():
    hz = np.array([40.0, 315, 1000, 1200, 2400, 3150, 6300, 10_000])
    n120 = (4.09, -0.13, -1.94, -2.59, -6.31, -8.22, -13.72, -17.62)
    n70 = (4.09, 0.03, -0.76, -1.06, -3.25, -4.65, -9.38, -13.08)
    np.testing.assert_allclose(recorded_flux_db(hz, 120), n120, atol=LAST_PLACE)
    np.testing.assert_allclose(recorded_flux_db(hz, 70), n70, atol=LAST_PLACE)


@pytest.mark.parametrize("arcmin, delay_us", [(1, 5.50), (10, 55.0), (20, 110.0)])
def test_delay_between_the_tracks_of_a_stereo_head(arcmin, delay_us):
    channel = replace(CassetteChannel.TRANSPARENT, head="stereo", azimuth_error_arcmin=arcmin)
    replayed = play(tones(1000), channel, seed=1)
    phase = np.angle(lines(replayed, 0)[1000] / lines(replayed, 1)[1000])
    assert 1e6 * phase / (2 * np.pi * 1000) == pytest.approx(delay_us, rel=1.2e-3)


@pytest.mark.parametrize("arcmin, loss_db", [(5, 0.19), (10, 0.77), (20, 3.41)])
def test_what_adding_both_channels_costs_at_2400_hz(arcmin, loss_db):
    channel = replace(
        CassetteChannel.TRANSPARENT, head="stereo", azimuth_error_arcmin=arcmin, track_width_mm=0.0
    )
    replayed = play(tones(2400), channel, seed=1)
    both = abs(lines(replayed, 0)[2400] + lines(replayed, 1)[2400]) / 2
    assert -20 * np.log10(both / abs(lines(replayed, 0)[2400])) == pytest.approx(loss_db, abs=LAST_PLACE)


@pytest.mark.parametrize("order", [1, 2, 3, 4])
def test_amplifier_corners(order):
    # Butterworth: -3.0103 dB at the corner for every order; an octave beyond, 10 log10(1 + 4^order).
    # The octave is far enough below half the sample rate for 0.1 dB.
    low = gains_db((600, 1200), low_pass_hz=600.0, low_pass_order=order)
    high = gains_db((600, 300), high_pass_hz=600.0, high_pass_order=order)
    beyond = -10 * np.log10(1 + 4.0**order)
    np.testing.assert_allclose(low, (-3.0103, beyond), atol=0.1)
    np.testing.assert_allclose(high, (-3.0103, beyond), atol=0.1)
