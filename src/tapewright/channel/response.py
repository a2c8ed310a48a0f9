"""Tape and head as one FIR per channel, and the replay amplifier as a Butterworth filter.

The choice of phase. Gap, azimuth, spacing and thickness are apertures, the same to both sides, so their
response is real: no phase, and a change of sign beyond a null. The mismatch of time constants is a
resistor-capacitor section with a phase of its own, and a slanted head delays one channel. The FIR is
therefore sampled from the *complex* product of all of them, not made linear or minimum phase afterwards:
every edge then lands where the real recorder would put it. The FIR is centred, so it adds no delay.

The replay amplifier is made of coupling capacitors and poles; it is a causal (minimum-phase) filter.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import scipy.fft
import scipy.signal

from tapewright.channel import losses
from tapewright.channel.settings import CassetteChannel
from tapewright.model import Samples

__all__ = [
    "amplifier_sections",
    "apply_amplifier",
    "filter_centred",
    "head_response",
    "head_taps",
    "taps_from_response",
]

#: Half the length of the FIR. A chosen 12 ms resolves the response to some 80 Hz.
_HALF_SECONDS = 0.012
_BLOCK = 1 << 18


def head_response(
    channel: CassetteChannel, frequency_hz: npt.NDArray[np.float64], track: int = 0
) -> npt.NDArray[np.complex128]:
    """Complex response of tape and head.

    Parameters
    ----------
    channel : CassetteChannel
    frequency_hz : ndarray of float64, shape (n,)
    track : int
        0 or 1: with a stereo head, the first is read early and the second late by half the azimuth delay.

    Returns
    -------
    ndarray of complex128, shape (n,)
    """
    speed = channel.tape_speed_mm_per_s
    response = losses.equalisation_factor(
        frequency_hz, channel.recorded_equalisation_us, channel.replay_equalisation_us
    )
    response = (
        response
        * losses.gap_factor(frequency_hz, channel.gap_um, speed)
        * losses.azimuth_factor(frequency_hz, channel.azimuth_error_arcmin, channel.width_mm, speed)
        * losses.spacing_factor(frequency_hz, channel.spacing_um, speed)
        * losses.thickness_factor(frequency_hz, channel.thickness_um, speed)
        * losses.tilt_factor(frequency_hz, channel.tilt_db_per_octave)
    )
    if channel.head == "stereo":
        late = losses.azimuth_delay_seconds(channel.azimuth_error_arcmin, channel.track_distance_mm, speed)
        response = response * np.exp(-2j * np.pi * frequency_hz * late * (track - 0.5))
    return response


def taps_from_response(response: npt.NDArray[np.complex128], half: int) -> npt.NDArray[np.float32]:
    """Make a centred FIR of ``2 half + 1`` taps from a response sampled evenly from 0 to half the rate."""
    impulse = np.roll(scipy.fft.irfft(response), half)[: 2 * half + 1]
    return np.asarray(impulse * np.kaiser(2 * half + 1, 7.0), np.float32)


def head_taps(channel: CassetteChannel, rate_hz: float, track: int = 0) -> npt.NDArray[np.float32] | None:
    """FIR of tape and head, or None where it changes nothing."""
    half = round(_HALF_SECONDS * rate_hz)
    grid_hz = np.linspace(0, rate_hz / 2, scipy.fft.next_fast_len(4 * half) + 1)
    response = head_response(channel, grid_hz, track)
    return None if np.allclose(response, 1.0, atol=1e-9) else taps_from_response(response, half)


def filter_centred(samples: Samples, taps: npt.NDArray[np.float32]) -> Samples:
    """Filter one channel with a centred FIR, adding no delay; silence stands before and after.

    Works in blocks, so that memory stays at one copy of the samples.

    Parameters
    ----------
    samples : ndarray of float32, shape (n,)
    taps : ndarray of float32, shape (2 half + 1,)

    Returns
    -------
    ndarray of float32, shape (n,)
    """
    half = len(taps) // 2
    filtered = np.empty_like(samples)
    for first in range(0, len(samples), _BLOCK):
        last = min(first + _BLOCK, len(samples))
        piece = samples[max(0, first - half) : last + half]
        missing = (max(0, half - first), max(0, last + half - len(samples)))
        filtered[first:last] = scipy.signal.oaconvolve(np.pad(piece, missing), taps, mode="valid")
    return filtered


def amplifier_sections(channel: CassetteChannel, rate_hz: float) -> npt.NDArray[np.float64]:
    """Second-order sections of the replay amplifier, shape (sections, 6); none where it changes nothing."""
    sections = [np.zeros((0, 6))]
    if channel.high_pass_hz is not None and channel.high_pass_hz < 0.49 * rate_hz:
        sections.append(
            scipy.signal.butter(
                channel.high_pass_order, channel.high_pass_hz, "highpass", fs=rate_hz, output="sos"
            )
        )
    if channel.low_pass_hz is not None and channel.low_pass_hz < 0.49 * rate_hz:
        sections.append(
            scipy.signal.butter(
                channel.low_pass_order, channel.low_pass_hz, "lowpass", fs=rate_hz, output="sos"
            )
        )
    return np.concatenate(sections)


def apply_amplifier(samples: Samples, sections: npt.NDArray[np.float64]) -> Samples:
    """Filter one channel with second-order sections, in double precision and in blocks.

    Single precision would not do: the poles of a 30 Hz high-pass lie within 1e-3 of the unit circle.
    """
    if not len(sections):
        return samples
    filtered = np.empty_like(samples)
    state = np.zeros((len(sections), 2))
    for first in range(0, len(samples), _BLOCK):
        piece = samples[first : first + _BLOCK].astype(np.float64)
        filtered[first : first + _BLOCK], state = scipy.signal.sosfilt(sections, piece, zi=state)
    return filtered
