"""The second pass: with the clock known, learn what the recorder made of each symbol, and search again.

Pass 1 (`search.py`) finds where a signal is and how its time runs. Here its clock is made smooth, the
recording is put on even time, where wow and flutter are gone, and waveforms, level and noise are learned from
it; a search that has nothing left to find but the symbols themselves then says which they are and how sure.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from tapewright.line.clock import even_samples, level_through, smooth_clock
from tapewright.line.grid import Grid
from tapewright.line.imprint import Hearing, Imprint, carriers
from tapewright.line.search import CHANGE_NATS
from tapewright.line.sequence import search_sequence
from tapewright.line.stretches import Stretch

__all__ = ["Polished", "polish"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: Nothing is believed to be cleaner than this Eb/N0 (15 dB): clean audio must not claim impossible certainty.
BEST_EB_N0 = 31.6
#: Sequences this many nats behind the best are given up.
BEAM_NATS = 45.0
#: What it costs, in nats, to claim that symbols faded away, and that they came back.
FADE_NATS = 9.0
RETURN_NATS = 3.0
#: Noise is averaged over this many symbols.
NOISE_SYMBOLS = 64
#: A stretch of fewer symbols says too little of its clock and waveforms; one of still fewer says nothing.
FEWEST_TO_LEARN, FEWEST_SYMBOLS = 16, 4
#: The phase of a free carrier is averaged over so many symbols.
CARRIER_SYMBOLS = 301
ROUNDS = 2


@dataclass(frozen=True, eq=False)
class Polished:
    """A stretch of symbols, one entry a symbol.

    Parameters
    ----------
    symbol : ndarray of int64
    start, end : ndarray of float64
        In samples of the window.
    log_p : ndarray of float64, shape (n, symbols)
        Natural log of each symbol's posterior.
    level, noise : ndarray of float64
        Amplitude of a symbol, and standard deviation of the noise per sample.
    restlessness : float
        Of the clock; see `clock.RESTLESSNESS`.
    imprint : Imprint
    """

    symbol: IntArray
    start: FloatArray
    end: FloatArray
    log_p: FloatArray
    level: FloatArray
    noise: FloatArray
    restlessness: float
    imprint: Imprint


def polish(
    heard: npt.NDArray[np.float32], stretch: Stretch, grid: Grid, gains: FloatArray, cost: FloatArray,
    is_bit: IntArray, is_sparse: bool,
) -> Polished | None:  # fmt: skip
    """Read one stretch again.

    Parameters
    ----------
    heard : ndarray of float32
        The window, at the receiver's rate.
    stretch : Stretch
        What pass 1 made of it.
    grid : Grid
    gains : ndarray of float64, shape (symbols,)
        Amplitude of each symbol against the ideal.
    cost : ndarray of float64, shape (symbols,)
        Nats each symbol costs before it is heard.
    is_bit : ndarray of int64
    is_sparse : bool
        Whether the alphabet is silent for part of the time, so that a fade may pass for data.
    """
    if len(stretch.symbol) < FEWEST_SYMBOLS:
        return None
    imprint = Imprint.ideal(grid, gains)
    if grid.phases == 1 and stretch.sign[0] == 1:
        heard = -heard
    at, pace = stretch.place.astype(np.float64), stretch.pace
    hearing, clock = _first_hearing(heard, stretch, grid)
    level, noise = _level_and_noise(hearing, imprint)
    restlessness = 0.0
    price = _prices(cost, is_bit)
    log_p = np.zeros((0, len(gains)))
    learns = len(stretch.symbol) >= FEWEST_TO_LEARN
    for _ in range(ROUNDS if learns else 1):
        if learns:
            at, clock, pace, restlessness = _clock(hearing, imprint, level, noise, at, clock, pace)
            even_samples(heard, at, clock, pace, hearing.even)
            level, noise = _level_and_noise(hearing, imprint)
            imprint = imprint.learned(hearing, level, (level / np.median(level)) ** 2)
            level, noise = _level_and_noise(hearing, imprint)
        hearing, log_p = _search(hearing, imprint, level, noise, price, is_bit, is_sparse)
        if not len(hearing.symbol):
            return None
        level, noise = _level_and_noise(hearing, imprint)
    edges = np.append(hearing.place, stretch.total).astype(np.float64)
    times = _times(edges, at, clock, pace)
    # a symbol of nominal amplitude has the energy of the ideal waveform
    nominal = np.sum(grid.ideal[:, 1 if grid.phases > 1 else 0] ** 2, axis=-1)[is_bit == 1]
    gain = float(np.mean(np.sqrt(imprint.energy[len(cost)].mean(axis=-1)[is_bit == 1] / nominal)))
    return Polished(
        hearing.symbol, times[:-1], times[1:], log_p, gain * level, np.sqrt(noise), restlessness, imprint
    )


def _first_hearing(
    heard: npt.NDArray[np.float32], stretch: Stretch, grid: Grid
) -> tuple[Hearing, FloatArray]:
    """Pass 1's symbols on even time by pass 1's clock; also returns that clock's places."""
    symbol, place = stretch.symbol, stretch.place
    even = np.empty(stretch.total, np.float32)
    start = stretch.start
    even_samples(heard, place.astype(np.float64), start, stretch.pace, even)
    goes_on = np.diff(place) == grid.length[symbol[:-1]]
    before = np.concatenate(([len(grid.length)], np.where(goes_on, symbol[:-1], len(grid.length))))
    phase = np.zeros(len(symbol), np.int64)
    if grid.phases == 2:
        phase = stretch.sign
    elif grid.phases > 2:
        start, phase = _on_the_carrier(heard, even, grid, stretch)
    return Hearing(even, symbol, place, before, phase), start


def _on_the_carrier(
    heard: npt.NDArray[np.float32], even: npt.NDArray[np.float32], grid: Grid, stretch: Stretch
) -> tuple[FloatArray, IntArray]:
    """Set the clock by a carrier whose phase runs free; refills `even`.

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
        turn = _phase_spacing(grid) / grid.phases
        usual = float(np.angle(np.exp(2j * np.pi * ahead[told] / turn).sum())) / (2 * np.pi) * turn
        known = ndimage.median_filter(ahead[told], min(CARRIER_SYMBOLS, len(told)))
        counted = np.round((known - usual) / turn)
        skips.append(counted[np.searchsorted(told, np.arange(len(symbol))).clip(0, len(told) - 1)])
    best = max(
        (_by_the_carrier(heard, even, grid, stretch, ahead, skip) for skip in skips),
        key=lambda found: found[0],
    )
    _, start, phase = best
    even_samples(heard, stretch.place.astype(np.float64), start, stretch.pace, even)
    return start, phase


def _by_the_carrier(
    heard: npt.NDArray[np.float32], even: npt.NDArray[np.float32], grid: Grid, stretch: Stretch,
    ahead: FloatArray, skips: FloatArray,
) -> tuple[float, FloatArray, IntArray]:  # fmt: skip
    """Draw one clock; the first number is how much of the carrier it explains."""
    symbol, place, pace = stretch.symbol, stretch.place, stretch.pace
    tape = place.astype(np.float64)
    turns_a_sample = float(grid.turns[symbol].sum() / grid.length[symbol].sum())
    spacing = _phase_spacing(grid)
    lead = ahead - spacing / grid.phases * skips
    changed = np.append(symbol[1:] != symbol[:-1], False)
    usual = float(np.median(lead[changed])) if changed.any() else float(np.median(lead))
    start = stretch.start - (lead - usual) / turns_a_sample * pace
    even_samples(heard, tape, start, pace, even)
    for _ in range(2):
        start -= _too_late(even, grid, symbol, place) * pace
        even_samples(heard, tape, start, pace, even)
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
    turned = np.angle(tone[1:] * np.conj(tone[:-1])) / (2 * np.pi) - grid.turns[symbol[:-1]]
    turned -= np.round(turned)
    pitch = grid.turns[symbol] / grid.length[symbol]
    higher = np.diff(pitch)
    follows = np.diff(place) == grid.length[symbol[:-1]]
    weight = float(np.sum(higher[follows] ** 2))
    return float(np.sum((turned * higher)[follows])) / weight if weight > 0 else 0.0


def _phase_spacing(grid: Grid) -> int:
    """Phases, in steps, that differ after the same number of symbols: 1 where symbols differ in length."""
    if np.any(grid.length[:2] != grid.length[0]):
        return 1
    steps = grid.phase_after[0]
    return int(np.gcd(steps[1] - steps[0], grid.phases))


def _level_and_noise(hearing: Hearing, imprint: Imprint) -> tuple[FloatArray, FloatArray]:
    """Amplitude at each symbol, and variance of the noise per sample."""
    sums = imprint.compare(hearing)
    total, fit, energy = sums[:, 0], sums[:, 1], sums[:, 2]
    length = imprint.grid.length[hearing.symbol].astype(np.float64)
    typical = float(np.median(energy[energy > 0])) if np.any(energy > 0) else 1.0
    sounding = energy > 0.02 * typical
    raw = np.where(sounding, fit / np.maximum(energy, 1e-12), 0.0)
    rough = max(float(np.median(raw[sounding])), 1e-6) if sounding.any() else 1.0
    left = np.maximum(total - 2 * rough * fit + rough**2 * energy, 0.0) / length
    noise = float(np.median(left))
    share = imprint.grid.share
    variance = np.where(sounding, noise / share / np.maximum(energy, 1e-12), np.inf)
    level = level_through(hearing.place.astype(np.float64), raw, np.maximum(variance, 1e-12))
    left = np.maximum(total - 2 * level * fit + level**2 * energy, 1e-6 * total) / length
    window = min(NOISE_SYMBOLS, len(left))
    mean = ndimage.uniform_filter1d(left * length, window, mode="nearest") / ndimage.uniform_filter1d(
        length, window, mode="nearest"
    )
    return level, np.maximum(mean, 1e-14)


def _clock(
    hearing: Hearing, imprint: Imprint, level: FloatArray, noise: FloatArray,
    at: FloatArray, clock: FloatArray, pace: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray, float]:  # fmt: skip
    """Measure how late each symbol is, and draw the clock through that."""
    sums = imprint.compare(hearing)
    lean = np.maximum(level * sums[:, 4], 1e-12)
    late = -(sums[:, 3] - level * sums[:, 5]) / lean
    share = imprint.grid.share
    variance = noise / share / (level * lean)
    limit = 0.25 * imprint.grid.length.min()
    tape = hearing.place.astype(np.float64)
    here = _times(tape, at, clock, pace)
    rate = np.interp(tape, at, pace)
    bad = (np.abs(late) > limit) | (sums[:, 4] <= 1e-9)
    variance = np.where(bad, np.inf, variance * rate**2)
    place, speed, restlessness = smooth_clock(tape, here + late * rate, variance, float(np.median(pace)))
    return tape, place, speed, restlessness


def _times(tape: FloatArray, at: FloatArray, clock: FloatArray, pace: FloatArray) -> FloatArray:
    """Places in the recording of tape times, by the clock's cubic."""
    k = np.clip(np.searchsorted(at, tape, side="right") - 1, 0, max(len(at) - 2, 0))
    if len(at) < 2:
        return np.asarray(clock[0] + pace[0] * (tape - at[0]))
    width = at[k + 1] - at[k]
    u = (tape - at[k]) / width
    a, b, da, db = clock[k], clock[k + 1], pace[k] * width, pace[k + 1] * width
    inside = a + u * (da + u * (3 * (b - a) - 2 * da - db + u * (2 * (a - b) + da + db)))
    return np.asarray(np.where(tape > at[-1], clock[-1] + pace[-1] * (tape - at[-1]), inside))


def _prices(cost: FloatArray, is_bit: IntArray) -> FloatArray:
    """Nats each symbol costs after each other: bits and other symbols come in runs of their own."""
    changes = is_bit[:, np.newaxis] != is_bit[np.newaxis, :]
    return np.vstack((cost + CHANGE_NATS * changes, cost))


def _search(
    hearing: Hearing, imprint: Imprint, level: FloatArray, noise: FloatArray, price: FloatArray,
    is_bit: IntArray, is_sparse: bool,
) -> tuple[Hearing, FloatArray]:  # fmt: skip
    grid = imprint.grid
    symbols = len(grid.length)
    bit_energy = float(np.mean(imprint.energy[symbols][is_bit == 1]))
    sharpness = np.minimum(grid.share * level**2 / noise, 2 * BEST_EB_N0 / bit_energy)
    step = int(np.gcd.reduce(grid.length))
    total = len(hearing.even)
    nodes = np.arange(0, total, step)
    middle = hearing.place + 0.5 * grid.length[hearing.symbol]
    level_at = np.interp(nodes, middle, level)
    sharpness_at = np.interp(nodes, middle, sharpness)
    most = total // int(grid.length.min()) + 1
    symbol, place, before, phase = (np.empty(most, np.int64) for _ in range(4))
    log_p = np.empty((most, symbols))
    first = int(hearing.phase[0]) if grid.phases > 1 else 0
    count = search_sequence(
        hearing.even, level_at, sharpness_at, imprint.wave, imprint.energy, grid.basis, grid.length,
        grid.phase_after, price, step, first, FADE_NATS if is_sparse else -1.0, RETURN_NATS, BEAM_NATS,
        symbol, place, before, phase, log_p,
    )  # fmt: skip
    if count <= 0:
        return replace(hearing, symbol=symbol[:0]), log_p[:0]
    found = Hearing(hearing.even, symbol[:count], place[:count], before[:count], phase[:count])
    return found, log_p[:count]
