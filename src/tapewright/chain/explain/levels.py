"""How loud a recording is from moment to moment, taken in one pass over it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from tapewright.cards import Alphabet
from tapewright.model import AudioSource, Samples, Span

__all__ = [
    "SILENT_DB",
    "SLIVER_SECONDS",
    "LevelTrack",
    "decibels",
    "listen_to_levels",
    "loudest_channel",
    "mixed",
    "pieces_of",
]

FloatArray = npt.NDArray[np.floating]

#: Length of a frame: a dropout of 20 ms has several (chosen).
FRAME_SECONDS = 0.005
#: Content below this is the sound card's offset or rumble, which nobody hears.
LOWEST_HERTZ = 20.0
#: Samples from this level on count as cut off.
FULL_SCALE = 0.985
#: A stretch shorter than this is part of its neighbour (chosen).
SLIVER_SECONDS = 0.03
#: What is fainter than this is silence, whatever else there is (chosen).
SILENT_DB = -70.0
#: The faintest level that is told, for samples that are all zero.
FAINTEST_DB = -120.0


@dataclass(frozen=True, eq=False)
class LevelTrack:
    """Levels of one channel, frame by frame.

    Parameters
    ----------
    frame_seconds : float
    seconds : float
        Length of the recording; the last frame may be shorter.
    level, band_level : ndarray of float32, shape (n,)
        Root mean square, full scale 1: of everything from 20 Hz on, and of the format's band alone.
    cut_off : ndarray of float32, shape (n,)
        Share of the samples at full scale.
    """

    frame_seconds: float
    seconds: float
    level: FloatArray
    band_level: FloatArray
    cut_off: FloatArray

    def __len__(self) -> int:
        return len(self.level)

    def frames(self, span: Span) -> slice:
        """Give the frames that make up a span: one at least, unless there are none."""
        first = min(max(0, round(span.start_seconds / self.frame_seconds)), max(0, len(self) - 1))
        last = max(first + 1, round(span.end_seconds / self.frame_seconds))
        return slice(first, min(last, len(self)))

    def level_db(self, span: Span) -> float:
        """Mean level within a span, in decibels re full scale (a sine of peak 1 has -3)."""
        chosen = self.level[self.frames(span)].astype(np.float64)
        return decibels(float(np.sqrt(np.mean(chosen**2))) if len(chosen) else 0.0)

    def usual_db(self, span: Span) -> float:
        """Median level of the frames of a span, in decibels: clicks and edges do not count."""
        chosen = self.level[self.frames(span)]
        return decibels(float(np.median(chosen)) if len(chosen) else 0.0)

    @cached_property
    def beside_level(self) -> FloatArray:
        """Root mean square of what lies outside the format's band."""
        return np.asarray(np.sqrt(np.maximum(self.level**2 - self.band_level**2, 0.0)))

    def smooth(self, span: Span, seconds: float, *, of: str = "level") -> FloatArray:
        """Levels of the frames of a span, averaged in power over `seconds` around each.

        Parameters
        ----------
        span : Span
        seconds : float
        of : {"level", "band_level", "beside_level"}
        """
        from scipy import ndimage  # late: reading without an explanation has no use for it

        chosen = self.frames(span)
        width = max(1, round(seconds / self.frame_seconds)) | 1
        low, high = max(0, chosen.start - width), min(len(self), chosen.stop + width)
        values: FloatArray = getattr(self, of)
        power = values[low:high].astype(np.float64) ** 2
        mean = ndimage.uniform_filter1d(power, width, mode="nearest")
        return np.asarray(np.sqrt(np.maximum(mean[chosen.start - low : chosen.stop - low], 0.0)))


def decibels(level: float) -> float:
    """Level in decibels re full scale, not below `FAINTEST_DB`."""
    return max(FAINTEST_DB, float(20 * np.log10(max(level, 1e-9))))


def mixed(chunk: Samples, channel: int | str) -> npt.NDArray[np.float64]:
    """Pick one channel, or the average, of samples of shape (n, channels)."""
    if isinstance(channel, str):
        return np.asarray(chunk.mean(axis=1, dtype=np.float64))
    return chunk[:, channel].astype(np.float64)


def loudest_channel(source: AudioSource) -> int:
    """Find the channel with the most power in it, by one pass over the recording."""
    power = np.zeros(source.channels)
    for chunk in source.chunks(5.0):
        power += np.sum(chunk.astype(np.float64) ** 2, axis=0)
    return int(np.argmax(power))


def listen_to_levels(source: AudioSource, channel: int | str, alphabet: Alphabet) -> LevelTrack:
    """Stream through a recording and keep its levels: four numbers for each 5 ms.

    Parameters
    ----------
    source : AudioSource
    channel : int or "average"
    alphabet : Alphabet
        Its tones and half-waves give the format's band, with an octave more on either side.
    """
    rate = source.rate_hz
    width = max(1, round(FRAME_SECONDS * rate))
    from scipy import signal  # late: it takes a second, and only those who ask for an explanation wait

    high_pass = signal.butter(1, LOWEST_HERTZ, "highpass", fs=rate, output="sos")
    band_pass = signal.butter(2, _band_hz(alphabet, rate), "bandpass", fs=rate, output="sos")
    filters = [(high_pass, np.zeros((len(high_pass), 2))), (band_pass, np.zeros((len(band_pass), 2)))]
    rows: list[FloatArray] = []
    rest = np.zeros((3, 0))
    samples = 0
    for chunk in source.chunks(5.0):
        one = mixed(chunk, channel)
        samples += len(one)
        if samples == len(one):  # a constant offset is no sound, from the first sample on
            filters = [(sos, signal.sosfilt_zi(sos) * one[0]) for sos, _ in filters]
        heard = []
        for number, (sections, state) in enumerate(filters):
            out, state = signal.sosfilt(sections, one, zi=state)
            filters[number] = (sections, state)
            heard.append(out**2)
        kept = np.concatenate((rest, np.stack([*heard, np.abs(one) >= FULL_SCALE])), axis=1)
        whole = kept.shape[1] // width * width
        if whole:
            rows.append(kept[:, :whole].reshape(3, -1, width).mean(axis=2).astype(np.float32))
        rest = kept[:, whole:]
    if rest.shape[1]:
        rows.append(rest.mean(axis=1, keepdims=True).astype(np.float32))
    level, band_level, cut_off = np.concatenate(rows, axis=1) if rows else np.zeros((3, 0), np.float32)
    return LevelTrack(width / rate, samples / rate, np.sqrt(level), np.sqrt(band_level), cut_off)


def pieces_of(
    source: AudioSource, channel: int | str, spans: Sequence[Span]
) -> Iterator[npt.NDArray[np.float64]]:
    """Yield the samples of each span, in one pass; the spans are in order and do not overlap."""
    rate, waiting = source.rate_hz, list(reversed(spans))
    parts: list[npt.NDArray[np.float64]] = []
    first = 0
    for chunk in source.chunks(5.0):
        if not waiting:
            return
        one = mixed(chunk, channel)
        end = first + len(one)
        while waiting:
            start, stop = (round(at * rate) for at in (waiting[-1].start_seconds, waiting[-1].end_seconds))
            if start >= end:
                break
            parts.append(one[max(0, start - first) : max(0, stop - first)])
            if stop > end:
                break
            waiting.pop()
            yield np.concatenate(parts)
            parts = []
        first = end
    while waiting:  # what lies beyond the end of the recording
        waiting.pop()
        yield np.concatenate([np.zeros(0), *parts])
        parts = []


def _band_hz(alphabet: Alphabet, rate_hz: float) -> tuple[float, float]:
    tones = [s.hertz for shape in alphabet.shapes for s in shape.segments if s.hertz > 0]
    high = min(2.0 * max(tones), 0.45 * rate_hz)
    return min(0.5 * min(tones), 0.5 * high), high
