"""The two loops that cannot be written as array operations, compiled."""

from __future__ import annotations

import numba
import numpy as np
import numpy.typing as npt

from tapewright.compiled import kernel

__all__ = ["INTERPOLATION_TAPS", "follow_level", "interpolate"]

#: Taps of the interpolator; see `transport.interpolation_table`.
INTERPOLATION_TAPS = 32


@kernel
def follow_level(
    samples: npt.NDArray[np.float32],
    rise: float,
    fall: float,
    target: float,
    least_gain: float,
    most_gain: float,
    level: float,
    out: npt.NDArray[np.float32],
) -> float:
    """Automatic level control over samples (channels, n); returns the detector's level for the next piece.

    The detector is a diode and a capacitor: it rises towards the largest channel's magnitude by the share
    `rise` a sample while that is above it, and otherwise falls by the share `fall`.
    """
    channels, length = samples.shape
    for sample in range(length):
        peak = 0.0
        for channel in range(channels):
            peak = max(peak, abs(samples[channel, sample]))
        if peak > level:
            level += rise * (peak - level)
        else:
            level += fall * (peak - level)
        gain = most_gain
        if level * most_gain > target:
            gain = max(target / level, least_gain)
        for channel in range(channels):
            out[channel, sample] = gain * samples[channel, sample]
    return level


@numba.njit(cache=True, nogil=True, fastmath={"contract", "reassoc"})
def interpolate(
    samples: npt.NDArray[np.float32],
    position: npt.NDArray[np.float64],
    speed: npt.NDArray[np.float64],
    step: int,
    table: npt.NDArray[np.float32],
    out: npt.NDArray[np.float32],
) -> None:
    """Read one channel at the places a transport passes, by windowed-sinc interpolation.

    `position` and `speed` (samples, and samples per sample) stand at every `step`-th output sample; between
    them the place is the cubic that has both right at both ends. `table` holds the kernel for fractions of
    a sample, one row more than there are fractions; rows are interpolated linearly.
    """
    fractions = table.shape[0] - 1
    half = table.shape[1] // 2
    length = samples.shape[0]
    for sample in range(out.shape[0]):
        knot = sample // step
        u = (sample - knot * step) / step
        p0 = position[knot]
        rise = position[knot + 1] - p0
        d0 = speed[knot] * step
        d1 = speed[knot + 1] * step
        place = p0 + u * (d0 + u * (3 * rise - 2 * d0 - d1 + u * (d0 + d1 - 2 * rise)))
        whole = int(np.floor(place))
        where = (place - whole) * fractions
        row = min(int(where), fractions - 1)
        share = np.float32(where - row)
        first = whole - half + 1
        total = np.float32(0.0)
        if first >= 0 and first + 2 * half <= length:
            for tap in range(2 * half):
                weight = table[row, tap] + share * (table[row + 1, tap] - table[row, tap])
                total += weight * samples[first + tap]
        else:
            for tap in range(max(0, -first), min(2 * half, length - first)):
                weight = table[row, tap] + share * (table[row + 1, tap] - table[row, tap])
                total += weight * samples[first + tap]
        out[sample] = total
