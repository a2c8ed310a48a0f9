"""Symbols and clock of a free carrier, found together: a wrong symbol must not carry the clock away.

After a wrong symbol the phase of a free carrier is another, and a clock that is drawn through it runs to make
up for that; then every symbol that follows seems right, though the clock never ran so. So of all sequences of
symbols, each with the clock that is likeliest for it, the likeliest is searched.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from tapewright.compiled import kernel
from tapewright.line.carrier import phase_spacing
from tapewright.line.clock import RESTLESSNESS, Clock, clock_times, corrected, run_on, typical_of
from tapewright.line.grid import Grid
from tapewright.line.imprint import Hearing, Imprint, carriers

__all__ = ["Retraced", "can_retrace", "retrace"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: Paths are told apart by so many last symbols: only the next ones tell whose clock was right.
LAST_SYMBOLS = 3
#: Sequences this many nats behind the best are given up.
BEAM_NATS = 16.0
#: A carrier of more classes of phases than this is not retraced: they are too near one another to be told
#: apart (measured: of six, flutter leads from one to the next).
MOST_CLASSES = 4
#: How restless the clock is is judged by so many symbols at most.
MOST_TO_TRY = 2000
_DEAD = -1e30


class Retraced(NamedTuple):
    """Symbols; where the carrier puts the middle of each, and the variance of that."""

    hearing: Hearing
    middle: FloatArray
    variance: FloatArray


class _Told(NamedTuple):
    """What the carrier tells if a symbol is a 0, and if it is a 1: arrays of shape (n, 2), others (n,).

    `at` and `here` are tape time and place of the symbol's middle by the clock so far; `late` is how late the
    carrier says it is, with the `variance` of that; `gain` is a symbol's log-likelihood whatever the phase;
    `cycle` is the length of one; `ahead` is by how many classes the phase after it is ahead of that taken so
    far. `part` is one class as a time. `follows` says whether it begins where the one before ended.
    """

    at: FloatArray
    here: FloatArray
    late: FloatArray
    variance: FloatArray
    gain: FloatArray
    cycle: FloatArray
    ahead: IntArray
    part: FloatArray
    follows: npt.NDArray[np.bool_]

    def around_the_middle(self, most: int) -> _Told:
        """So many symbols of it."""
        first = max(0, (len(self.at) - most) // 2)
        return _Told._make(field[first : first + most] for field in self)


class _Path(NamedTuple):
    """Which of the two each symbol is, by how many classes its phase is ahead, and where its middle is."""

    option: IntArray
    ahead: IntArray
    middle: FloatArray


def can_retrace(grid: Grid) -> bool:
    """Whether the phases after so many symbols are some of a few: bits of a free carrier, of one length."""
    is_free = grid.phases > 2 and grid.length[0] == grid.length[1]
    return bool(is_free and 1 < _classes(grid) <= MOST_CLASSES)


def _classes(grid: Grid) -> int:
    return grid.phases // phase_spacing(grid)


def retrace(
    hearing: Hearing, imprint: Imprint, clock: Clock, level: FloatArray, noise: FloatArray, price: FloatArray
) -> Retraced:
    """Search symbols and clock at once.

    Parameters
    ----------
    hearing : Hearing
        On even time by `clock`; other symbols than the two bits stay as they are.
    imprint : Imprint
    clock : Clock
    level, noise : ndarray of float64, shape (n,)
        Amplitude of each symbol, and variance of the noise in a grid sample there.
    price : ndarray of float64, shape (symbols,)
        Nats each symbol costs.
    """
    grid, symbol = imprint.grid, hearing.symbol
    option = np.where((symbol < 2)[:, np.newaxis], np.arange(2), symbol[:, np.newaxis])
    told = _told(hearing, imprint, clock, option, level, noise, price)
    pace, classes = typical_of(clock.pace), _classes(grid)
    some = told.around_the_middle(MOST_TO_TRY)
    density, most, falling = float(RESTLESSNESS[-1]), -math.inf, 0
    for trial in RESTLESSNESS[::-1].tolist():  # a clock too stiff slips all the time
        _, likelihood = _likeliest(some, pace, trial, classes, 0)
        if likelihood > most:
            density, most, falling = trial, likelihood, 0
        else:
            falling += 1
            if falling == 2:
                break
    path, _ = _likeliest(told, pace, density, classes, LAST_SYMBOLS)
    each = np.arange(len(symbol)), path.option
    phase = (hearing.phase + phase_spacing(grid) * path.ahead) % grid.phases
    found = Hearing.of(hearing.even, option[each], hearing.place, phase, grid)
    return Retraced(found, path.middle, told.variance[each])


def _told(
    hearing: Hearing, imprint: Imprint, clock: Clock, option: IntArray, level: FloatArray, noise: FloatArray,
    price: FloatArray,
) -> _Told:  # fmt: skip
    grid, symbol, place = imprint.grid, hearing.symbol, hearing.place
    at = place + 0.5 * grid.length[symbol]
    rate = np.interp(at, clock.at, clock.pace)
    energy = imprint.energy[-1].mean(axis=1)[option]
    sharp = (grid.share * level / noise)[:, np.newaxis]
    heard = np.stack(
        [carriers(hearing.even, m, place, grid.length, imprint.wave[-1]) for m in option.T], axis=1
    )
    early = np.angle(heard) / (2 * np.pi) - (hearing.phase / grid.phases)[:, np.newaxis]
    early -= np.round(early)
    cycle = grid.length[option] / grid.turns[option] * rate[:, np.newaxis]
    fit = np.maximum(np.abs(heard) * energy * sharp, 1e-6)
    gain = fit - 0.5 * energy * level[:, np.newaxis] * sharp - price[option]
    gain[symbol >= 2, 1] = _DEAD
    steps = grid.phase_after[0]
    taken = np.append(np.diff(hearing.phase), steps[symbol[-1]])
    ahead = ((steps[option] - taken[:, np.newaxis]) % grid.phases) // phase_spacing(grid)
    part = rate * float(grid.length[:2].sum() / grid.turns[:2].sum()) / _classes(grid)
    follows = np.append(True, np.diff(place) == grid.length[symbol[:-1]])
    return _Told(
        at, clock_times(at, *clock), -early * cycle, (cycle / (2 * np.pi)) ** 2 / fit, gain, cycle, ahead,
        part, follows,
    )  # fmt: skip


def _likeliest(told: _Told, pace: float, density: float, classes: int, last: int) -> tuple[_Path, float]:
    count = len(told.at)
    path = _Path(np.empty(count, np.int64), np.empty(count, np.int64), np.empty(count))
    return path, float(_search(told, pace, density, classes, 1 << last, BEAM_NATS, path))


@kernel
def _search(told, pace, density, classes, memory, beam, path):  # type: ignore[no-untyped-def]
    """Fill a path; returns its log-likelihood.

    A state is a class of phases, the last symbols, and by how many classes the clock is late, to the nearest:
    a clock may be wrong by that and the phase as well, and only the places where tones change tell. Each
    state has one survivor, whose clock is a Kalman filter of its own. Where a symbol does not follow on the
    one before, any phase may.
    """
    at, here, part = told.at, told.here, told.part
    states = classes * classes * memory
    came = np.empty((len(at), states), np.int16)
    by = np.empty((len(at), states), np.int8)
    entered = np.empty((len(at), states), np.int8)
    middle = np.empty((len(at), states))
    clock, reached = np.zeros((states, 5)), np.zeros((states, 5))
    score, total = np.full(states, _DEAD), np.full(states, _DEAD)
    live, next_live = np.empty(states, np.int64), np.empty(states, np.int64)
    alive = classes
    for k in range(classes):
        s = (k * classes + k) * memory
        live[k], score[s] = s, 0.0
        clock[s, 0] = here[0] + (k if 2 * k < classes else k - classes) * part[0]
        clock[s, 1], clock[s, 2], clock[s, 4] = pace, 0.25 * part[0] ** 2, 1e-4  # to half a class and 1 %
    for i in range(len(at)):
        dt = at[i] - at[i - 1] if i > 0 else 0.0
        least = _DEAD
        for k in range(alive):
            least = max(least, score[live[k]] - beam)
        reaching = 0
        for j in range(alive):
            s = live[j]
            if score[s] < least:
                continue
            x, v, pxx, pxv, pvv = clock[s]
            clock[s] = x, v, pxx, pxv, pvv = run_on(x, v, pxx, pxv, pvv, dt, density)
            for jump in range(1 if told.follows[i] else classes):
                k = (s // (classes * memory) + jump) % classes
                for m in range(2):
                    if told.gain[i, m] <= _DEAD:
                        continue
                    off = here[i] + told.late[i, m] + k * told.cycle[i, m] / classes - x
                    off -= told.cycle[i, m] * math.floor(off / told.cycle[i, m] + 0.5)
                    spread = pxx + told.variance[i, m]
                    value = score[s] + told.gain[i, m]
                    value -= 0.5 * (off * off / spread + math.log(spread / told.variance[i, m]))
                    late = math.floor((x + pxx / spread * off - here[i]) / part[i] + 0.5) % classes
                    to = ((k + told.ahead[i, m]) % classes * classes + late) * memory + (2 * s + m) % memory
                    if total[to] <= _DEAD:
                        next_live[reaching] = to
                        reaching += 1
                    if value > total[to]:
                        total[to], came[i, to], by[i, to], entered[i, to] = value, s, m, k
                        middle[i, to] = x + off
        for k in range(reaching):
            to = next_live[k]
            x, v, pxx, pxv, pvv = clock[came[i, to]]
            reached[to] = corrected(x, v, pxx, pxv, pvv, middle[i, to] - x, told.variance[i, by[i, to]])
        for k in range(alive):
            score[live[k]] = _DEAD
        clock, reached = reached, clock
        score, total = total, score
        live, next_live, alive = next_live, live, reaching
    s = live[0]
    for k in range(alive):
        if score[live[k]] > score[s]:
            s = live[k]
    likelihood = score[s]
    for i in range(len(at) - 1, -1, -1):
        path.option[i], path.ahead[i], path.middle[i] = by[i, s], entered[i, s], middle[i, s]
        s = came[i, s]
    return likelihood
