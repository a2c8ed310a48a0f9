"""Which pieces of a recording to look at first: those that are likely data, from all over it."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from tapewright.line.receiver import Survey
from tapewright.model import AudioSource, Samples, Span

__all__ = ["likely_data", "survey", "surveys"]

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


def surveys(source: AudioSource, most_seconds: float = math.inf) -> tuple[Survey, ...]:
    """Take pieces of a second from all over a recording, or from its first so many seconds with any sound.

    Returns
    -------
    tuple of Survey
        First of what is likely data, the liveliest pieces of it; then of any sound, for where that says
        nothing. One only where the whole recording is alike.
    """
    likely, every = _Liveliest(), _Liveliest()
    for _, chunk, liveliness in _seconds_with_sound(source):
        if every.count >= most_seconds:
            break
        every.add(float(liveliness.mean()), chunk)
        if _is_likely_data(chunk[:, int(np.argmax(liveliness))], source.rate_hz):
            likely.add(float(liveliness.mean()), chunk)
    found = [likely, every] if 0 < likely.count < every.count else [every]
    return tuple(Survey(kept.pieces(), source.rate_hz) for kept in found)


def survey(source: AudioSource) -> Survey:
    """Take pieces to tell the speed and level of a known format by; where it is lost, it is sought anew."""
    return surveys(source, SURVEY_SECONDS)[0]


def likely_data(source: AudioSource) -> tuple[Span, ...]:
    """List the seconds of a recording that sound like data of some format, a leader or another steady tone
    among them.
    """
    return tuple(
        Span(first / source.rate_hz, (first + len(chunk)) / source.rate_hz)
        for first, chunk, liveliness in _seconds_with_sound(source)
        if _is_likely_data(chunk[:, int(np.argmax(liveliness))], source.rate_hz)
    )


def _seconds_with_sound(source: AudioSource) -> Iterator[tuple[int, Samples, npt.NDArray[np.floating]]]:
    """Give where each second with sound begins, in samples, it, and how lively each channel is there."""
    first = 0
    for chunk in source.chunks(1.0):
        if len(chunk) > 1:
            liveliness = np.mean(np.diff(chunk, axis=0) ** 2, axis=0)
            if float(liveliness.mean()) > SILENCE:
                yield first, chunk, liveliness
        first += len(chunk)


class _Liveliest:
    """The liveliest of many pieces, each from another part of them; only a few are kept at any time."""

    def __init__(self) -> None:
        self.count = 0
        self._kept: list[tuple[float, Samples]] = []
        self._each = 1

    def add(self, liveliness: float, piece: Samples) -> None:
        """Look at one more."""
        if self.count % self._each == 0:
            if len(self._kept) == 2 * MOST_PIECES:
                pairs = zip(self._kept[::2], self._kept[1::2], strict=True)
                self._kept = [max(pair, key=lambda kept: kept[0]) for pair in pairs]
                self._each *= 2
            self._kept.append((liveliness, piece.copy()))
        elif liveliness > self._kept[-1][0]:
            self._kept[-1] = (liveliness, piece.copy())
        self.count += 1

    def pieces(self) -> tuple[Samples, ...]:
        """Give `MOST_PIECES` of them at most, in order of time."""
        groups = np.array_split(np.arange(len(self._kept)), min(MOST_PIECES, max(1, len(self._kept))))
        best = [max(group, key=lambda k: self._kept[k][0]) for group in groups if len(group)]
        return tuple(self._kept[k][1] for k in best)


def _is_likely_data(sound: Samples, rate_hz: float) -> bool:
    """Whether the middle of a piece of one channel is made of a few lengths of half-waves."""
    size = min(len(sound), int(LOOK_SECONDS * rate_hz))
    first = (len(sound) - size) // 2
    spectrum = np.fft.rfft(sound[first : first + size])
    hertz = np.fft.rfftfreq(size, 1.0 / rate_hz)
    spectrum[(hertz < BAND_HZ[0]) | (hertz > BAND_HZ[1])] = 0.0
    wave = np.fft.irfft(spectrum, size)
    before = np.flatnonzero(np.signbit(wave[1:]) != np.signbit(wave[:-1]))
    crossings = before + wave[before] / (wave[before] - wave[before + 1])
    half_waves = np.diff(crossings)
    if len(half_waves) < FEWEST_HALF_WAVES:
        return False
    octaves = np.round(PARTS_OF_OCTAVE * np.log2(np.maximum(half_waves, 1e-3)))
    _, count = np.unique(octaves, return_counts=True)
    return bool(np.sum((count / len(half_waves)) ** 2) >= LEAST_ALIKE)
