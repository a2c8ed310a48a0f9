"""A recording with its treble raised or cut, for tapes that sound dull or thin."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tapewright.chain.derived import Derived
from tapewright.model import AudioSource, Fault, Samples

__all__ = ["TONES", "Tone", "Toned"]


@dataclass(frozen=True)
class Tone:
    """A correction of the tone: so many times 6 dB an octave between two frequencies.

    Parameters
    ----------
    sounds : str
        What a recording sounds like that needs it.
    what : str
        What it does.
    flat_hz, level_hz : float
        Where the slope begins and where it ends.
    stages : int
    remedy : str
    """

    sounds: str
    what: str
    flat_hz: float
    level_hz: float
    stages: int
    remedy: str

    @property
    def fault(self) -> Fault:
        """What is the matter with the recording, what was done, and what to do."""
        low, high = sorted((self.flat_hz, self.level_hz))
        slope = f"{6 * self.stages} dB an octave from {low:g} to {high:g} Hz"
        return Fault(
            self.sounds,
            f"the recording sounds {self.sounds}, perhaps too {self.sounds} for the machine itself: here it"
            f" was read with its treble {self.what} by {slope}",
            remedy=self.remedy,
        )

    def sections(self, rate_hz: float) -> npt.NDArray[np.float64]:
        """Filter at a sample rate, shape (stages, 6), with a gain of 1 at the middle of its slope."""
        from scipy import signal  # late: it takes a second, and only bad recordings have a use for it

        seconds = 1.0 / (2.0 * math.pi * self.flat_hz), 1.0 / (2.0 * math.pi * self.level_hz)
        up, down = signal.bilinear([seconds[0], 1.0], [seconds[1], 1.0], fs=rate_hz)
        gain = math.sqrt(self.flat_hz / self.level_hz)
        section = np.array([gain * up[0], gain * up[1], 0.0, down[0], down[1], 0.0])
        return np.tile(section, (self.stages, 1))


_DULL = "clean the head, turn the tone control up, and have the head's azimuth checked"
_THIN = "check the lead and the parts in it, and turn the tone control down"
#: What is tried where a recording cannot be read well as it is (measured on eight formats through a
#: second-order low-pass at 500 Hz, 30 dB above the noise: as it is one reads whole and four not at all; by
#: one of the first two all do).
TONES = (
    Tone("dull", "raised", 500.0, 8000.0, 1, _DULL),
    Tone("dull", "raised", 700.0, 8000.0, 2, _DULL),
    Tone("thin", "cut", 8000.0, 150.0, 1, _THIN),
)


class Toned(Derived):
    """A recording through a `Tone`; an :class:`~tapewright.model.AudioSource`.

    Parameters
    ----------
    source : AudioSource
    tone : Tone
    """

    def __init__(self, source: AudioSource, tone: Tone) -> None:
        super().__init__(source)
        self._sections = tone.sections(source.rate_hz)

    def chunks(self, seconds: float = 1.0) -> Iterator[Samples]:
        """Yield the same pieces, filtered."""
        from scipy import signal

        state = np.zeros((len(self._sections), 2, self.channels))
        for chunk in self._source.chunks(seconds):
            filtered, state = signal.sosfilt(self._sections, chunk, axis=0, zi=state)
            yield filtered.astype(np.float32)
