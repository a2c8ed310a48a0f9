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

from tapewright.compiled import kernel
from tapewright.line.grid import Grid

__all__ = ["has_lows", "put_back_lows"]

#: Points in the length of the longest wave in the band at which what lies below is worked out.
BLOCKS_A_WAVE = 40


def has_lows(grid: Grid) -> bool:
    """Whether symbols are so short that what lies below the band reaches from one to others."""
    return bool(4.0 * grid.low * grid.length.min() < 1.0)


def put_back_lows(even: npt.NDArray[np.float32], sent: npt.NDArray[np.float32], grid: Grid) -> None:
    """Add to what was heard, on even time, what lies below the band of what was probably sent."""
    block = max(1, int(1 / (BLOCKS_A_WAVE * grid.low)))  # means are enough of what is so slow
    means = np.empty(len(sent) // block, np.float32)
    if len(means) < 2:
        return
    _fill_in_means(sent, block, means)
    low = grid.low * block
    half = int(1.8 / low)  # as `Band.filter`
    n = np.arange(-half, half + 1)
    taps = 2 * low * np.sinc(2 * low * n) * np.kaiser(len(n), 6.0)
    lows = np.convolve(means, taps.astype(np.float32))[half : half + len(means)]
    _add_between(even, lows, block)


@kernel
def _fill_in_means(values, block, means):  # type: ignore[no-untyped-def]
    for k in range(len(means)):
        total = np.float32(0.0)
        for n in range(k * block, (k + 1) * block):
            total += values[n]
        means[k] = total / np.float32(block)


@kernel
def _add_between(values, means, block):  # type: ignore[no-untyped-def]
    """Add means of blocks, in straight lines from the middle of each to that of the next."""
    middle, last = 0.5 * (block - 1), len(means) - 1
    for n in range(len(values)):
        place = (n - middle) / block
        k = min(max(int(place), 0), last - 1)
        part = np.float32(min(max(place - k, 0.0), 1.0))
        values[n] += means[k] + part * (means[k + 1] - means[k])
