"""From sound to marks: the times at which a recording goes from one side of zero to the other."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft, ndimage

from tapewright.learn.kernels import find_marks
from tapewright.model import Recording

__all__ = ["Marks", "marks_of", "one_channel"]

FloatArray = npt.NDArray[np.float64]

#: More than this of a recording is not needed to find out its line code.
MOST_SECONDS = 90.0
#: Below this there is hum, above it the slowest of codes (ramp of the high-pass).
HIGH_PASS_HZ = (70.0, 140.0)
#: The low-pass keeps what holds this share of the power that stands out of the noise, and a margin.
POWER_KEPT = 0.995
LOWEST_LOW_PASS_HZ = 3_000.0
#: The trigger's threshold, as a share of the peak nearby, and of that of the surroundings.
NEAR_SHARE, AROUND_SHARE = 0.22, 0.12
NEAR_SECONDS, AROUND_SECONDS = 0.03, 3.0
#: Where the peak nearby is less than this share of the surroundings' there is no signal, and the threshold so
#: high that hiss does not reach it. A rest within a bit looks like that too: no half-wave is made up in it.
QUIET_SHARE = 0.25


@dataclass(frozen=True, eq=False)
class Marks:
    """The half-waves of one recording.

    Parameters
    ----------
    times_s : ndarray, shape (n + 1,)
        Where each half-wave begins, and the last ends.
    rising : ndarray of bool, shape (n + 1,)
        Whether the sound goes upwards there.
    track : ndarray of float32
        The sound, with all harmonics and all noise, for looking at the shape of waves.
    sound : ndarray of float32
        The band of it the marks were found in.
    rate_hz : float
        Of `track` and `sound`.
    """

    times_s: FloatArray
    rising: npt.NDArray[np.bool_]
    track: npt.NDArray[np.float32]
    sound: npt.NDArray[np.float32]
    rate_hz: float

    @property
    def durations_us(self) -> FloatArray:
        """Length of each half-wave, shape (n,)."""
        return np.diff(self.times_s) * 1e6


def one_channel(recording: Recording) -> npt.NDArray[np.float32]:
    """The louder of several channels, at most the first 90 seconds that are not silent, in float32."""
    samples = recording.samples
    if recording.channels > 1:
        powers = (samples.astype(np.float64) ** 2).sum(axis=0)
        track = samples[:, int(np.argmax(powers))]
    else:
        track = samples[:, 0]
    return np.asarray(track[: round(MOST_SECONDS * recording.rate_hz)], np.float32)


def marks_of(recording: Recording) -> Marks:
    """Find the half-waves of a recording.

    Parameters
    ----------
    recording : Recording

    Returns
    -------
    Marks
        Empty where the recording is.
    """
    track = one_channel(recording)
    if len(track) < 64 or not track.any():
        nothing = np.zeros(0)
        return Marks(nothing, nothing.astype(bool), track, track, recording.rate_hz)
    sound = limit_band(track, recording.rate_hz)
    times = np.empty(len(sound))
    rising = np.empty(len(sound), np.bool_)
    count = find_marks(sound, _threshold(sound, recording.rate_hz), times, rising)
    times_s, rising = times[:count] / recording.rate_hz, rising[:count].copy()
    # In noise after a rest two marks can come in the wrong order by less than a sample.
    times_s = np.maximum.accumulate(times_s)
    return Marks(times_s, rising, track, sound, recording.rate_hz)


def limit_band(track: npt.NDArray[np.float32], rate_hz: float) -> npt.NDArray[np.float32]:
    """Take out hum and the hiss above the signal, without shifting anything in time."""
    size = fft.next_fast_len(len(track) + 256, real=True)
    spectrum = fft.rfft(track, size)
    step_hz = rate_hz / size
    upper_hz = _upper_limit_hz(spectrum, step_hz, rate_hz)
    hertz = np.arange(len(spectrum), dtype=np.float32) * np.float32(step_hz)
    spectrum *= _ramp(hertz, *HIGH_PASS_HZ)
    spectrum *= 1.0 - _ramp(hertz, upper_hz, 1.4 * upper_hz)
    return np.asarray(fft.irfft(spectrum, size)[: len(track)], np.float32)


def _ramp(hertz: npt.NDArray[np.float32], low: float, high: float) -> npt.NDArray[np.float32]:
    """0 below `low`, 1 above `high`, half a cosine between."""
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.clip((hertz - low) / (high - low), 0, 1)), np.float32)


def _upper_limit_hz(spectrum: npt.NDArray[np.complex64], step_hz: float, rate_hz: float) -> float:
    width = max(1, round(100.0 / step_hz))
    count = len(spectrum) // width
    power = np.square(np.abs(spectrum[: count * width])).reshape(count, width).mean(axis=1, dtype=np.float64)
    hertz = (np.arange(count) + 0.5) * width * step_hz
    heard = hertz > HIGH_PASS_HZ[1]
    floor = np.percentile(power[heard], 20)
    above = np.where(heard & (hertz < 0.45 * rate_hz), np.maximum(power - 2.0 * floor, 0), 0)
    total = above.sum()
    if total <= 0:
        return float(min(8_000.0, 0.3 * rate_hz))
    share = np.cumsum(above) / total
    reach = float(hertz[int(np.searchsorted(share, POWER_KEPT))])
    return float(min(max(1.25 * reach, LOWEST_LOW_PASS_HZ), 0.32 * rate_hz))


def _threshold(sound: npt.NDArray[np.float32], rate_hz: float) -> npt.NDArray[np.float32]:
    """The trigger's threshold for each sample."""
    block = max(1, round(0.001 * rate_hz))
    count = -(-len(sound) // block)
    padded = np.zeros(count * block, np.float32)
    padded[: len(sound)] = np.abs(sound)
    peaks = padded.reshape(count, block).max(axis=1)
    near = ndimage.maximum_filter1d(peaks, max(3, round(NEAR_SECONDS / 0.001)))
    loud = float(np.percentile(near, 90))
    around = np.maximum(
        ndimage.maximum_filter1d(near, max(3, round(AROUND_SECONDS / 0.001))), np.float32(0.2 * loud)
    )
    threshold = np.maximum(NEAR_SHARE * near, AROUND_SHARE * around)
    quiet = near < QUIET_SHARE * around
    threshold[quiet] = QUIET_SHARE * around[quiet]
    return np.asarray(np.repeat(threshold, block)[: len(sound)], np.float32)
