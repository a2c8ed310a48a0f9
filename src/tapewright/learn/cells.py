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
#: Tones are counted between stretches of so many half-waves at least, each so many after the one before; the
#: count moves a tone by no more than this.
FEWEST_AROUND, ANCHORS_APART, MOST_MOVED = 4, 4, 0.03


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
    counted = _Counted(first, changes_us, is_long[first[:-1] + 1], np.round(every / cell_us), together)
    tones_us = _that_add_up(counted, ends_us, cell_us, tones_us)
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
    last : ndarray of int, shape (n + 1,)
        The last half-wave before each change.
    at_us : ndarray, shape (n + 1,)
        When the tone changes.
    is_long, cells, is_whole : ndarray, shape (n,)
        Whether the tone in between is the low one, for how many cells, and whether nothing is missing.
    """

    last: npt.NDArray[np.int64]
    at_us: FloatArray
    is_long: npt.NDArray[np.bool_]
    cells: FloatArray
    is_whole: npt.NDArray[np.bool_]


def _that_add_up(counted: _Counted, ends_us: FloatArray, cell_us: float, tones_us: FloatArray) -> FloatArray:
    """Find the half-waves of two tones of which as many as there are fit in the time there is.

    A tone that lasts for a cycle or two has no half-wave without a change nearby. But from the middle of one
    long stretch of a tone to the middle of another the number of half-waves is exact, and of all that lies
    between it is known how many cells were of the other tone. Cells are the clock: no recorder runs evenly.
    """
    sizes = np.diff(counted.last)
    base = max((True, False), key=lambda which: float(sizes[counted.is_long == which].mean()))
    is_base = counted.is_long == base
    anchors = np.flatnonzero(is_base & counted.is_whole & (sizes >= FEWEST_AROUND))[::ANCHORS_APART]
    marks = (counted.last[anchors] + counted.last[anchors + 1] + 2) // 2

    def between(each: npt.NDArray[np.generic]) -> FloatArray:
        return np.diff(np.concatenate(([0.0], np.cumsum(each)))[anchors])

    usable = between(~counted.is_whole) == 0
    tempo = np.diff(counted.at_us[anchors]) / np.maximum(between(counted.cells) * cell_us, 1.0)
    half_waves = np.diff(marks)[usable].astype(np.float64)
    terms = np.stack(
        [np.diff(ends_us[marks]) / tempo, between(np.where(is_base, 0.0, counted.cells))], axis=1
    )[usable]
    solved = np.zeros(2)
    for _ in range(2):
        if len(half_waves) < FEWEST_CHANGES:
            return tones_us
        solved = np.linalg.lstsq(terms, half_waves, rcond=None)[0]
        fits = np.abs(terms @ solved - half_waves) < 0.5  # else a cell was miscounted
        half_waves, terms = half_waves[fits], terms[fits]
    if solved[0] <= 0 or solved[0] * cell_us + solved[1] <= 0:
        return tones_us
    found = np.array([1 / solved[0], cell_us / (solved[0] * cell_us + solved[1])])
    found = found[::-1] if base else found
    return found if np.abs(np.log(found / tones_us)).max() < MOST_MOVED else tones_us


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
