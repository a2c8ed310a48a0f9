"""The clock of formats whose carrier runs free: its phase tells the time, and where symbols begin."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt

from tapewright.line.averages import running_median
from tapewright.line.clock import even_samples
from tapewright.line.grid import Grid
from tapewright.line.imprint import carriers
from tapewright.line.stretches import Stretch

__all__ = ["on_even_phases", "on_the_carrier", "phase_spacing"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: The phase of a free carrier is averaged over so many symbols.
CARRIER_SYMBOLS = 301
#: Symbols are moved to where they begin so many times, or until less than this share of the shortest is left.
MOST_MOVES, IN_PLACE = 2, 1e-3


def on_even_phases(heard: npt.NDArray[np.float32], grid: Grid, stretch: Stretch) -> npt.NDArray[np.float32]:
    """Move a stretch in pitch, so that its tones turn by whole steps of the grid's phases.

    By a few hertz at most, on the clock of pass 1: the clock is drawn anew from what is heard afterwards.
    """
    if not grid.drift:
        return heard
    spectrum = np.fft.rfft(heard)
    quarter_later = np.fft.irfft(-1j * spectrum, len(heard))
    time = np.interp(np.arange(len(heard)), stretch.start, stretch.place)
    angle = 2 * np.pi * grid.drift * time
    return (heard * np.cos(angle) + quarter_later * np.sin(angle)).astype(np.float32)


def on_the_carrier(
    heard: npt.NDArray[np.float32], even: npt.NDArray[np.float32], grid: Grid, stretch: Stretch
) -> tuple[FloatArray, IntArray]:
    """Set the clock by a carrier whose phase runs free; fills `even`.

    Pass 1 kept symbols in place by moving their ends along the carrier. The carrier is the better clock, but
    for the times when a wrong symbol made it skip to another phase that is possible there: so the clock that
    explains more of the carrier is taken, of one that knows such skips and one that does not.

    Returns
    -------
    start : ndarray of float64
        Places of the symbols by that clock.
    phase : ndarray of int64
        Phase at which each symbol is entered.
    """
    symbol = stretch.symbol
    changed = np.append(False, symbol[1:] != symbol[:-1])
    told = np.flatnonzero(changed | np.append(changed[1:], False))
    ahead = _moved_along(stretch, grid)
    skips = [np.zeros(len(symbol))]
    if len(told):  # leaders do not tell where symbols begin
        turn = phase_spacing(grid) / grid.phases
        usual = float(np.angle(np.exp(2j * np.pi * ahead[told] / turn).sum())) / (2 * np.pi) * turn
        known = running_median(ahead[told], min(CARRIER_SYMBOLS, len(told)))
        counted = np.round((known - usual) / turn)
        if counted.any():
            skips.append(counted[np.searchsorted(told, np.arange(len(symbol))).clip(0, len(told) - 1)])
    best = max(
        (_by_the_carrier(heard, even, grid, stretch, ahead, skip) for skip in skips),
        key=lambda found: found[0],
    )
    _, start, phase = best
    even_samples(heard, stretch.place.astype(np.float64), start, stretch.pace, grid.taps, even)
    return start, phase


def _by_the_carrier(
    heard: npt.NDArray[np.float32], even: npt.NDArray[np.float32], grid: Grid, stretch: Stretch,
    ahead: FloatArray, skips: FloatArray,
) -> tuple[float, FloatArray, IntArray]:  # fmt: skip
    """Draw one clock; the first number is how much of the carrier it explains."""
    symbol, place, pace = stretch.symbol, stretch.place, stretch.pace
    tape = place.astype(np.float64)
    turns_a_sample = float(grid.turns[symbol].sum() / grid.length[symbol].sum())
    spacing = phase_spacing(grid)
    lead = ahead - spacing / grid.phases * skips
    changed = np.append(symbol[1:] != symbol[:-1], False)
    usual = float(np.median(lead[changed])) if changed.any() else float(np.median(lead))
    start = stretch.start - (lead - usual) / turns_a_sample * pace
    even_samples(heard, tape, start, pace, grid.taps, even)
    for _ in range(MOST_MOVES):
        late = _too_late(even, grid, symbol, place)
        if abs(late) < IN_PLACE * grid.length.min():
            break
        start -= late * pace
        even_samples(heard, tape, start, pace, grid.taps, even)
    steps = grid.phase_after[0][symbol]
    lost = np.append(0, np.round((np.diff(place) - grid.length[symbol[:-1]]) / grid.length[0]))
    moved = np.cumsum(np.append(0, steps[:-1]) + lost * grid.phase_after[0, 0]) + spacing * skips
    off = carriers(even, symbol, place, grid.length, grid.ideal) * np.exp(-2j * np.pi * moved / grid.phases)
    breaks = [0, *(np.flatnonzero(lost != 0)), len(symbol)]
    phase = np.empty(len(symbol), np.int64)
    explained, first = 0.0, 0
    for k, (a, b) in enumerate(pairwise(breaks)):
        # the symbols missing before a part leave open only some of the phases
        angle = float(np.angle(off[a:b].sum())) / (2 * np.pi) * grid.phases
        first = round(angle) if k == 0 else first + spacing * round((angle - first) / spacing)
        start[a:b] -= (angle - first) / grid.phases / turns_a_sample * pace[a:b]
        phase[a:b] = (moved[a:b] + first) % grid.phases
        explained += float(abs(off[a:b].sum()))
    return explained, start, phase


def _moved_along(stretch: Stretch, grid: Grid) -> FloatArray:
    """How far pass 1 moved the beginning of each symbol along the carrier, in turns, all moves added up."""
    symbol = stretch.symbol
    turns = grid.turns[symbol][:-1]
    moved = np.diff(stretch.phase) - turns
    length = np.diff(stretch.start) / float(np.median(stretch.pace))
    moved += np.round((length / grid.length[symbol][:-1] - 1.0) * turns - moved)  # whole turns
    missing = np.diff(stretch.place) != grid.length[symbol[:-1]]
    moved[missing] = 0.0
    return np.concatenate(([0.0], np.cumsum(moved)))


def _too_late(even: npt.NDArray[np.float32], grid: Grid, symbol: IntArray, place: IntArray) -> float:
    """How many grid samples too late symbols are taken to begin, by the phase of a free carrier.

    A tone that is followed back to a beginning too late has turned too far: by as much as its pitch is higher
    than that of the symbol before.
    """
    tone = carriers(even, symbol, place, grid.length, grid.ideal)
    turned = (
        np.angle(tone[1:] * np.conj(tone[:-1])) / (2 * np.pi) - grid.phase_after[0, symbol[:-1]] / grid.phases
    )
    turned -= np.round(turned)
    pitch = grid.turns[symbol] / grid.length[symbol]
    higher = np.diff(pitch)
    follows = np.diff(place) == grid.length[symbol[:-1]]
    weight = float(np.sum(higher[follows] ** 2))
    return float(np.sum((turned * higher)[follows])) / weight if weight > 0 else 0.0


def phase_spacing(grid: Grid) -> int:
    """Phases, in steps, that differ after the same number of symbols: 1 where symbols differ in length."""
    if np.any(grid.length[:2] != grid.length[0]):
        return 1
    steps = grid.phase_after[0]
    return int(np.gcd(steps[1] - steps[0], grid.phases))
