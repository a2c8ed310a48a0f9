"""A sound that goes on: where it was looked at in vain, it need not be looked at again so soon.

Of a pause of hiss, each look for speed and level would take as long as reading minutes of data.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from tapewright.line.front import Heard
from tapewright.line.templates import Band

__all__ = ["OngoingSound"]

FloatArray = npt.NDArray[np.float64]

#: Sound that was looked at in vain goes on while its power, in so many parts of the band, stays the same, to
#: so much of a natural log (hiss: 0.1; a signal that can just be read makes it 0.5 to 1 more). Then the next
#: look comes when it has lasted so many times as long.
COLOURS, SAME_COLOUR, TIMES_AS_FAR = 8, 0.34, 4


@dataclass
class OngoingSound:
    """The sound that goes on, piece by piece.

    Parameters
    ----------
    band : Band
    begin : int
        Its first sample.
    next_look : int
        Sample from which it is worth looking at again.
    colour : ndarray of float64, shape (COLOURS,)
        Its mean power in parts of the band, as natural logs.
    """

    band: Band
    begin: int
    next_look: int = 0
    colour: FloatArray = field(default_factory=lambda: np.zeros(COLOURS))

    def hear(self, piece: Heard, first: int) -> bool:
        """Hear the piece that begins at a sample, and say whether to look at it: one that is unlike what came
        before begins a new sound.
        """
        colour = _colour(piece, self.band)
        if np.any(np.abs(colour - self.colour) > SAME_COLOUR):
            self.begin = self.next_look = first
            self.colour = colour
        return first >= self.next_look

    def was_in_vain(self, end: int) -> None:
        """Note a look in vain at the piece that ended at a sample: the next comes much later."""
        self.next_look = self.begin + TIMES_AS_FAR * (end - self.begin)

    def begins_anew(self, first: int) -> None:
        """Note that what comes from a sample on is another sound, even if it is alike."""
        self.begin = self.next_look = first


def _colour(heard: Heard, band: Band) -> FloatArray:
    power = np.abs(np.fft.rfft(heard)) ** 2 / len(heard) ** 2
    edges = np.linspace(band.low_hz, band.high_hz, COLOURS + 1) / band.rate_hz
    return np.log(np.add.reduceat(power, (edges * len(heard)).astype(int))[:-1] + 1e-20)
