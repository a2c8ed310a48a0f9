"""What the receiver's band takes from a signal at its lower end, put back.

Nothing is heard below the band: hum is there. But of symbols much shorter than the longest wave in the band
something is there as well, and without it each leaves an echo under dozens of its neighbours, too many for
waveforms by neighbours. Once it is known what was probably sent, what of that lies below the band is added to
what was heard: then there are no echoes, and the search (`sequence.py`) has only to allow for what a sequence
that differs from the probable one has below the band, as that was not heard.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from tapewright.line.grid import Grid

__all__ = ["has_lows", "put_back_lows"]


def has_lows(grid: Grid) -> bool:
    """Whether symbols are so short that what lies below the band reaches from one to others."""
    return bool(4.0 * grid.low * grid.length.min() < 1.0)


def put_back_lows(even: npt.NDArray[np.float32], sent: npt.NDArray[np.float32], grid: Grid) -> None:
    """Add to what was heard, on even time, what lies below the band of what was probably sent."""
    half = int(1.8 / grid.low)  # as `Band.filter`
    n = np.arange(-half, half + 1)
    taps = 2 * grid.low * np.sinc(2 * grid.low * n) * np.kaiser(len(n), 6.0)
    size = 1 << (len(sent) + len(taps) - 1).bit_length()
    spectrum = np.fft.rfft(sent, size) * np.fft.rfft(taps, size)
    even += np.fft.irfft(spectrum, size)[half : half + len(sent)].astype(np.float32)
