"""Which pieces of a recording to look at first: those that are likely data, from all over it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from tapewright.line.receiver import Survey
from tapewright.model import AudioSource, Samples, Span

__all__ = ["Overview", "overview", "survey"]

MOST_PIECES = 8
#: For a format that is known, so much is looked at, a second at a time.
SURVEY_SECONDS = 120.0
#: Quieter than this, as the mean square of what samples differ by, is silence.
SILENCE = 1e-12
#: Data are made of a few lengths of half-waves. Two half-waves taken at random are of the same length, to an
#: eighth of an octave, in this share of cases at least. Measured on the library, clean and at 15 dB: 0.1 to 1
#: (pulses as short as a sample or two in noise, less); noise, hum, music and speech: 0.02 to 0.08, and more
#: for moments.
LEAST_ALIKE = 0.1
PARTS_OF_OCTAVE = 8
#: They are looked for in this band, in so much of a piece, and so many are needed to tell.
BAND_HZ = (150.0, 6000.0)
LOOK_SECONDS = 0.25
FEWEST_HALF_WAVES = 20


class Overview(NamedTuple):
    """What a recording holds, by a look at each second of it.

    Parameters
    ----------
    surveys : tuple of Survey
        First of what is likely data, the liveliest pieces of it; then of any sound, for where that says
        nothing. One only where the whole recording is alike.
    likely_data : tuple of Span
        The seconds that sound like data of some format, a leader or another steady tone among them.
    """

    surveys: tuple[Survey, ...]
    likely_data: tuple[Span, ...]


def overview(source: AudioSource, most_seconds: float = math.inf) -> Overview:
    """Take pieces of a second from all over a recording, or from its first so many seconds with any sound."""
    likely, every = _Liveliest(), _Liveliest()
    likely_data = []
    for first, chunk, liveliness in _seconds_with_sound(source):
        if every.count >= most_seconds:
            break
        every.add(first, float(liveliness.mean()), chunk)
        if _is_likely_data(chunk[:, int(np.argmax(liveliness))], source.rate_hz):
            likely.add(first, float(liveliness.mean()), chunk)
            likely_data.append(Span(first / source.rate_hz, (first + len(chunk)) / source.rate_hz))
    found = [likely, every] if 0 < likely.count < every.count else [every]
    return Overview(tuple(kept.survey(source.rate_hz) for kept in found), tuple(likely_data))


def survey(source: AudioSource) -> Survey:
    """Take pieces to tell the speed and level of a known format by; where it is lost, it is sought anew."""
    return overview(source, SURVEY_SECONDS).surveys[0]


def _seconds_with_sound(source: AudioSource) -> Iterator[tuple[int, Samples, npt.NDArray[np.floating]]]:
    """Give where each second with sound begins, in samples, it, and how lively each channel is there."""
    first = 0
    for chunk in source.chunks(1.0):
        if len(chunk) > 1:
            liveliness = np.mean(np.diff(chunk, axis=0) ** 2, axis=0)
            if float(liveliness.mean()) > SILENCE:
                yield first, chunk, liveliness
        first += len(chunk)


class _Piece(NamedTuple):
    """A piece, how lively it is, and at which sample the seconds in a row begin that it is one of."""

    liveliness: float
    sound: Samples
    start: int


class _Liveliest:
    """The liveliest of many pieces, each from another part of them; only a few are kept at any time."""

    def __init__(self) -> None:
        self.count = 0
        self._kept: list[_Piece] = []
        self._each = 1
        self._start = self._end = 0  # of the seconds in a row that the last one ends

    def add(self, first: int, liveliness: float, piece: Samples) -> None:
        """Look at one more, which begins at a sample."""
        if first != self._end:
            self._start = first
        self._end = first + len(piece)
        if self.count % self._each == 0:
            if len(self._kept) == 2 * MOST_PIECES:
                pairs = zip(self._kept[::2], self._kept[1::2], strict=True)
                self._kept = [max(pair, key=lambda kept: kept.liveliness) for pair in pairs]
                self._each *= 2
            self._kept.append(_Piece(liveliness, piece.copy(), self._start))
        elif liveliness > self._kept[-1].liveliness:
            self._kept[-1] = _Piece(liveliness, piece.copy(), self._start)
        self.count += 1

    def survey(self, rate_hz: float) -> Survey:
        """Give `MOST_PIECES` of them at most, in order of time."""
        groups = np.array_split(np.arange(len(self._kept)), min(MOST_PIECES, max(1, len(self._kept))))
        best = [
            max((self._kept[k] for k in group), key=lambda kept: kept.liveliness)
            for group in groups
            if len(group)
        ]
        return Survey(
            tuple(kept.sound for kept in best), rate_hz, tuple(kept.start / rate_hz for kept in best)
        )


def _is_likely_data(sound: Samples, rate_hz: float) -> bool:
    """Whether the middle of a piece of one channel is made of a few lengths of half-waves."""
    size = min(len(sound), int(LOOK_SECONDS * rate_hz))
    first = (len(sound) - size) // 2
    spectrum = np.fft.rfft(sound[first : first + size])
    hertz = np.fft.rfftfreq(size, 1.0 / rate_hz)
    spectrum[(hertz < BAND_HZ[0]) | (hertz > BAND_HZ[1])] = 0.0
    wave = np.fft.irfft(spectrum, size)
    is_low = wave < 0  # not the sign bit: a digital silence has zeros of both signs
    before = np.flatnonzero(is_low[1:] != is_low[:-1])
    crossings = before + wave[before] / (wave[before] - wave[before + 1])
    half_waves = np.diff(crossings)
    if len(half_waves) < FEWEST_HALF_WAVES:
        return False
    octaves = np.round(PARTS_OF_OCTAVE * np.log2(np.maximum(half_waves, 1e-3)))
    _, count = np.unique(octaves, return_counts=True)
    return bool(np.sum((count / len(half_waves)) ** 2) >= LEAST_ALIKE)
