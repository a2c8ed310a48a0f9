"""The shape of a wave: whether it was a sine or a square, and how wide a pulse is."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import special

from tapewright.learn.durations import Tokens
from tapewright.learn.marks import Marks

__all__ = ["pulse_us", "third_harmonic"]

FloatArray = npt.NDArray[np.float64]

#: So many waves are looked at, and in so many places.
WAVES, PLACES = 1_000, 32


def third_harmonic(marks: Marks, tokens: Tokens, chosen: npt.NDArray[np.bool_]) -> tuple[float, float] | None:
    """Third harmonic of half-waves re their fundamental: a third in a square wave, 0 in a sine.

    Parameters
    ----------
    marks : Marks
        With the sound.
    tokens : Tokens
    chosen : ndarray of bool
        Which half-waves to look at: such as stand amid their like.

    Returns
    -------
    third : float
    error : float
        Its standard error. Both are missing (None) where there are too few half-waves.
    """
    some = np.flatnonzero(chosen)
    if len(some) < 8:
        return None
    some = some[:: max(1, len(some) // WAVES)]
    places = (np.arange(PLACES) + 0.5) / PLACES
    # As heard, not as corrected: the sound knows nothing of tempo and skew.
    starts = tokens.starts_s[some]
    ends = marks.times_s[
        np.searchsorted(marks.times_s, starts, side="right").clip(max=len(marks.times_s) - 1)
    ]
    times = starts[:, np.newaxis] + (ends - starts)[:, np.newaxis] * places
    waves = _sampled(marks.track, times * marks.rate_hz)
    waves *= np.where(tokens.rising[some], 1.0, -1.0)[:, np.newaxis]
    first = float((waves @ np.sin(np.pi * places)).mean())
    thirds = waves @ np.sin(3 * np.pi * places)
    if first <= 0:
        return None
    return float(thirds.mean()) / first, float(thirds.std()) / first / np.sqrt(len(thirds))


def pulse_us(marks: Marks, tokens: Tokens, chosen: npt.NDArray[np.bool_], longest_us: float) -> float | None:
    """Width of the halves of pulses that go up and down: from the one's peak to the other's.

    Parameters
    ----------
    chosen : ndarray of bool
        The half-waves between whose beginning and end a pulse has its first half.
    longest_us : float
        Nothing farther from the middle is looked at.
    """
    some = np.flatnonzero(chosen)
    if len(some) < 8:
        return None
    some = some[:: max(1, len(some) // WAVES)]
    starts = tokens.starts_s[some]
    middles = marks.times_s[
        np.searchsorted(marks.times_s, starts, side="right").clip(max=len(marks.times_s) - 1)
    ]
    reach = longest_us * 1e-6
    offsets = np.linspace(-reach, reach, 81)
    waves = _sampled(marks.track, (middles[:, np.newaxis] + offsets) * marks.rate_hz)
    wave = (waves * np.where(tokens.rising[some], 1.0, -1.0)[:, np.newaxis]).mean(axis=0)
    return _width_of(wave, offsets * 1e6)


def _width_of(wave: FloatArray, at_us: FloatArray) -> float:
    """Width of each half of a pulse up and down, seen through a dull recorder.

    Compared with pulses of many widths blurred by many amounts (a normal curve stands for the recorder).
    """
    peaks_us = abs(float(at_us[np.argmin(wave)] - at_us[np.argmax(wave)]))
    widths = peaks_us * np.linspace(0.5, 1.1, 25)
    blurs = peaks_us * np.linspace(0.05, 0.75, 11)
    centres = peaks_us * np.linspace(-0.2, 0.2, 7)
    time = at_us[np.newaxis, :] - centres[:, np.newaxis]
    best, found = -1.0, peaks_us
    wave = wave - wave.mean()
    for blur in blurs:
        for width in widths:
            steps = [special.ndtr((time + shift) / blur) for shift in (width, 0.0, -width)]
            shapes = steps[0] - 2 * steps[1] + steps[2]
            shapes -= shapes.mean(axis=1, keepdims=True)
            fits = np.abs(shapes @ wave) / np.linalg.norm(shapes, axis=1)
            if fits.max() > best:
                best, found = float(fits.max()), float(width)
    return found


def _sampled(sound: npt.NDArray[np.float32], places: FloatArray) -> FloatArray:
    """The sound at places between samples."""
    places = np.clip(places, 0, len(sound) - 1.001)
    index = places.astype(np.int64)
    part = places - index
    return np.asarray(sound[index] * (1 - part) + sound[index + 1] * part)
