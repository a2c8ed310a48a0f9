"""What the impairments that change waveforms do to them; the same as in `benchmarks.accuracy.signals`."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import signal

__all__ = ["HARMED", "UNHARMED", "Harm"]

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Harm:
    """Sample by sample, and then by filters.

    Parameters
    ----------
    bend : callable
        What becomes of each sample.
    filters : tuple of (order, hertz, kind)
        Butterworth, one after another; `kind` is "lowpass" or "highpass".
    leaves_mean : bool
        Whether the mean of what is left carries nothing and is not counted as energy.
    """

    bend: Callable[[FloatArray], FloatArray] = np.asarray
    filters: tuple[tuple[int, float, str], ...] = ()
    leaves_mean: bool = False

    def __call__(self, wave: FloatArray, rate_hz: float) -> FloatArray:
        """Harm a waveform that starts from nothing."""
        wave = self.bend(wave)
        return np.asarray(signal.sosfilt(self.sections(rate_hz), wave)) if self.filters else wave

    def sections(self, rate_hz: float) -> FloatArray:
        """All filters as second-order sections."""
        return np.concatenate(
            [signal.butter(order, hz, kind, fs=rate_hz, output="sos") for order, hz, kind in self.filters]
        )


UNHARMED = Harm()
HARMED = {
    "band": Harm(filters=((1, 80.0, "highpass"), (2, 3000.0, "lowpass"))),
    "dull": Harm(filters=((1, 800.0, "lowpass"),)),
    # half the rms of a sine or of anything squarer
    "clipped": Harm(lambda wave: np.clip(wave, -0.35, 0.35), leaves_mean=True),
    "sliced": Harm(lambda wave: np.clip(wave + 0.35, -0.1, 0.1), leaves_mean=True),
}
