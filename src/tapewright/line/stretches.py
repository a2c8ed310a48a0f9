"""From the first pass' path to stretches on the even grid that the second pass reads in one go."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tapewright.line.grid import Grid
from tapewright.line.search import Path

__all__ = ["FARTHEST", "Stretch", "stretches"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: A slip between two pieces of data is a mistake of pass 1, and no jump of the tape, if it leaves symbols in
#: step: to within this share of the shortest half-wave, or of a symbol where the carrier runs free (it is put
#: right afterwards).
IN_STEP, FREE_IN_STEP = 0.5, 0.3
#: Changes of symbol on either side by which pieces are data: a leader does not tell where symbols begin.
FEWEST_CHANGES = 4
#: Pieces further apart than this many of the longest symbol are not joined.
FARTHEST = 2.5


@dataclass(frozen=True, eq=False)
class Stretch:
    """Symbols on one grid, in order; some may be missing in between.

    Parameters
    ----------
    symbol, place : ndarray of int64, shape (n,)
        Which symbol, and its first grid sample; the first place is 0.
    start : ndarray of float64, shape (n,)
        Where it begins, in samples of the window.
    pace : ndarray of float64, shape (n,)
        Samples to a grid sample.
    sign : ndarray of int64, shape (n,)
    phase : ndarray of float64, shape (n,)
    is_clear : ndarray of bool, shape (n,)
        As in `Path`.
    total : int
        Grid samples from the first symbol's beginning to the last one's end.
    """

    symbol: IntArray
    place: IntArray
    start: FloatArray
    pace: FloatArray
    sign: IntArray
    phase: FloatArray
    is_clear: npt.NDArray[np.bool_]
    total: int


def stretches(path: Path, grid: Grid) -> list[Stretch]:
    """Cut a path where it does not go on, but for slips between data that stay in step."""
    if not len(path):
        return []
    firsts = np.flatnonzero(path.is_first)
    pieces = [path.part(slice(a, b)) for a, b in zip(firsts, [*firsts[1:], len(path)], strict=True)]
    groups: list[list[Path]] = []
    offsets: list[list[int]] = []
    for piece in pieces:
        step = _step_between(groups[-1][-1], piece, grid) if groups else None
        if step is None:
            groups.append([piece])
            offsets.append([0])
        else:
            groups[-1].append(piece)
            offsets[-1].append(step)
    return [_joined(group, steps, grid) for group, steps in zip(groups, offsets, strict=True)]


def _changes(piece: Path) -> int:
    return int(np.count_nonzero(np.diff(piece.symbol)))


def _pace(piece: Path, grid: Grid) -> float:
    return float((piece.end - piece.start).sum() / grid.length[piece.symbol].sum())


def _step_between(one: Path, other: Path, grid: Grid) -> int | None:
    """Grid samples from the end of one piece to the beginning of the next; None where they do not belong
    together.
    """
    if min(_changes(one), _changes(other)) < FEWEST_CHANGES:
        return None
    apart = float(other.start[0] - one.end[-1]) / _pace(one, grid)
    step = grid.step * round(apart / grid.step)
    is_free = grid.phases > 2
    near = FREE_IN_STEP * grid.length.min() if is_free else IN_STEP * grid.half_wave
    if abs(apart - step) > near or abs(apart) > FARTHEST * grid.length.max():
        return None
    if grid.phases == 1 and one.sign[-1] != other.sign[0]:
        return None
    if step < 0 and -step > grid.length[one.symbol[-3:]].sum():
        return None
    return step


def _joined(group: list[Path], steps: list[int], grid: Grid) -> Stretch:
    """Put pieces on one grid. All are moved in time to be in step with the one that has most data."""
    places: list[IntArray] = []
    ends: list[float] = []
    jumps: list[float] = []
    end = 0
    jump = 0.0
    for piece, step in zip(group, steps, strict=True):
        place = end + step + np.concatenate(([0], np.cumsum(grid.length[piece.symbol])))
        if places:
            jump += float(piece.start[0] - ends[-1]) - step * _pace(piece, grid)
        end = int(place[-1])
        places.append(place[:-1])
        ends.append(float(piece.end[-1]))
        jumps.append(jump)
    most = max(range(len(group)), key=lambda k: _changes(group[k]))
    kept = [np.ones(len(place), np.bool_) for place in places]
    for k in range(1, len(group)):  # what two pieces both claim is the later one's
        first = places[k][0]
        before = places[k - 1] + grid.length[group[k - 1].symbol] > first
        kept[k - 1] &= ~before
    return Stretch(
        np.concatenate([piece.symbol[keep] for piece, keep in zip(group, kept, strict=True)]),
        np.concatenate([place[keep] for place, keep in zip(places, kept, strict=True)]),
        np.concatenate(
            [
                piece.start[keep] - jump + jumps[most]
                for piece, jump, keep in zip(group, jumps, kept, strict=True)
            ]
        ),
        np.concatenate(
            [
                ((piece.end - piece.start) / grid.length[piece.symbol])[keep]
                for piece, keep in zip(group, kept, strict=True)
            ]
        ),
        np.concatenate([piece.sign[keep] for piece, keep in zip(group, kept, strict=True)]),
        np.concatenate([piece.phase[keep] for piece, keep in zip(group, kept, strict=True)]),
        np.concatenate([piece.is_clear[keep] for piece, keep in zip(group, kept, strict=True)]),
        end,
    )
