"""What pictures need of the samples, taken piece by piece so that an hour of tape costs little memory."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tapewright.model import AudioSource, Samples

__all__ = ["SoundSurvey", "Stretch", "one_channel", "survey_sound", "take_stretch"]

FloatArray = npt.NDArray[np.floating]

#: Columns of the tape strip: a few for each pixel of a wide screen, so that it can be zoomed into.
MOST_COLUMNS = 4000
#: No column is longer than this while the sound streams by, so that a wrong length costs detail, not memory.
LONGEST_COLUMN_SECONDS = 0.01
CHUNK_SECONDS = 10.0
#: Lengths of half-waves counted: from tones at the edge of hearing to 50 Hz hum.
SHORTEST_HALF_WAVE_SECONDS, LONGEST_HALF_WAVE_SECONDS = 20e-6, 12e-3
HALF_WAVE_BINS = 480


@dataclass(frozen=True, eq=False)
class SoundSurvey:
    """A whole recording at a glance.

    Parameters
    ----------
    seconds : float
        Its length.
    column_seconds : float
        Length of each column of the envelope; the last may be shorter.
    low, high : ndarray of float32, shape (n,)
        Least and greatest sample of each column, full scale 1.
    half_wave_edges : ndarray of float64, shape (m + 1,)
        In seconds, evenly spaced on a logarithmic scale.
    half_wave_counts : ndarray of int64, shape (m,)
        How many half-waves of each length there are, the quiet ones left out.
    """

    seconds: float
    column_seconds: float
    low: FloatArray
    high: FloatArray
    half_wave_edges: FloatArray
    half_wave_counts: npt.NDArray[np.int64]

    @property
    def peak(self) -> float:
        """Greatest magnitude of all samples; 0 for silence."""
        return float(max(np.max(self.high, initial=0.0), -np.min(self.low, initial=0.0)))

    @property
    def loudest_seconds(self) -> float:
        """Middle of the column with the widest swing."""
        if not len(self.low):
            return 0.0
        return (int(np.argmax(self.high - self.low)) + 0.5) * self.column_seconds


@dataclass(frozen=True, eq=False)
class Stretch:
    """Samples of one channel from one place.

    Parameters
    ----------
    seconds : ndarray of float64, shape (n,)
        When each was taken, in the recording.
    samples : ndarray of float32, shape (n,)
    """

    seconds: FloatArray
    samples: FloatArray


def one_channel(chunk: Samples, channel: int | str) -> Samples:
    """Pick one channel, or the average, of samples of shape (n, channels)."""
    if isinstance(channel, str):
        return np.asarray(chunk.mean(axis=1), np.float32)
    return chunk[:, min(channel, chunk.shape[1] - 1)]


def survey_sound(
    source: AudioSource, channel: int | str, *, expected_seconds: float, quiet_below: float | None = None
) -> SoundSurvey:
    """Stream through a recording once.

    Parameters
    ----------
    source : AudioSource
    channel : int or "average"
    expected_seconds : float
        Roughly how long it is; chooses how fine the columns are while it streams.
    quiet_below : float, optional
        Half-waves whose peak stays below this are not counted; by default a tenth of the peak around them.

    Returns
    -------
    SoundSurvey
        With at most 4000 columns.

    Raises
    ------
    TapewrightError
        If the source can no longer be read.
    """
    rate_hz = source.rate_hz
    width = round(min(max(expected_seconds, 1.0) / MOST_COLUMNS, LONGEST_COLUMN_SECONDS) * rate_hz)
    width = max(width, 1)
    edges = np.geomspace(SHORTEST_HALF_WAVE_SECONDS, LONGEST_HALF_WAVE_SECONDS, HALF_WAVE_BINS + 1)
    counts = np.zeros(HALF_WAVE_BINS, np.int64)
    lows: list[FloatArray] = []
    highs: list[FloatArray] = []
    rest = np.zeros(0, np.float32)
    total = 0
    for chunk in source.chunks(CHUNK_SECONDS):
        sound = one_channel(chunk, channel)
        total += len(sound)
        counts += _count_half_waves(sound, rate_hz, edges, quiet_below)
        sound = np.concatenate((rest, sound))
        whole = len(sound) - len(sound) % width
        columns = sound[:whole].reshape(-1, width)
        lows.append(columns.min(axis=1))
        highs.append(columns.max(axis=1))
        rest = sound[whole:].copy()
    if len(rest):
        lows.append(rest.min(keepdims=True))
        highs.append(rest.max(keepdims=True))
    low, high = (np.concatenate(parts or [rest]) for parts in (lows, highs))
    joined = max(1, -(-len(low) // MOST_COLUMNS))
    firsts = np.arange(0, len(low), joined)
    if joined > 1:
        low, high = np.minimum.reduceat(low, firsts), np.maximum.reduceat(high, firsts)
    return SoundSurvey(total / rate_hz, joined * width / rate_hz, low, high, edges, counts)


def _count_half_waves(
    sound: Samples, rate_hz: float, edges: FloatArray, quiet_below: float | None
) -> npt.NDArray[np.int64]:
    """Count lengths between zero crossings, each crossing interpolated between its two samples."""
    sound = sound - sound.mean(dtype=np.float64).astype(np.float32)
    above = sound >= 0
    before = np.flatnonzero(above[1:] != above[:-1])
    if len(before) < 2:
        return np.zeros(len(edges) - 1, np.int64)
    magnitude = np.abs(sound)
    crossing = before + magnitude[before] / (magnitude[before] + magnitude[before + 1])
    peaks = np.maximum.reduceat(magnitude, before + 1)[:-1]
    limit = 0.1 * float(magnitude.max()) if quiet_below is None else quiet_below
    return np.histogram(np.diff(crossing)[peaks >= limit] / rate_hz, edges)[0].astype(np.int64)


def take_stretch(
    source: AudioSource, channel: int | str, start_seconds: float, end_seconds: float
) -> Stretch:
    """Take the samples of one stretch; reading stops where it ends.

    Parameters
    ----------
    source : AudioSource
    channel : int or "average"
    start_seconds, end_seconds : float

    Returns
    -------
    Stretch
        Shorter, or empty, where the recording does not reach.

    Raises
    ------
    TapewrightError
        If the source can no longer be read.
    """
    first = max(0, int(np.floor(start_seconds * source.rate_hz)))
    end = max(first, int(np.ceil(end_seconds * source.rate_hz)) + 1)
    pieces: list[Samples] = []
    position = 0
    for chunk in source.chunks(1.0):
        if position + len(chunk) > first:
            pieces.append(one_channel(chunk[max(0, first - position) : max(0, end - position)], channel))
        position += len(chunk)
        if position >= end:
            break
    samples = np.concatenate(pieces) if pieces else np.zeros(0, np.float32)
    return Stretch((first + np.arange(len(samples))) / source.rate_hz, samples)
