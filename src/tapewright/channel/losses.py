"""Closed formulas of the compact-cassette channel: what wavelength, head and equalisation do to a tone.

All take frequencies in hertz and return what a tone is multiplied by; a negative factor is a tone turned
over, as beyond the first null of a gap. Wavelength is ``speed / frequency``.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

__all__ = [
    "azimuth_delay_seconds",
    "azimuth_factor",
    "equalisation_factor",
    "gap_factor",
    "recorded_flux_db",
    "spacing_factor",
    "thickness_factor",
    "tilt_factor",
]

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

#: Low-frequency time constant of IEC 60094-1 (second-hand).
_LOW_SECONDS = 3180e-6
#: The magnetic gap looks this much longer than the optical one (Eargle 1994, item 167, abstract read).
_GAP_LENGTHENING = 1.11


def gap_factor(frequency_hz: FloatArray, gap_um: float, speed_mm_per_s: float) -> FloatArray:
    """Loss of a replay gap: sin(x)/x with x = 1.11 pi g / wavelength.

    References
    ----------
    J. Eargle, *Electroacoustical Reference Data*, 1994, item 167 (abstract read).
    """
    return np.sinc(_GAP_LENGTHENING * gap_um * 1e-3 * frequency_hz / speed_mm_per_s)


def azimuth_factor(
    frequency_hz: FloatArray, error_arcmin: float, track_width_mm: float, speed_mm_per_s: float
) -> FloatArray:
    """Loss of a head that stands askew: sin(x)/x with x = pi w tan(a) / wavelength.

    References
    ----------
    Camras; Eargle (from memory); the same sinc form as the gap.
    """
    slant_mm = track_width_mm * math.tan(math.radians(error_arcmin / 60))
    return np.sinc(slant_mm * frequency_hz / speed_mm_per_s)


def azimuth_delay_seconds(error_arcmin: float, track_distance_mm: float, speed_mm_per_s: float) -> float:
    """How much later the second of two tracks is read: t = d tan(a) / v (from memory)."""
    return track_distance_mm * math.tan(math.radians(error_arcmin / 60)) / speed_mm_per_s


def spacing_factor(frequency_hz: FloatArray, spacing_um: float, speed_mm_per_s: float) -> FloatArray:
    """Loss of tape held off the head: 54.575 dB per wavelength of distance, i.e. e^(-2 pi d / wavelength).

    References
    ----------
    R. L. Wallace, Bell System Technical Journal, 1951 (from memory); "55 dB per wavelength" second-hand.
    """
    wavelengths = spacing_um * 1e-3 * frequency_hz / speed_mm_per_s
    return np.asarray(np.exp(-2 * np.pi * wavelengths))


def thickness_factor(frequency_hz: FloatArray, thickness_um: float, speed_mm_per_s: float) -> FloatArray:
    """Loss of a coating of finite thickness: (1 - e^-y)/y with y = 2 pi delta / wavelength.

    References
    ----------
    R. L. Wallace, Bell System Technical Journal, 1951 (from memory). Measured tape falls faster
    (McKnight 2017, abstract).
    """
    y = 2 * np.pi * thickness_um * 1e-3 * np.asarray(frequency_hz, np.float64) / speed_mm_per_s
    safe = np.where(y > 1e-9, y, 1.0)
    return np.where(y > 1e-9, -np.expm1(-safe) / safe, 1.0)


def recorded_flux_db(frequency_hz: FloatArray, equalisation_us: float) -> FloatArray:
    """Flux on a correctly recorded tape for constant input, N(f) in decibels.

    References
    ----------
    IEC 60094-1:1981 as quoted by R. L. Hess, 2006 (second-hand).
    """
    w = 2 * np.pi * frequency_hz
    return np.asarray(
        10 * np.log10(1 + 1 / (w * _LOW_SECONDS) ** 2) - 10 * np.log10(1 + (w * equalisation_us * 1e-6) ** 2)
    )


def equalisation_factor(frequency_hz: FloatArray, recorded_us: float, replay_us: float) -> ComplexArray:
    """What replaying with another time constant than the recording's does, phase included.

    Both networks are single resistor-capacitor sections, so the phase is theirs:
    (1 + j w t_replay) / (1 + j w t_recorded).
    """
    jw = 2j * np.pi * frequency_hz
    return np.asarray((1 + jw * replay_us * 1e-6) / (1 + jw * recorded_us * 1e-6))


def tilt_factor(frequency_hz: FloatArray, tilt_db_per_octave: float) -> FloatArray:
    """A constant slope about 1 kHz, level below 50 Hz so that nothing runs away at zero."""
    octaves = np.log2(np.maximum(frequency_hz, 50.0) / 1000.0)
    return np.asarray(10 ** (tilt_db_per_octave * octaves / 20))
