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
from numba import njit

from tapewright.line.clock import RESTLESSNESS, Clock, clock_times, corrected, run_on
from tapewright.line.imprint import Hearing, Imprint, carriers

__all__ = ["Retraced", "can_retrace", "retrace"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: Sequences this many nats behind the best are given up.
BEAM_NATS = 25.0
_DEAD = -1e30


class Retraced(NamedTuple):
    """Symbols; where the carrier puts the middle of each, and the variance of that; the clock's restlessness."""

    hearing: Hearing
    middle: FloatArray
    variance: FloatArray
    density: float


def can_retrace(imprint: Imprint) -> bool:
    """Whether phases after so many symbols are some of a few: bits of a free carrier, of one length."""
    grid = imprint.grid
    return grid.phases > 2 and bool(grid.length[0] == grid.length[1])


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
    grid, symbol, place = imprint.grid, hearing.symbol, hearing.place
    tape = place + 0.5 * grid.length[symbol]  # a symbol tells the time in its middle best
    here = clock_times(tape, *clock)
    rate = np.interp(tape, clock.at, clock.pace)
    is_bit = symbol < 2
    option = np.where(is_bit[:, np.newaxis], np.arange(2), symbol[:, np.newaxis])
    steps = grid.phase_after[0]
    spacing = int(np.gcd(steps[1] - steps[0], grid.phases))
    classes = grid.phases // spacing
    waves = imprint.wave[-1]
    shape = option.shape
    late, variance, gain = (np.empty(shape) for _ in range(3))
    energy = imprint.energy[-1].mean(axis=1)
    sharp = grid.share * level / noise
    for k in range(2):
        m = option[:, k]
        heard = carriers(hearing.even, m, place, grid.length, waves)
        turned = np.angle(heard) / (2 * np.pi) - hearing.phase / grid.phases
        turned -= np.round(turned)
        samples = grid.length[m] / grid.turns[m] * rate  # of a cycle
        late[:, k] = -turned * samples
        fit = np.maximum(np.abs(heard) * energy[m] * sharp, 1e-6)
        variance[:, k] = (samples / (2 * np.pi)) ** 2 / fit
        gain[:, k] = fit - 0.5 * energy[m] * level * sharp - price[m]
    gain[~is_bit, 1] = _DEAD
    pitch = grid.turns[:2].sum() / grid.length[:2].sum()
    part = rate / pitch / classes
    cycle = grid.length[option] / grid.turns[option] * rate[:, np.newaxis]
    taken = np.append(np.diff(hearing.phase), steps[symbol[-1]])
    slip = ((steps[option] - taken[:, np.newaxis]) % grid.phases) // spacing
    follows = np.append(True, np.diff(place) == grid.length[symbol[:-1]])
    chosen, count = np.zeros(len(symbol), np.int64), np.zeros(len(symbol), np.int64)
    found = np.empty(len(symbol))
    room = np.empty((3, len(symbol), classes * classes), np.int16)
    told = np.empty((len(symbol), classes * classes))
    pace = float(np.median(clock.pace))
    best, most, falling = (chosen, count, found, float(RESTLESSNESS[-1])), -math.inf, 0
    for density in RESTLESSNESS[::-1]:  # a clock too stiff slips all the time
        likelihood = float(
            _search(tape, here, late, variance, gain, cycle, part, slip, follows, pace, density, room, told, chosen,
                count, found)
        )
        if likelihood > most:
            best, most, falling = (chosen.copy(), count.copy(), found.copy(), float(density)), likelihood, 0
        else:
            falling += 1
            if falling == 2:
                break
    chosen, count, found, density = best
    each = np.arange(len(symbol))
    phase = (hearing.phase + spacing * count) % grid.phases
    return Retraced(
        Hearing.of(hearing.even, option[each, chosen], place, phase, grid),
        found,
        variance[each, chosen],
        density,
    )


@njit(cache=True, nogil=True)
def _search(  # type: ignore[no-untyped-def]
    at, here, late, variance, gain, cycle, part, slip, follows, pace, density, room, told, chosen,
    count, found,
):  # fmt: skip
    """Fill which option each symbol is, and by how many classes its phase is ahead; returns the likelihood.

    A state is a class of phases, and by how many classes the clock is late, to the next whole one: a clock may
    be wrong by that and the phase as well, and only the places where tones change tell. Each state has one
    survivor, whose clock is a Kalman filter of its own. Where a symbol does not follow on the one before, any
    phase may.
    """
    came, by, entered = room
    states = came.shape[1]
    classes = int(math.sqrt(states) + 0.5)
    clock, reached = np.zeros((states, 5)), np.zeros((states, 5))
    score, total = np.full(states, _DEAD), np.empty(states)
    for k in range(classes):
        s = k * classes + k
        score[s] = 0.0
        clock[s, 0] = here[0] + (k if 2 * k < classes else k - classes) * part[0]
        clock[s, 1], clock[s, 2], clock[s, 4] = pace, 0.25 * part[0] ** 2, 1e-4  # to half a class and 1 %
    for i in range(len(at)):
        if i > 0:
            for s in range(states):
                if score[s] > _DEAD:
                    x, v, pxx, pxv, pvv = clock[s]
                    clock[s] = run_on(x, v, pxx, pxv, pvv, at[i] - at[i - 1], density)
        least = score.max() - BEAM_NATS
        total[:] = _DEAD
        for s in range(states):
            if score[s] < least:
                continue
            x, pxx = clock[s, 0], clock[s, 2]
            for jump in range(1 if follows[i] else classes):
                e = (s // classes + jump) % classes
                for m in range(2):
                    if gain[i, m] <= _DEAD:
                        continue
                    off = _off(here[i] + late[i, m] - x, e, classes, cycle[i, m])
                    spread = pxx + variance[i, m]
                    value = score[s] + gain[i, m]
                    value -= 0.5 * (off * off / spread + math.log(spread / variance[i, m]))
                    moved = x + pxx / spread * off - here[i]
                    to = (e + slip[i, m]) % classes * classes + math.floor(moved / part[i] + 0.5) % classes
                    if value > total[to]:
                        total[to], came[i, to], by[i, to], entered[i, to] = value, s, m, e
                        told[i, to] = x + off
        for to in range(states):
            if total[to] > _DEAD:
                s, m = came[i, to], by[i, to]
                x, v, pxx, pxv, pvv = clock[s]
                reached[to] = corrected(x, v, pxx, pxv, pvv, told[i, to] - x, variance[i, m])
        clock, reached = reached, clock
        score, total = total, score
    s = int(np.argmax(score))
    likelihood = score[s]
    for i in range(len(at) - 1, -1, -1):
        chosen[i], count[i], found[i] = by[i, s], entered[i, s], told[i, s]
        s = came[i, s]
    return likelihood


@njit(cache=True, nogil=True, inline="always")
def _off(off, k, classes, cycle):  # type: ignore[no-untyped-def]
    """How far off a clock is, to within half a cycle, if the phase is `k` classes ahead."""
    off += k * cycle / classes
    return off - cycle * math.floor(off / cycle + 0.5)
