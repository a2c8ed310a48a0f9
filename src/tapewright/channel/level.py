"""The record amplifier: gain, automatic level control, tape saturation, hard clipping."""

from __future__ import annotations

import functools

import numpy as np
import scipy.optimize

from tapewright.channel.kernels import follow_level
from tapewright.channel.settings import CassetteChannel
from tapewright.model import Samples

__all__ = ["clip", "control_level", "ratio_from_db", "saturate", "saturation_scale"]

_THIRD_HARMONIC = 0.03


def ratio_from_db(level_db: float) -> float:
    """Amplitude ratio of a level in decibels."""
    return float(10 ** (level_db / 20))


def control_level(samples: Samples, rate_hz: float, channel: CassetteChannel) -> Samples:
    """Apply the automatic level control; the channels share one gain.

    Parameters
    ----------
    samples : ndarray of float32, shape (channels, n)
    rate_hz : float
    channel : CassetteChannel

    Returns
    -------
    ndarray of float32, shape (channels, n)
    """
    if channel.automatic_level_db is None:
        return samples
    controlled = np.empty_like(samples)
    follow_level(
        samples,
        -np.expm1(-1 / (rate_hz * channel.automatic_attack_seconds)),
        -np.expm1(-1 / (rate_hz * channel.automatic_release_seconds)),
        ratio_from_db(channel.reference_level_dbfs + channel.automatic_level_db),
        ratio_from_db(channel.automatic_least_gain_db),
        ratio_from_db(channel.automatic_most_gain_db),
        0.0,
        controlled,
    )
    return controlled


@functools.cache
def saturation_scale() -> float:
    """Peak of a sine, in units of the scale s of ``s tanh(x / s)``, that makes 3 % third harmonic.

    Found from the Fourier integral over a quarter period; close to sqrt(0.36) = 0.6, from the first two
    terms of the series: the ratio of the harmonics is near a^2/12.
    """
    angle = (np.arange(4096) + 0.5) * (np.pi / 2 / 4096)  # midpoint rule: exact for a periodic integrand

    def excess(peak: float) -> float:
        wave = np.tanh(peak * np.sin(angle))
        return abs(float(wave @ np.sin(3 * angle))) / float(wave @ np.sin(angle)) - _THIRD_HARMONIC

    return float(scipy.optimize.brentq(excess, 0.1, 2.0))


def saturate(samples: Samples, three_percent_peak: float) -> Samples:
    """Compress as tape does: smoothly, symmetrically, so with odd harmonics only.

    The curve is a scaled tanh, the same at all frequencies and not oversampled (harmonics above half the
    sample rate fold back).

    Parameters
    ----------
    samples : ndarray of float32
    three_percent_peak : float
        Peak of the sine whose third harmonic is 3 % of its fundamental.
    """
    scale = np.float32(three_percent_peak / saturation_scale())
    compressed = samples / scale
    np.tanh(compressed, out=compressed)
    compressed *= scale
    return compressed


def clip(samples: Samples, peak: float) -> Samples:
    """Cut off whatever exceeds `peak`."""
    return np.clip(samples, np.float32(-peak), np.float32(peak))
