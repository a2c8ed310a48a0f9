"""Wave: a waveform as a list of simple segments, before it is sampled."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["HALF", "LEVEL", "SILENCE", "TONE", "Wave"]

SILENCE, TONE, HALF, LEVEL = 0, 1, 2, 3


@dataclass(frozen=True, eq=False)
class Wave:
    """Segments played one after another; the arrays have one entry a segment.

    Parameters
    ----------
    kind : ndarray of int8
        `TONE`: ``level * sin(2 pi (phase + hertz t))``. `HALF`: ``level`` where the phase is in [0, 0.5),
        ``-level`` in [0.5, 1). `LEVEL`: ``level``. `SILENCE`: 0.
    seconds, hertz, level : ndarray of float64
    phase : ndarray of float64
        In turns, at the beginning of the segment.
    """

    kind: npt.NDArray[np.int8]
    seconds: npt.NDArray[np.float64]
    hertz: npt.NDArray[np.float64]
    level: npt.NDArray[np.float64]
    phase: npt.NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.kind)
