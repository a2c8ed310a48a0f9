"""Two tones in cells of equal time that need not hold whole half-waves: the tones of a modem.

Where the tone changes within a half-wave, its length tells when. Between two changes stand whole cells.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from tapewright.learn.durations import Tokens, duration_classes
from tapewright.learn.parse import FINEST, UNKNOWN

__all__ = ["Cells", "draw_up_cells"]

FloatArray = npt.NDArray[np.float64]

#: Fewer changes of tone say nothing about the length of a cell.
FEWEST_CHANGES = 12
#: Nearly all stretches between changes must be whole cells, within this share of a cell.
WHOLE_SHARE, WHOLE_WITHIN = 0.85, 0.2
#: A cell holds a whole cycle of the low tone, or nearly.
SHORTEST_CELL = 1.85
LONGEST_CELL_US, MOST_CELLS = 12_000.0, 12
#: Tones are counted over so many changes to the same tone: first over few, to find miscounted cells, then
#: over many. The count moves a tone by no more than this.
CHANGES_TOGETHER, MOST_MOVED = (8, 8, 64), 0.03


@dataclass(frozen=True)
class Cells:
    """Two tones in cells of equal time.

    Parameters
    ----------
    half_waves_us : tuple of float
        Of the high tone and of the low one.
    cell_us : float
    cost : float
        What it takes to say all half-waves with it, in nats.
    sigma : float
        Standard deviation of the logarithm of a half-wave within a tone.
    cell_sigma_us : float
        Standard deviation of a stretch between two changes.
    counts : tuple of int
        Half-waves of either tone.
    explained : float
        Share of half-waves that cost less than one about which nothing is known.
    """

    half_waves_us: tuple[float, float]
    cell_us: float
    cost: float
    sigma: float
    cell_sigma_us: float
    counts: tuple[int, int]
    explained: float


def draw_up_cells(tokens: Tokens, opinions: Sequence[FloatArray]) -> Iterator[Cells]:
    """Try every two lengths as the tones, told apart half-wave by half-wave or with their neighbours."""
    for logs, different in (
        (tokens.logs, opinions), (tokens.steady_logs, duration_classes(tokens.steady_logs)),
    ):  # fmt: skip
        for classes in different:
            for low, high in combinations(sorted(classes), 2):
                if 0.05 < high - low < 1.3:
                    cells = _cells(tokens, logs > (low + high) / 2, float(low), float(high))
                    if cells is not None:
                        yield cells


def _cells(tokens: Tokens, is_long: npt.NDArray[np.bool_], short: float, long: float) -> Cells | None:
    logs, us = tokens.logs, tokens.us
    inside = np.zeros(len(us), np.bool_)
    inside[1:-1] = (is_long[1:-1] == is_long[:-2]) & (is_long[1:-1] == is_long[2:])
    inside[1:-1] &= ~tokens.breaks[1:-1] & ~tokens.breaks[2:]
    centres = []
    # One half-wave more away from where the tone changes, it has settled.
    settled = inside & np.roll(inside, 1) & np.roll(inside, -1)
    for which, centre in ((~is_long, short), (is_long, long)):
        mine = logs[which & settled]
        if len(mine) < 16:
            mine = logs[which & inside]
        if len(mine) < 16:
            mine = logs[which & (np.abs(logs - centre) < 0.1)]
        if len(mine) < 8:
            return None
        centres.append(float(np.median(mine)))
    tones_us = np.exp(centres)
    known = inside & (np.abs(logs - np.where(is_long, centres[1], centres[0])) < 0.3)
    off = logs - np.where(is_long, centres[1], centres[0])
    sigma = float(np.clip(1.4826 * np.median(np.abs(off[known])), FINEST, 0.06)) if known.any() else 0.06

    first = np.flatnonzero((is_long[:-1] != is_long[1:]) & ~tokens.breaks[1:])
    if len(first) < FEWEST_CHANGES:
        return None
    before_us = np.where(is_long[first], tones_us[1], tones_us[0])
    after_us = np.where(is_long[first], tones_us[0], tones_us[1])
    both_us = us[first] + us[first + 1]
    share = np.clip((both_us - 2 * after_us) / (before_us - after_us), 0, 2)
    ends_us = np.concatenate(([0.0], np.cumsum(us)))
    changes_us = ends_us[first] + share * before_us
    unbroken = np.cumsum(tokens.breaks)[first + 1]
    together = unbroken[1:] == unbroken[:-1]
    every = np.diff(changes_us)
    stretches = every[together]
    if len(stretches) < FEWEST_CHANGES:
        return None
    cell_us = _cell_of(stretches, SHORTEST_CELL * float(tones_us[1]))
    if cell_us is None:
        return None
    counted = _Counted(first + share, is_long[first[:-1] + 1], np.round(every / cell_us), together)
    tones_us = _that_add_up(counted, cell_us, tones_us)
    cells = np.maximum(1, np.round(stretches / cell_us))
    error_us = stretches - cells * cell_us
    near = np.abs(error_us) < WHOLE_WITHIN * cell_us
    if near.mean() < WHOLE_SHARE:
        return None
    cell_sigma_us = float(max(1.4826 * np.median(np.abs(error_us)), 2.0))

    costs = np.minimum(off**2 / (2 * sigma**2) + np.log(sigma * np.sqrt(2 * np.pi)), UNKNOWN)
    # The half-wave in which the tone changes is as long as the change is late.
    straddling = np.where(np.abs(off[first[1:]]) > np.abs(off[first[1:] + 1]), first[1:], first[1:] + 1)[
        together
    ]
    slope_us = tones_us[0] * tones_us[1] / abs(tones_us[1] - tones_us[0])
    spread = cell_sigma_us / slope_us
    late = np.minimum(error_us**2 / (2 * cell_sigma_us**2) + np.log(spread * np.sqrt(2 * np.pi)), UNKNOWN)
    explained = costs < UNKNOWN
    explained[straddling[near]] = True
    costs[straddling] = np.minimum(costs[straddling], late)
    total_us = float(us.sum())
    cost = float(costs.sum()) + np.log(2.0) * total_us / cell_us
    return Cells(
        (float(tones_us[0]), float(tones_us[1])), cell_us, cost, sigma, cell_sigma_us,
        (int((~is_long).sum()), int(is_long.sum())), float(explained.mean()),
    )  # fmt: skip


@dataclass(frozen=True)
class _Counted:
    """What stands between one change of tone and the next.

    Parameters
    ----------
    half_waves : ndarray, shape (n + 1,)
        How many have gone by at each change, and which part of the one it is in.
    is_long, cells, is_whole : ndarray, shape (n,)
        Whether the tone in between is the low one, for how many cells, and whether nothing is missing.
    """

    half_waves: FloatArray
    is_long: npt.NDArray[np.bool_]
    cells: FloatArray
    is_whole: npt.NDArray[np.bool_]


def _that_add_up(counted: _Counted, cell_us: float, tones_us: FloatArray) -> FloatArray:
    """Find the half-waves of two tones of which as many as there are fit in the cells there are.

    A tone that lasts for a cycle or two has no half-wave without a change nearby. But half-waves go on from
    tone to tone, so from one change to another their number is exact, but for a few hundredths, and of all
    that lies between it is known how many cells were of either tone. Cells are the clock: no recorder runs
    evenly.
    """
    changes = np.flatnonzero(counted.is_long)  # to the same tone, so that all are late or early alike
    of_low, of_high = (
        np.concatenate(([0.0], np.cumsum(counted.cells * which)))[changes]
        for which in (counted.is_long, ~counted.is_long)
    )
    rows = np.stack([of_high, of_low, counted.half_waves[changes]], axis=1)
    part = np.concatenate(([0], np.cumsum(~counted.is_whole)))[changes]
    each = np.zeros(2)
    for count in CHANGES_TOGETHER:
        pieces = [
            some - some.mean(axis=0)
            for first in range(0, len(rows), count)
            for some in _of_one_part(rows[first : first + count], part[first : first + count])
        ]
        if each.any():  # else a cell was miscounted
            pieces = [some for some in pieces if np.abs(some[:, :2] @ each - some[:, 2]).max() < 0.5]
        if sum(map(len, pieces)) < FEWEST_CHANGES:
            return tones_us
        together = np.concatenate(pieces)
        each = np.linalg.lstsq(together[:, :2], together[:, 2], rcond=None)[0]
    if min(each) <= 0:
        return tones_us
    found = cell_us / each
    return found if np.abs(np.log(found / tones_us)).max() < MOST_MOVED else tones_us


def _of_one_part(rows: FloatArray, part: npt.NDArray[np.int64]) -> list[FloatArray]:
    """Rows between which nothing is missing."""
    return np.split(rows, np.flatnonzero(np.diff(part)) + 1)


def _cell_of(stretches_us: FloatArray, shortest_us: float) -> float | None:
    """The longest time of which all stretches are whole multiples, if there is one."""
    usual = stretches_us[stretches_us < LONGEST_CELL_US * MOST_CELLS]
    if len(usual) < FEWEST_CHANGES:
        return None
    low, high = shortest_us, min(LONGEST_CELL_US, 1.3 * float(np.percentile(usual, 30)))
    if high <= low:
        return None
    some = usual[:400]
    some = some[some < MOST_CELLS * high]
    tried = np.exp(np.arange(np.log(low), np.log(high), 0.004))
    fit = np.cos(2 * np.pi * some[np.newaxis, :] / tried[:, np.newaxis]).mean(axis=1)
    good = np.flatnonzero(fit > max(0.6, 0.88 * fit.max()))
    if not len(good):
        return None
    # The last hump that comes near the best one.
    last = good[-1]
    hump = good[good > last - 12]
    cell_us = float(tried[hump[np.argmax(fit[hump])]])
    for _ in range(3):
        cells = np.round(usual / cell_us)
        fits = (
            (cells > 0) & (cells <= MOST_CELLS) & (np.abs(usual - cells * cell_us) < WHOLE_WITHIN * cell_us)
        )
        if fits.sum() < FEWEST_CHANGES:
            return None
        cell_us = (
            float(np.median(usual[fits] / cells[fits]))
            if _ == 0
            else float((usual[fits] * cells[fits]).sum() / (cells[fits] ** 2).sum())
        )
    return cell_us
