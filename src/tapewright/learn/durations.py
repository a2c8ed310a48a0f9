"""From marks to durations: leaders, odd and even half-waves made equal, and the few lengths there are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from tapewright.learn.kernels import repeats_at
from tapewright.learn.marks import Marks

__all__ = ["RIM", "Tokens", "duration_classes", "shared_tempo", "stretches", "tokens_of"]

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

#: What lasts longer is a gap between blocks, even where silence is a bit; what is shorter is a click.
SHORTEST_US, LONGEST_US = 20.0, 100_000.0
#: A leader repeats itself for so long, and so often, whatever it is made of, and has so many half-waves.
LEADER_SECONDS, LEADER_REPEATS, LEADER_HALF_WAVES = 0.08, 8, 40
#: Two half-waves are alike within this share and so many times their jitter, which has limits (microseconds).
ALIKE, ALIKE_JITTERS, ALIKE_US = 0.03, 3.0, (5.0, 25.0)
#: The longest pattern of a leader, in half-waves: a cell of two tones has up to about 70.
LONGEST_PATTERN = 80
#: So much of each end of a leader is kept with the data, in half-waves and in patterns, whichever is more.
RIM, RIM_PATTERNS = 24, 2.5
#: The histogram of log duration: its step, and the smoothings tried (standard deviations).
STEP = 0.005
SMOOTHINGS = (0.018, 0.035, 0.06)
#: Two peaks are two lengths where the valley between is lower than this share of the lower one.
VALLEY = 0.6
#: Lengths nearer than these, as a logarithm, may be one length that comes out different after a change.
ONE_LENGTH = (0.16, 0.25)
#: A trigger off the middle of a sine by half its peak makes one half-wave twice as long as the other.
LOPSIDED = 0.7
FEW_PAIRS = 20
#: That is a third of a half-wave. Where pulses are all as wide, and rests between them are not, half the
#: difference of the two is as much longer as the mean of the two is.
PULSES = 0.6
#: A length that occurs less often than this is an accident.
RARE = 0.012


@dataclass(frozen=True, eq=False)
class Tokens:
    """The half-waves of one recording, one after another, as the code book sees them.

    Parameters
    ----------
    starts_s : ndarray, shape (n,)
    us : ndarray, shape (n,)
        Durations at the tempo all recordings share, odd and even ones made equal.
    breaks : ndarray of bool, shape (n,)
        Entry k: half-wave k has nothing to do with the one before it.
    rising : ndarray of bool, shape (n,)
    leader : ndarray of int32, shape (n,)
        0, or the number of half-waves after which a leader repeats itself here.
    skew_us : float
        By how much upper half-waves were too long, and lower ones too short, before they were made equal.
    """

    starts_s: FloatArray
    us: FloatArray
    breaks: BoolArray
    rising: BoolArray
    leader: npt.NDArray[np.int32]
    skew_us: float = 0.0

    @cached_property
    def logs(self) -> FloatArray:
        """Natural logarithms of the durations."""
        return np.log(self.us)

    def evened(self, rising: bool) -> Tokens:
        """The same with both half-waves of each cycle made equal; cycles begin with such an edge."""
        first = np.flatnonzero((self.rising[:-1] == rising) & ~self.breaks[1:])
        us = self.us.copy()
        us[first] = us[first + 1] = 0.5 * (self.us[first] + self.us[first + 1])
        return replace(self, us=us)

    @property
    def cycle_logs(self) -> FloatArray:
        """Natural logarithms of the durations of every two half-waves in a row."""
        return np.log((self.us[:-1] + self.us[1:])[~self.breaks[1:]])

    @cached_property
    def steady_logs(self) -> FloatArray:
        """Logarithms of durations without what makes one half-wave longer and the next one shorter."""
        steady = self.us.copy()
        unbroken = ~(self.breaks[1:-1] | self.breaks[2:])
        smooth = (self.us[:-2] + 2 * self.us[1:-1] + self.us[2:]) / 4
        steady[1:-1][unbroken] = smooth[unbroken]
        return np.log(steady)

    def pick(self, keep: BoolArray) -> Tokens:
        """Some of them; a break stands where some were left out."""
        gone = np.concatenate(([False], ~keep[:-1]))
        return replace(
            self,
            starts_s=self.starts_s[keep],
            us=self.us[keep],
            breaks=(self.breaks | gone)[keep],
            rising=self.rising[keep],
            leader=self.leader[keep],
        )

    def data(self) -> Tokens:
        """Everything but the leaders, of which only the ends are kept."""
        keep = np.ones(len(self.us), np.bool_)
        for first, end in stretches(self.leader > 0):
            rim = max(RIM, round(RIM_PATTERNS * int(self.leader[first:end].max())))
            keep[first + rim : max(first + rim, end - rim)] = False
        return self.pick(keep)


def stretches(mask: BoolArray) -> list[tuple[int, int]]:
    """First and end of each run of True."""
    edges = np.diff(np.concatenate(([0], mask.astype(np.int8), [0])))
    return list(zip(np.flatnonzero(edges == 1).tolist(), np.flatnonzero(edges == -1).tolist(), strict=True))


def tokens_of(marks: Marks) -> Tokens:
    """Turn marks into durations, with leaders marked and the trigger's lopsidedness taken out."""
    us = marks.durations_us
    if len(us) < 16:
        nothing = np.zeros(0)
        return Tokens(nothing, nothing, nothing.astype(bool), nothing.astype(bool), nothing.astype(np.int32))
    keep = (us > SHORTEST_US) & (us < LONGEST_US)
    lost = np.concatenate(([False], ~keep[:-1]))
    tokens = Tokens(
        marks.times_s[:-1][keep],
        us[keep],
        lost[keep],
        marks.rising[:-1][keep],
        np.zeros(int(keep.sum()), np.int32),
    )
    tokens = replace(tokens, leader=_leaders(tokens))
    return _made_even(tokens)


def _leaders(tokens: Tokens) -> npt.NDArray[np.int32]:
    """Mark where durations repeat themselves for long."""
    mask = np.zeros(len(tokens.us), np.int32)
    slack_us = float(np.clip(ALIKE_JITTERS * _jitter_us(tokens.us), *ALIKE_US))
    for lag in range(2, min(LONGEST_PATTERN, len(mask) // 4), 2):
        if not mask.all():
            least = max(LEADER_HALF_WAVES, LEADER_REPEATS * lag)
            repeats_at(tokens.us, tokens.breaks, lag, ALIKE, slack_us, least, LEADER_SECONDS * 1e6, mask)
    return mask


def _jitter_us(us: FloatArray) -> float:
    """Standard deviation of the difference of two half-waves meant to be alike, at a guess.

    At some short distance many half-waves are alike; three in ten differ by less than 0.385 deviations.
    """
    return min(float(np.percentile(np.abs(us[lag:] - us[:-lag]), 30)) for lag in (1, 2, 4)) / 0.385


def _made_even(tokens: Tokens) -> Tokens:
    """Shift rising against falling edges so that plain waves have two equal halves."""
    us, rising = tokens.us, tokens.rising
    if len(us) < 20:
        return tokens
    logs = tokens.logs
    calm = np.zeros(len(us), np.bool_)
    like = np.abs(logs[2:] - logs[:-2]) < 0.1
    calm[:-3] = like[:-1] & like[1:] & ~tokens.breaks[1:-2] & ~tokens.breaks[2:-1] & ~tokens.breaks[3:]
    first = np.flatnonzero(calm[:-1])
    if len(first) < 20:
        return tokens
    sign = np.where(rising[first], 1.0, -1.0)
    equal = np.abs(logs[first] - logs[first + 1]) < LOPSIDED
    if equal.mean() < 0.8:  # pulses and rests: this is how they are meant
        return tokens
    halves_us = ((us[first] + us[first + 1]) / 2)[equal]
    skews_us = (sign * (us[first] - us[first + 1]) / 2)[equal]
    share, skew_us = _line_through(halves_us, skews_us)
    if abs(share) > PULSES:
        return tokens
    upwards = np.where(rising, 1.0, -1.0)
    made = np.maximum((us - upwards * skew_us) / (1 + upwards * share), SHORTEST_US)
    return replace(tokens, us=made, skew_us=float(np.median(skews_us)))


def _line_through(halves_us: FloatArray, skews_us: FloatArray) -> tuple[float, float]:
    """Slope and intercept of skew over half-wave: a share of it in sines, the same time in square waves."""
    low, high = np.percentile(halves_us, (2, 98))
    is_long = halves_us > np.sqrt(low * high)
    constant = 0.0, float(np.median(skews_us))
    if high < 1.2 * low or min(is_long.sum(), (~is_long).sum()) < FEW_PAIRS:
        return constant
    places = []
    for which in (~is_long, is_long):
        place, skew = float(np.median(halves_us[which])), float(np.median(skews_us[which]))
        spread = float(np.median(np.abs(skews_us[which] - skew)))
        if abs(skew) < max(0.04 * place, 3 * spread):  # not plainly lopsided
            return constant
        places.append((place, skew))
    (x0, y0), (x1, y1) = places
    slope = (y1 - y0) / (x1 - x0)
    return slope, y0 - slope * x0


def duration_classes(logs: FloatArray) -> list[FloatArray]:
    """The lengths that half-waves have, in several opinions.

    Parameters
    ----------
    logs : ndarray
        Natural logarithms of durations.

    Returns
    -------
    list of ndarray
        Each an opinion: the centres, ascending, as logarithms. The least smooth histogram comes first.
    """
    if len(logs) < 16:
        return []
    low = float(logs.min()) - 0.3
    counts = np.bincount(np.floor((logs - low) / STEP).astype(np.int64), minlength=8)
    counts = np.concatenate((counts, np.zeros(int(0.3 / STEP), counts.dtype))).astype(np.float64)
    plain = [
        _peaks(ndimage.gaussian_filter1d(counts, smoothing / STEP, mode="constant"), logs, low)
        for smoothing in SMOOTHINGS
    ]
    opinions: list[FloatArray] = []
    for centres in [*plain, *(_merged(plain[0], logs, within) for within in ONE_LENGTH)]:
        if not any(
            len(centres) == len(other) and np.allclose(centres, other, atol=0.03) for other in opinions
        ):
            opinions.append(centres)
    return opinions


def _merged(centres: FloatArray, logs: FloatArray, within: float) -> FloatArray:
    """Take neighbours for one length: the middle of all half-waves of either."""
    groups = np.cumsum(np.concatenate(([False], np.diff(centres) > within)))
    merged = []
    for group in np.unique(groups):
        mine = centres[groups == group]
        inside = logs[(logs > mine[0] - 0.08) & (logs < mine[-1] + 0.08)]
        merged.append(float(np.median(inside)) if len(inside) else float(mine.mean()))
    return np.array(merged)


def _peaks(curve: FloatArray, logs: FloatArray, low: float) -> FloatArray:
    tops = np.flatnonzero((curve[1:-1] > curve[:-2]) & (curve[1:-1] >= curve[2:])) + 1
    kept: list[int] = []
    for top in tops[np.argsort(-curve[tops], kind="stable")]:
        near = [
            other
            for other in kept
            if curve[min(top, other) : max(top, other) + 1].min() >= VALLEY * curve[top]
        ]
        if not near and curve[top] > 0.002 * curve.max():
            kept.append(int(top))
    kept.sort()
    edges = [
        0,
        *(a + int(np.argmin(curve[a : b + 1])) for a, b in pairwise(kept)),
        len(curve),
    ]
    centres = []
    for k in range(len(kept)):
        inside = logs[(logs >= low + edges[k] * STEP) & (logs < low + edges[k + 1] * STEP)]
        if len(inside) >= max(4, RARE * len(logs)):
            middle = inside[np.abs(inside - (low + (kept[k] + 0.5) * STEP)) < 0.1]
            centres.append(float(np.median(middle if len(middle) else inside)))
    return np.array(centres)


def shared_tempo(all_tokens: Sequence[Tokens]) -> FloatArray:
    """How much slower each recording runs than their mean, as logarithms that add up to 0.

    Whole cycles are compared, not half-waves: a pulse is as long as the recorder makes it at any tempo.
    """
    if len(all_tokens) == 1:
        return np.zeros(1)
    all_logs = [tokens.cycle_logs for tokens in all_tokens]
    reach = round(0.36 / STEP)
    low = min(float(logs.min()) for logs in all_logs) - 0.5
    high = max(float(logs.max()) for logs in all_logs) + 0.5
    curves = []
    for logs in all_logs:
        counts = np.histogram(logs, round((high - low) / STEP), (low, high))[0].astype(np.float64)
        curve = ndimage.gaussian_filter1d(np.sqrt(counts / counts.sum()), 0.012 / STEP)
        curves.append(curve / np.linalg.norm(curve))
    shifts = []
    for curve in curves:
        fits = [float(curves[0] @ np.roll(curve, -k)) for k in range(-reach, reach + 1)]
        shifts.append((_top(fits) - reach) * STEP)
    late = np.array(shifts)
    return np.asarray(late - late.mean())


def _top(values: Sequence[float]) -> float:
    """Where the highest value is, to part of a step: the top of a parabola through it and its neighbours."""
    k = int(np.argmax(values))
    if not 0 < k < len(values) - 1:
        return float(k)
    before, here, after = values[k - 1 : k + 2]
    return k + (after - before) / max(2 * (2 * here - before - after), 1e-12)
