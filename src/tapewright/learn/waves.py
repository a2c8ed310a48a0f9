"""The shape of a wave: whether it was a sine or a square, and how wide a pulse is."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from tapewright.learn.durations import Tokens
from tapewright.learn.marks import Marks

__all__ = ["pulse_us", "third_harmonic"]

FloatArray = npt.NDArray[np.float64]

#: So many waves are looked at, and in so many places.
WAVES, PLACES = 400, 32


def third_harmonic(marks: Marks, tokens: Tokens, chosen: npt.NDArray[np.bool_]) -> float | None:
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
    float or None
        None where there are too few.
    """
    some = np.flatnonzero(chosen)
    if len(some) < 8:
        return None
    some = some[:: max(1, len(some) // WAVES)]
    places = (np.arange(PLACES) + 0.5) / PLACES
    # As heard, not as corrected: the sound knows nothing of tempo and skew.
    starts = tokens.starts_s[some]
    ends = marks.times_s[np.searchsorted(marks.times_s, starts, side="right").clip(max=len(marks.times_s) - 1)]
    times = starts[:, np.newaxis] + (ends - starts)[:, np.newaxis] * places
    samples = times * marks.rate_hz
    index = np.minimum(samples.astype(np.int64), len(marks.sound) - 2)
    part = samples - index
    waves = marks.sound[index] * (1 - part) + marks.sound[index + 1] * part
    waves *= np.where(tokens.rising[some], 1.0, -1.0)[:, np.newaxis]
    wave = waves.mean(axis=0)
    first = float(wave @ np.sin(np.pi * places))
    third = float(wave @ np.sin(3 * np.pi * places))
    return third / first if first > 0 else None


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
    middles = marks.times_s[np.searchsorted(marks.times_s, starts, side="right").clip(max=len(marks.times_s) - 1)]
    reach = longest_us * 1e-6
    offsets = np.linspace(-reach, reach, 161)
    samples = np.clip((middles[:, np.newaxis] + offsets) * marks.rate_hz, 0, len(marks.sound) - 2)
    index = samples.astype(np.int64)
    part = samples - index
    waves = marks.sound[index] * (1 - part) + marks.sound[index + 1] * part
    wave = (waves * np.where(tokens.rising[some], 1.0, -1.0)[:, np.newaxis]).mean(axis=0)
    return float((offsets[np.argmin(wave)] - offsets[np.argmax(wave)]) * 1e6)
