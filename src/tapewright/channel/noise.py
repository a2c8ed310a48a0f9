"""Hiss and hum, and white noise of a stated signal-to-noise ratio for accuracy tests."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import scipy.fft
import scipy.signal

from tapewright.channel import losses
from tapewright.channel.level import ratio_from_db
from tapewright.channel.response import amplifier_sections, taps_from_response
from tapewright.channel.settings import CassetteChannel
from tapewright.model import Recording, Samples, UsageError

__all__ = ["add_hiss", "add_hum", "add_noise", "hiss_shape", "hiss_taps"]

_BLOCK = 1 << 18
#: Depth of magnetic coating that contributes to the noise, chosen: a common C60 coating is some 5 um thick.
_NOISY_DEPTH_UM = 5.0


def hiss_shape(channel: CassetteChannel, frequency_hz: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Amplitude spectrum of replayed tape noise, in arbitrary units.

    Noise of independent particles gives a head voltage of power k (1 - e^(-2 k depth)) e^(-2 k spacing),
    k = 2 pi / wavelength (J. C. Mallinson, IEEE Trans. Magnetics, 1969: from memory); gap, replay
    equalisation and amplifier then shape it like any signal. Roughly: flat to 1.3 kHz, from there rising
    3 dB an octave until gap and amplifier cut it off.

    Parameters
    ----------
    channel : CassetteChannel
    frequency_hz : ndarray of float64, shape (n,)

    Returns
    -------
    ndarray of float64, shape (n,)
    """
    speed = channel.tape_speed_mm_per_s
    hz = np.maximum(frequency_hz, 1.0)
    k = 2e-3 * np.pi * hz / speed  # per um
    head = np.sqrt(k * -np.expm1(-2 * k * _NOISY_DEPTH_UM)) * losses.spacing_factor(
        hz, channel.spacing_um, speed
    )
    equaliser = 10 ** (-losses.recorded_flux_db(hz, channel.replay_equalisation_us) / 20) / hz
    return np.asarray(head * equaliser * np.abs(losses.gap_factor(hz, channel.gap_um, speed)))


def hiss_taps(channel: CassetteChannel, rate_hz: float) -> npt.NDArray[np.float32]:
    """FIR that makes the replayed hiss, at its stated level, from white noise of unit variance.

    Raises
    ------
    UsageError
        If the sample rate carries nothing of `hiss_band_hz`.
    """
    assert channel.hiss_snr_db is not None
    low_hz, high_hz = channel.hiss_band_hz
    high_hz = min(high_hz, rate_hz / 2)
    if low_hz >= high_hz:
        raise UsageError(
            f"hiss_band_hz starts at {low_hz:g} Hz, beyond what a recording at {rate_hz:g} Hz carries;"
            " give a lower band"
        )
    half = round(0.012 * rate_hz)
    grid_hz = np.linspace(0, rate_hz / 2, scipy.fft.next_fast_len(4 * half) + 1)
    shape = hiss_shape(channel, grid_hz)
    sections = amplifier_sections(channel, rate_hz)
    if len(sections):
        shape = shape * np.abs(scipy.signal.sosfreqz(sections, grid_hz, fs=rate_hz)[1])
    taps = taps_from_response(shape.astype(np.complex128), half)
    density = np.abs(scipy.fft.rfft(taps.astype(np.float64), 1 << 15)) ** 2 / (rate_hz / 2)  # power per Hz
    dense_hz = np.linspace(0, rate_hz / 2, len(density))
    inside = (dense_hz >= low_hz) & (dense_hz <= high_hz)
    in_band = float(np.mean(density[inside])) * (high_hz - low_hz)
    reference = ratio_from_db(channel.reference_level_dbfs + channel.replay_gain_db)
    wanted = reference**2 / 2 / 10 ** (channel.hiss_snr_db / 10)
    return np.asarray(taps * np.sqrt(wanted / in_band), np.float32)


def add_hiss(samples: Samples, taps: npt.NDArray[np.float32], rng: np.random.Generator) -> Samples:
    """Add white noise shaped by `taps` to one channel, shape (n,), in blocks."""
    noisy = np.empty_like(samples)
    tail = rng.standard_normal(len(taps) - 1, np.float32)
    for first in range(0, len(samples), _BLOCK):
        last = min(first + _BLOCK, len(samples))
        white = np.concatenate([tail, rng.standard_normal(last - first, np.float32)])
        noisy[first:last] = samples[first:last] + scipy.signal.oaconvolve(white, taps, mode="valid")
        tail = white[len(white) - len(tail) :]
    return noisy


def add_hum(samples: Samples, rate_hz: float, channel: CassetteChannel, rng: np.random.Generator) -> Samples:
    """Add mains hum with its harmonics, alike on all channels, phases drawn.

    Parameters
    ----------
    samples : ndarray of float32, shape (channels, n)
    rate_hz : float
    channel : CassetteChannel
    rng : numpy.random.Generator

    Returns
    -------
    ndarray of float32, shape (channels, n)
    """
    if channel.hum_level_db is None:
        return samples
    levels_db = (0.0, *channel.hum_harmonics_db)
    phases = rng.uniform(0, 2 * np.pi, len(levels_db))
    fundamental = ratio_from_db(channel.reference_level_dbfs + channel.hum_level_db)
    humming = np.empty_like(samples)
    for first in range(0, samples.shape[1], _BLOCK):
        last = min(first + _BLOCK, samples.shape[1])
        cycles = channel.hum_hz / rate_hz * np.arange(first, last)
        hum = np.zeros(last - first, np.float32)
        for order, (level_db, phase) in enumerate(zip(levels_db, phases, strict=True), 1):
            if order * channel.hum_hz < rate_hz / 2:
                turn = ((order * cycles) % 1.0).astype(np.float32)  # sines are far faster in single precision
                peak = np.float32(fundamental * ratio_from_db(level_db))
                hum += peak * np.sin(np.float32(2 * np.pi) * turn + np.float32(phase))
        humming[:, first:last] = samples[:, first:last] + hum
    return humming


def add_noise(recording: Recording, snr_db: float, *, band_hz: tuple[float, float], seed: int) -> Recording:
    """Add white noise so that signal power over noise power in a band is as stated.

    The signal's power is the mean square of the recording as it stands, silences included, each channel by
    itself; a silent channel gets no noise. The noise is white over the whole recorded band, only its measure
    is taken in `band_hz`.

    Parameters
    ----------
    recording : Recording
    snr_db : float
    band_hz : tuple of float
        Lower and upper end, within 0 to half the sample rate. Eb/N0 is then
        ``snr_db + 10 log10(band / bit rate)``.
    seed : int

    Returns
    -------
    Recording

    Raises
    ------
    UsageError
        If the recording is silent or the band is not within what it carries.
    """
    low_hz, high_hz = band_hz
    if not 0 <= low_hz < high_hz <= recording.rate_hz / 2:
        raise UsageError(
            f"the noise band {low_hz:g} to {high_hz:g} Hz does not lie within 0 to"
            f" {recording.rate_hz / 2:g} Hz; give one that does"
        )
    if not np.isfinite(snr_db):
        raise UsageError(f"the signal-to-noise ratio is {snr_db}; give a finite number of decibels")
    power = np.zeros(recording.channels)
    for piece in recording.chunks(10.0):
        power += np.sum(piece.astype(np.float64) ** 2, axis=0)
    power /= max(len(recording.samples), 1)
    if not np.any(power):
        raise UsageError(
            "the recording is silent, so no noise stands in any ratio to it; give one with sound"
        )
    density = power / 10 ** (snr_db / 10) / (high_hz - low_hz)
    sigma = np.sqrt(density * recording.rate_hz / 2).astype(np.float32)
    rng = np.random.default_rng(seed)
    noisy = rng.standard_normal(recording.samples.shape, np.float32)
    noisy *= sigma
    noisy += recording.samples
    step = f"white noise added, S/N {snr_db:g} dB in {low_hz:g} to {high_hz:g} Hz, seed {seed}"
    return recording.with_samples(noisy, step)
