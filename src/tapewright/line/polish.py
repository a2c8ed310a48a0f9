"""The second pass: with the clock known, learn what the recorder made of each symbol, and search again.

Pass 1 (`search.py`) finds where a signal is and how its time runs. Here its clock is made smooth, the
recording is put on even time, where wow and flutter are gone, and waveforms, level and noise are learned from
it; a search that has nothing left to find but the symbols themselves then says which they are and how sure.
Symbols that pass 1 followed beyond doubt stay as they are.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from tapewright.line.averages import running_mean
from tapewright.line.carrier import on_even_phases, on_the_carrier
from tapewright.line.clock import (
    Clock,
    clock_times,
    even_samples,
    is_forward,
    level_through,
    smooth_clock,
    typical_of,
)
from tapewright.line.doubt import share_of_doubt
from tapewright.line.grid import Grid
from tapewright.line.imprint import Hearing, Imprint
from tapewright.line.lows import has_lows, put_back_lows
from tapewright.line.retrace import can_retrace, retrace
from tapewright.line.scene import BEST_EB_N0
from tapewright.line.search import prices
from tapewright.line.sequence import search_sequence
from tapewright.line.stretches import Stretch
from tapewright.line.templates import BIT
from tapewright.model.runs import runs_of

__all__ = ["Ear", "Polished", "harmonics_worth", "learns_much", "polish"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: Sequences this many nats behind the best are given up (measured: 45 say the same of every symbol at the
#: edge of what can be read, and take half as long again).
BEAM_NATS = 32.0
#: Where pass 1 was beyond doubt, nothing is searched but so many symbols next to those that are in doubt.
SETTLED_SYMBOLS = 32
#: What it costs, in nats, to claim that symbols faded away, and that they came back.
FADE_NATS = 9.0
RETURN_NATS = 3.0
#: A level of so many symbols that is below this share of the level around may be a fade.
FADED_SYMBOLS, FADED_SHARE = 5, 0.4
#: A clock that is so many symbols away from pass 1's has nothing to do with what was heard.
STRAYED = 4.0
#: Noise is averaged over this many symbols.
NOISE_SYMBOLS = 64
#: Where there is next to none, it is measured on so many symbols at most, evenly spread.
MOST_TO_MEASURE = 4096
#: A stretch of fewer symbols says too little of its clock and waveforms; one of still fewer says nothing.
FEWEST_TO_LEARN, FEWEST_SYMBOLS = 16, 4
#: How likely it is, at least, that a stretch of fewer symbols than this belongs to something else: music and
#: speech are full of such pieces (measured: without it, 0.2 % of speech is symbols surer than 0.99).
FEWEST_TO_TRUST, SHORT_DOUBT = 32, 0.05
#: The same where one symbol goes on with next to no changes: a note of the right pitch is no leader.
FEWEST_CHANGES, STEADY_TO_TRUST = 4, 128
#: A stretch of which pass 1 has followed this share, symbol by symbol, beyond doubt, is a signal.
FOLLOWED = 0.5
#: No posterior is believed further than this.
LEAST_DOUBT = 1e-12
#: Clock and waveforms are learned so many times, the last only if the first changed symbols or heard noise.
ROUNDS = 2
#: The wider band is listened to where it makes bits stronger, against noise, by so much (measured: 1.01 to
#: 1.07 where a wave is squared off, 0.95 to 0.98 where it is whole), and noise is this strong there, against
#: the narrow one.
WORTH_WIDER, SAME_NOISE = 1.005, 0.95
#: Of a symbol that pass 1 followed, every other one is held to be less likely by so many nats: they were by
#: more (`search.BEAM_NATS`), but of clean symbols that are in part alike the search says no more than this
#: where there is wow.
FOLLOWED_NATS = 14.0


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
    """

    symbol: IntArray
    start: FloatArray
    end: FloatArray
    log_p: FloatArray
    level: FloatArray
    noise: FloatArray


def polish(
    heard: npt.NDArray[np.float32], stretch: Stretch, grid: Grid, gains: FloatArray, cost: FloatArray,
    kind: IntArray, is_sparse: bool,
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
    kind : ndarray of int64
        See `templates.kinds_of`.
    is_sparse : bool
        Whether the alphabet is silent for part of the time, so that even a short fade may pass for data.
    """
    if len(stretch.symbol) < FEWEST_SYMBOLS:
        return None
    imprint = ideal = Imprint.ideal(grid, gains)
    heard = _upright(heard, grid, stretch)
    hearing, clock = _first_hearing(heard, stretch, grid)
    blur = np.zeros(len(stretch.symbol))
    measured = _measure(hearing, imprint)
    price = prices(cost, kind, grid.turns / grid.length)
    doubtful = _doubtful(stretch)
    is_followed = bool(stretch.is_clear.mean() >= FOLLOWED)
    learns = len(stretch.symbol) >= FEWEST_TO_LEARN
    smooth, is_known = clock, False
    sent = np.empty(0, np.float32)  # what was probably sent, once there is use for it
    for _ in range(ROUNDS if learns else 1):
        low = 0.0
        if learns:
            # waveforms that leave less than any noise that is believed in have nothing to learn
            is_known = is_followed and measured.is_clean
            searched = cost if can_retrace(grid) and not is_known else None
            hearing, smooth, blur = _smoothed(hearing, imprint, measured, clock, searched)
            if not is_known:
                clock = smooth
                even_samples(heard, *clock, grid.taps, hearing.even)
                if len(sent):
                    put_back_lows(hearing.even, sent, grid)
                    low = grid.low
                imprint = _learned(ideal, hearing, measured.level, measured.noise)
                measured = _measure(hearing, imprint)
                if has_lows(grid) and not len(sent):
                    sent = imprint.played(hearing, measured.level)
        found, log_p, is_sure = _search(
            hearing, imprint, measured, price, kind, is_sparse, doubtful, blur, sent, low
        )
        if not len(found.symbol):
            return None
        is_settled = np.array_equal(found.symbol, hearing.symbol) and measured.is_clean
        hearing = found
        if is_settled:
            break
        measured = _measure(hearing, imprint)
    times = clock_times(np.append(hearing.place, stretch.total).astype(np.float64), *smooth)
    # a symbol of nominal amplitude has the energy of the ideal waveform
    nominal = np.sum(grid.ideal[:, 1 if grid.phases > 1 else 0] ** 2, axis=-1)[kind == BIT]
    energy = imprint.energy[len(cost)].mean(axis=-1)[kind == BIT]
    sounds = nominal > 0  # a bit may be silence
    gain = float(np.mean(np.sqrt(energy[sounds] / nominal[sounds])))
    steady = not is_followed and np.count_nonzero(np.diff(hearing.symbol)) < FEWEST_CHANGES
    is_short = len(hearing.symbol) < (STEADY_TO_TRUST if steady else FEWEST_TO_TRUST)
    doubt = np.full(len(hearing.symbol), SHORT_DOUBT if is_short else 0.0)
    if learns_much(stretch):
        foreign = share_of_doubt(hearing, imprint, ideal, measured.level, float(energy.mean()))
        doubt = np.maximum(doubt, foreign)
    return Polished(
        hearing.symbol,
        times[:-1],
        times[1:],
        _doubted(log_p, doubt, is_sure),
        gain * measured.level,
        np.sqrt(_noise_by(ideal, hearing, measured) if is_known else measured.noise),
    )


class Ear(NamedTuple):
    """What was heard in some band, and the grid of that band."""

    heard: npt.NDArray[np.float32]
    grid: Grid


def learns_much(stretch: Stretch) -> bool:
    """Whether waveforms are learned from a stretch, and from more than the little of it that is in doubt."""
    return bool(len(stretch.symbol) >= FEWEST_TO_LEARN and stretch.is_clear.mean() < FOLLOWED)


def harmonics_worth(narrow: Ear, wide: Ear, stretch: Stretch, gains: FloatArray, kind: IntArray) -> float:
    """By how much the wider of two bands tells more of the bits of a stretch that `learns_much`, as a natural
    log; below zero where it tells less than the one pass 1 heard.

    It tells more where the waveforms learned are stronger there by more than the noise is. Where there is
    less noise than in the narrow one, noise has a colour, and what is learned of it in one band says nothing
    of the other: harmonics would be believed too much.
    """
    energy, noise = np.empty(2), np.empty(2)
    for k, (heard, grid) in enumerate((narrow, wide)):
        ideal = Imprint.ideal(grid, gains)
        hearing, _ = _first_hearing(_upright(heard, grid, stretch), stretch, grid)
        measured = _measure(hearing, ideal)
        imprint = _learned(ideal, hearing, measured.level, measured.noise)
        measured = _measure(hearing, imprint)
        bit_energy = imprint.energy[len(gains)].mean(axis=-1)[kind == BIT].mean()
        energy[k] = bit_energy * typical_of(measured.level) ** 2
        noise[k] = typical_of(measured.noise) / grid.share
    stronger, noisier = energy[1] / energy[0], noise[1] / noise[0]
    if noisier <= SAME_NOISE:
        return -np.inf
    return float(np.log(stronger / (WORTH_WIDER * noisier)))


def _upright(heard: npt.NDArray[np.float32], grid: Grid, stretch: Stretch) -> npt.NDArray[np.float32]:
    """A stretch's sound upright, its carrier where the grid's phases are."""
    return on_even_phases(-heard if grid.phases == 1 and stretch.sign[0] == 1 else heard, grid, stretch)


def _doubted(log_p: FloatArray, doubt: FloatArray, is_sure: npt.NDArray[np.bool_]) -> FloatArray:
    """Posteriors, where a share of each symbol belongs to no signal: then any symbol is as likely."""
    at = np.flatnonzero(~is_sure | (doubt > 0.0))  # of most symbols on a good tape nothing is doubted
    share = np.maximum(doubt[at], LEAST_DOUBT)[:, np.newaxis]
    log_p[at] = np.log(np.exp(log_p[at]) * (1.0 - share) + share / log_p.shape[1])
    return log_p


def _first_hearing(heard: npt.NDArray[np.float32], stretch: Stretch, grid: Grid) -> tuple[Hearing, Clock]:
    """Pass 1's symbols on even time by pass 1's clock; also returns that clock."""
    symbol, place = stretch.symbol, stretch.place
    even = np.empty(stretch.total, np.float32)
    clock = Clock(place.astype(np.float64), stretch.start, stretch.pace)
    if grid.phases > 2:
        start, phase = on_the_carrier(heard, even, grid, stretch)
        clock = clock._replace(place=start)
    else:
        even_samples(heard, *clock, grid.taps, even)
        phase = stretch.sign if grid.phases == 2 else np.zeros(len(symbol), np.int64)
    return Hearing.of(even, symbol, place, phase, grid), clock


def _doubtful(stretch: Stretch) -> list[tuple[int, int]]:
    """Parts, in grid samples, that hold all symbols pass 1 did not follow, and some that it did around."""
    edges = np.append(stretch.place, stretch.total)
    parts: list[tuple[int, int]] = []
    for first, last in runs_of(~stretch.is_clear):
        begin = int(edges[max(first - SETTLED_SYMBOLS, 0)])
        end = int(edges[min(last + SETTLED_SYMBOLS, len(edges) - 1)])
        if parts and begin <= parts[-1][1]:
            begin, _ = parts.pop()
        parts.append((begin, end))
    return parts


@dataclass(frozen=True, eq=False)
class _Measured:
    """Each symbol held against its waveform: the sums of `Imprint.compare`, level, noise per sample, and
    whether the noise is far below the signal everywhere, and the signal lost anywhere.
    """

    sums: FloatArray
    level: FloatArray
    noise: FloatArray
    is_clean: bool
    is_faded: bool


def _measure(hearing: Hearing, imprint: Imprint) -> _Measured:
    sums = imprint.compare(hearing)
    total, fit, energy, _, _, _, length = sums.T
    typical = typical_of(energy[energy > 0]) if np.any(energy > 0) else 1.0
    sounding = energy > 0.02 * typical
    raw = np.where(sounding, fit / np.maximum(energy, 1e-12), 0.0)
    rough = max(typical_of(raw[sounding]), 1e-6) if sounding.any() else 1.0
    left = np.maximum(total - 2 * rough * fit + rough**2 * energy, 0.0) / np.maximum(length, 1.0)
    noise = typical_of(left)
    share = imprint.grid.share
    variance = np.where(sounding, noise / share / np.maximum(energy, 1e-12), np.inf)
    level = level_through(hearing.place.astype(np.float64), raw, np.maximum(variance, 1e-12))
    left = np.maximum(total - 2 * level * fit + level**2 * energy, 1e-6 * total)
    mean = _noise_around(left, length, NOISE_SYMBOLS)
    is_clean = bool(np.all(share * level**2 * typical > 2 * BEST_EB_N0 * mean))
    return _Measured(sums, level, mean, is_clean, _fades(fit, level * energy))


def _noise_around(left: FloatArray, length: FloatArray, around: int) -> FloatArray:
    """Noise per sample around each symbol, by what so many symbols leave.

    At the ends the nearest ones count twice: if the last one alone made up for those beyond it, a single
    symbol cut off by the end of a window would pass for noise.
    """
    window = min(around, len(left))
    mean = running_mean(left, window) / running_mean(length, window)
    return np.asarray(np.maximum(mean, 1e-14))


def _learned(ideal: Imprint, hearing: Hearing, level: FloatArray, noise: FloatArray) -> Imprint:
    usual = typical_of(level)
    return ideal.learned(hearing, level, (level / usual) ** 2, typical_of(noise) / usual**2)


def _noise_by(ideal: Imprint, hearing: Hearing, measured: _Measured) -> FloatArray:
    """Noise around symbols put on even time by a clock that is not smooth, and held against ideal waveforms.

    What better waveforms and a better clock would explain is no noise. Some thousands of the symbols tell.
    """
    step = len(hearing.symbol) // MOST_TO_MEASURE + 1
    some, level = hearing.every(step), np.ascontiguousarray(measured.level[::step])
    learned = _learned(ideal, some, level, measured.noise[::step])
    total, fit, energy, slope_fit, slope_energy, cross, length = learned.compare(some).T
    left = total - 2 * level * fit + level**2 * energy
    late = (slope_fit - level * cross) ** 2 / np.maximum(slope_energy, 1e-12)
    freedom = np.maximum(ideal.grid.share * length, 2.0)  # of which the time took one
    left = np.maximum((left - late) * freedom / (freedom - 1.0), 1e-6 * total)
    noise = _noise_around(left, length, NOISE_SYMBOLS // step)
    return np.asarray(np.interp(hearing.place, some.place, noise))


def _fades(fit: FloatArray, expected: FloatArray) -> bool:
    """Whether the signal was lost somewhere, by each symbol's fit and the fit expected of it."""
    if np.all(fit >= FADED_SHARE * expected):
        return False
    around = min(FADED_SYMBOLS, len(fit))
    heard, due = (running_mean(track, around, beyond="edge") for track in (fit, expected))
    return bool(np.any(heard < FADED_SHARE * due))


def _smoothed(
    hearing: Hearing, imprint: Imprint, measured: _Measured, clock: Clock, searched: FloatArray | None
) -> tuple[Hearing, Clock, FloatArray]:
    """From how late each symbol is by one clock, draw a smooth one, or search bits of such costs with it.

    The last of what is returned is how uncertain the clock is, against how uncertain one symbol's place is.
    """
    tape, usual = hearing.place.astype(np.float64), typical_of(clock.pace)
    if searched is not None:
        bit_energy = imprint.energy[-1, :2].mean()
        noise = np.maximum(
            measured.noise, imprint.grid.share * measured.level**2 * bit_energy / (2 * BEST_EB_N0)
        )
        hearing, place, alone = retrace(hearing, imprint, clock, measured.level, noise, searched)
        alone *= measured.noise / noise
        tape += 0.5 * imprint.grid.length[hearing.symbol]
        variance = alone
    else:
        place, alone, bad = _places(hearing, imprint, measured, clock)
        variance = np.where(bad, np.inf, alone)
    place, pace, uncertain = smooth_clock(tape, place, variance, usual)
    smooth = Clock(tape, place, pace)
    strayed = np.abs(place - clock_times(tape, *clock)).max() > STRAYED * usual * imprint.grid.length.max()
    if strayed or not is_forward(smooth):  # drawn through noise or music; pass 1's keeps to the recording
        smooth = clock
    return hearing, smooth, np.minimum(uncertain / alone, 1.0)


def _places(
    hearing: Hearing, imprint: Imprint, measured: _Measured, clock: Clock
) -> tuple[FloatArray, FloatArray, npt.NDArray[np.bool_]]:
    """Where each symbol is found to begin, in samples, its variance, and whether that is to be left out."""
    sums, level = measured.sums, measured.level
    lean = np.maximum(level * sums[:, 4], 1e-12)
    late = -(sums[:, 3] - level * sums[:, 5]) / lean
    variance = measured.noise / imprint.grid.share / (level * lean)
    limit = 0.25 * imprint.grid.length.min()
    tape = hearing.place.astype(np.float64)
    rate = np.interp(tape, clock.at, clock.pace)
    bad = (np.abs(late) > limit) | (sums[:, 4] <= 1e-9)
    return clock_times(tape, *clock) + late * rate, variance * rate**2, bad


def _search(
    hearing: Hearing, imprint: Imprint, measured: _Measured, price: FloatArray,
    kind: IntArray, is_sparse: bool, doubtful: list[tuple[int, int]], blur: FloatArray,
    sent: npt.NDArray[np.float32], low: float,
) -> tuple[Hearing, FloatArray, npt.NDArray[np.bool_]]:  # fmt: skip
    """Search the doubtful parts, and keep what was followed between them.

    Also returns the posteriors, and of which symbols they are those of what was followed; what is searched
    is filled in in `sent`, if there is any, as `search_sequence` does in its `expected`.
    """
    grid = imprint.grid
    symbols = len(grid.length)
    bit_energy = float(np.mean(imprint.energy[symbols][kind == BIT]))
    level, noise = measured.level, measured.noise
    # a clock that is late shifts what is heard as noise would, and is late for many symbols on end
    sharpness = np.minimum(grid.share * level**2 / noise, 2 * BEST_EB_N0 / bit_energy) / (1.0 + blur)
    usual = 0.5 * noise * sharpness / level**2
    middle = hearing.place + 0.5 * grid.length[hearing.symbol]
    fade_nats = FADE_NATS if is_sparse or measured.is_faded else -1.0
    followed = _log_p_of_followed(symbols)
    sure_belief = _belief(followed)
    sure_log_p = _doubted(followed, np.zeros(symbols), np.zeros(symbols, np.bool_))
    parts: list[tuple[npt.NDArray[Any], ...]] = []
    kept = 0
    for first, last in [*doubtful, (len(hearing.even), len(hearing.even))]:
        a, b = np.searchsorted(hearing.place, (first, last))
        kept, sure = b, slice(kept, a)
        symbol, place, phase = hearing.symbol[sure], hearing.place[sure], hearing.phase[sure]
        log_p, belief = sure_log_p.take(symbol, axis=0), sure_belief.take(symbol, axis=0)
        parts.append((symbol, place, phase, log_p, belief, np.ones(len(symbol), np.bool_)))
        if first == last:
            break
        nodes = np.arange(first, last, grid.step)
        level_at, sharpness_at, usual_at = (np.interp(nodes, middle, y) for y in (level, sharpness, usual))
        most = (last - first) // int(grid.length.min()) + 1
        symbol, place, phase = (np.empty(most, np.int64) for _ in range(3))
        log_p = np.empty((most, symbols))
        entered = int(hearing.phase[min(a, len(hearing.phase) - 1)]) if grid.phases > 1 else 0
        count = search_sequence(
            hearing.even[first:last], level_at, sharpness_at, usual_at, BEAM_NATS, imprint.entered,
            imprint.energy, grid.length, grid.phase_after, price, grid.step, entered, fade_nats,
            RETURN_NATS, symbol, place, phase, log_p, sent[first:last], low,
        )  # fmt: skip
        searched = slice(max(count, 0))
        log_p = log_p[searched]
        is_sure = np.zeros(len(log_p), np.bool_)
        parts.append(
            (symbol[searched], place[searched] + first, phase[searched], log_p, _belief(log_p), is_sure)
        )
    symbol, place, phase, log_p, belief, is_sure = (np.concatenate(f) for f in zip(*parts, strict=True))
    return Hearing.of(hearing.even, symbol, place, phase, grid, belief), log_p, is_sure


def _belief(log_p: FloatArray) -> FloatArray:
    """How likely each symbol is at a place, one of them being there."""
    belief = np.exp(log_p - log_p.max(axis=1, keepdims=True))
    return np.asarray(belief / belief.sum(axis=1, keepdims=True))


def _log_p_of_followed(symbols: int) -> FloatArray:
    """Posteriors where pass 1 followed a symbol, by row: which one."""
    log_p = np.full((symbols, symbols), -FOLLOWED_NATS)
    np.fill_diagonal(log_p, np.log1p(-(symbols - 1) * np.exp(-FOLLOWED_NATS)))
    return log_p
