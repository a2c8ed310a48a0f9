"""What is played to the machine: sound at the simulation's rate, and the symbols that are in it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import soxr
from scipy import signal

from tapewright.machine.simulate import RATE_HZ
from tapewright.model import GAP, SignalError, Symbols

__all__ = ["Played", "dulled", "played"]

FloatArray = npt.NDArray[np.float64]
Sound = npt.NDArray[np.float32]

#: A gap of more than this, or of so many symbols, ends a stretch: the machine looks for a leader anew.
PAUSE_SECONDS, PAUSE_SYMBOLS = 0.25, 8
#: Sound before the first symbol and after the last one that belongs to a stretch.
EDGE_SECONDS = 0.1
#: A stretch of fewer symbols holds no program.
FEWEST_SYMBOLS = 32


@dataclass(frozen=True, eq=False)
class Played:
    """One stretch of symbols, from a pause to a pause.

    Parameters
    ----------
    sound : ndarray of float32
        At `simulate.RATE_HZ`, scaled so that its tone has an amplitude of 1.
    since_seconds : float
        Where in the recording it begins.
    symbol : ndarray of int64
        In the order of the format's alphabet.
    start_seconds, end_seconds : ndarray of float64
        Of each symbol, from the beginning of `sound`.
    speed : ndarray of float64, optional
        Of the tape at each symbol, 1 = nominal, above 1 = fast; without it, nominal throughout.
    """

    sound: Sound
    since_seconds: float
    symbol: npt.NDArray[np.int64]
    start_seconds: FloatArray
    end_seconds: FloatArray
    speed: FloatArray | None = None

    @property
    def seconds(self) -> float:
        """Length of the sound."""
        return len(self.sound) / RATE_HZ

    @property
    def first_datum(self) -> int:
        """Number of the first symbol that is not the leader's."""
        others = np.flatnonzero(self.symbol != self.symbol[0])
        return int(others[0]) if len(others) else len(self.symbol)

    def part(self, low_seconds: float, high_seconds: float) -> Played:
        """Cut out the sound from one time to another, and the symbols that lie wholly in it."""
        first = max(0, round(low_seconds * RATE_HZ))
        last = min(len(self.sound), round(high_seconds * RATE_HZ))
        low, high = first / RATE_HZ, last / RATE_HZ
        inside = (self.start_seconds >= low) & (self.end_seconds <= high)
        return Played(
            self.sound[first:last],
            self.since_seconds + low,
            self.symbol[inside],
            self.start_seconds[inside] - low,
            self.end_seconds[inside] - low,
            None if self.speed is None else self.speed[inside],
        )

    def heard_as(self, sound: Sound) -> Played:
        """Return the same symbols in another sound that keeps their times."""
        return replace(self, sound=sound)


def played(samples: Sound, rate_hz: float, symbols: Symbols) -> list[Played]:
    """Cut a recording into stretches, by what the receiver heard in it.

    Parameters
    ----------
    samples : ndarray of float32, shape (n,)
        The channel that was listened to.
    rate_hz : float
    symbols : Symbols

    Raises
    ------
    SignalError
        If no stretch is long enough to hold a program.
    """
    sound = soxr.resample(samples, rate_hz, RATE_HZ).astype(np.float32)
    real = symbols.index != GAP
    start, end = symbols.start_seconds[real], symbols.end_seconds[real]
    index, level = symbols.index[real].astype(np.int64), symbols.level[real]
    speed = symbols.speed[real].astype(np.float64)
    if not len(index):
        raise SignalError("there is no signal of this format in the recording; see tapewright read --explain")
    pause = max(PAUSE_SECONDS, PAUSE_SYMBOLS * float(np.median(end - start)))
    cuts = np.flatnonzero(start[1:] - end[:-1] > pause) + 1
    parts = []
    for some in np.split(np.arange(len(index)), cuts):
        if len(some) < FEWEST_SYMBOLS:
            continue
        amplitude = float(np.median(level[some]))
        low = max(0.0, float(start[some[0]]) - EDGE_SECONDS)
        high = float(end[some[-1]]) + EDGE_SECONDS
        first, last = round(low * RATE_HZ), min(len(sound), round(high * RATE_HZ))
        parts.append(
            Played(
                sound[first:last] / np.float32(amplitude),
                first / RATE_HZ,
                index[some],
                start[some] - first / RATE_HZ,
                end[some] - first / RATE_HZ,
                speed[some],
            )
        )
    if not parts:
        raise SignalError(
            f"no stretch of the recording has {FEWEST_SYMBOLS} symbols of this format in a row, so there is"
            " no program to load; see tapewright read --explain"
        )
    return parts


def dulled(sound: Sound, corner_hz: float) -> Sound:
    """Pass a sound through the recorder's tone control, a first-order low-pass; infinite for none."""
    if not math.isfinite(corner_hz) or corner_hz >= 0.49 * RATE_HZ:
        return sound
    numerator, denominator = signal.butter(1, corner_hz, fs=RATE_HZ)
    return np.asarray(signal.lfilter(numerator, denominator, sound), np.float32)
