"""The second pass: with the clock known, learn what the recorder made of each symbol, and search again.

Pass 1 (`search.py`) finds where a signal is and how its time runs. Here its clock is made smooth, the
recording is put on even time, where wow and flutter are gone, and waveforms, level and noise are learned from
it; a search that has nothing left to find but the symbols themselves then says which they are and how sure.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from tapewright.line.averages import running_mean
from tapewright.line.carrier import on_even_phases, on_the_carrier, phase_spacing
from tapewright.line.clock import even_samples, level_through, slips, smooth_clock, typical_of
from tapewright.line.doubt import share_of_doubt
from tapewright.line.grid import Grid
from tapewright.line.imprint import Hearing, Imprint
from tapewright.line.scene import BEST_EB_N0
from tapewright.line.search import prices
from tapewright.line.sequence import search_sequence
from tapewright.line.stretches import Stretch
from tapewright.line.templates import BIT
from tapewright.model.runs import runs_of

__all__ = ["Polished", "polish"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: Sequences this many nats behind the best are given up.
BEAM_NATS = 45.0
#: The same where pass 1 was beyond doubt: there it only costs time to follow what might be.
CLEAR_BEAM_NATS = 8.0
#: What it costs, in nats, to claim that symbols faded away, and that they came back.
FADE_NATS = 9.0
RETURN_NATS = 3.0
#: A level of so many symbols that is below this share of the level around may be a fade.
FADED_SYMBOLS, FADED_SHARE = 5, 0.4
#: Noise is averaged over this many symbols.
NOISE_SYMBOLS = 64
#: A stretch of fewer symbols says too little of its clock and waveforms; one of still fewer says nothing.
FEWEST_TO_LEARN, FEWEST_SYMBOLS = 16, 4
#: How likely it is, at least, that a stretch of fewer symbols than this belongs to something else: music and
#: speech are full of such pieces (measured: without it, 0.2 % of speech is symbols surer than 0.99).
FEWEST_TO_TRUST, SHORT_DOUBT = 32, 0.05
#: A stretch of which pass 1 has followed this share, symbol by symbol, beyond doubt, is a signal.
FOLLOWED = 0.5
#: Clock and waveforms are learned so many times, the last only if the first changed symbols or heard noise.
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
    if grid.phases == 1 and stretch.sign[0] == 1:
        heard = -heard
    heard = on_even_phases(heard, grid, stretch)
    at, pace = stretch.place.astype(np.float64), stretch.pace
    hearing, clock = _first_hearing(heard, stretch, grid)
    blur = np.zeros(len(at))
    measured = _measure(hearing, imprint)
    price = prices(cost, kind)
    beam = _beam(stretch, grid)
    learns = len(stretch.symbol) >= FEWEST_TO_LEARN
    for _ in range(ROUNDS if learns else 1):
        if learns:
            hearing, at, clock, pace, blur = _clock(hearing, imprint, measured, at, clock, pace)
            even_samples(heard, at, clock, pace, hearing.even)
            level = measured.level
            imprint = imprint.learned(hearing, level, (level / typical_of(level)) ** 2)
            measured = _measure(hearing, imprint)
        found, log_p = _search(hearing, imprint, measured, price, kind, is_sparse, beam, blur)
        if not len(found.symbol):
            return None
        is_settled = np.array_equal(found.symbol, hearing.symbol) and measured.is_clean
        hearing = found
        if is_settled:
            break
        measured = _measure(hearing, imprint)
    edges = np.append(hearing.place, stretch.total).astype(np.float64)
    times = _times(edges, at, clock, pace)
    # a symbol of nominal amplitude has the energy of the ideal waveform
    nominal = np.sum(grid.ideal[:, 1 if grid.phases > 1 else 0] ** 2, axis=-1)[kind == BIT]
    energy = imprint.energy[len(cost)].mean(axis=-1)[kind == BIT]
    sounds = nominal > 0  # a bit may be silence
    gain = float(np.mean(np.sqrt(energy[sounds] / nominal[sounds])))
    doubt = np.full(len(hearing.symbol), SHORT_DOUBT if len(hearing.symbol) < FEWEST_TO_TRUST else 0.0)
    if learns and stretch.is_clear.mean() < FOLLOWED:
        foreign = share_of_doubt(hearing, imprint, ideal, measured.level, float(energy.mean()))
        doubt = np.maximum(doubt, foreign)
    return Polished(
        hearing.symbol,
        times[:-1],
        times[1:],
        _doubted(log_p, doubt),
        gain * measured.level,
        np.sqrt(measured.noise),
    )


def _doubted(log_p: FloatArray, doubt: FloatArray) -> FloatArray:
    """Posteriors, where a share of each symbol belongs to no signal: then any symbol is as likely."""
    doubt = np.maximum(doubt, 1e-12)[:, np.newaxis]
    return np.asarray(np.logaddexp(log_p + np.log1p(-doubt), np.log(doubt / log_p.shape[1])))


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
        start, phase = on_the_carrier(heard, even, grid, stretch)
    return Hearing(even, symbol, place, before, phase), start


def _beam(stretch: Stretch, grid: Grid) -> FloatArray:
    """How far behind the best a sequence is given up, at every `step` grid samples."""
    beam = np.full(stretch.total // grid.step + 1, BEAM_NATS)
    for first, last in runs_of(stretch.is_clear):
        end = stretch.place[last - 1] + grid.length[stretch.symbol[last - 1]]
        beam[stretch.place[first] // grid.step : end // grid.step] = CLEAR_BEAM_NATS
    return beam


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
    total, fit, energy = sums[:, 0], sums[:, 1], sums[:, 2]
    length = imprint.grid.length[hearing.symbol].astype(np.float64)
    typical = typical_of(energy[energy > 0]) if np.any(energy > 0) else 1.0
    sounding = energy > 0.02 * typical
    raw = np.where(sounding, fit / np.maximum(energy, 1e-12), 0.0)
    rough = max(typical_of(raw[sounding]), 1e-6) if sounding.any() else 1.0
    left = np.maximum(total - 2 * rough * fit + rough**2 * energy, 0.0) / length
    noise = typical_of(left)
    share = imprint.grid.share
    variance = np.where(sounding, noise / share / np.maximum(energy, 1e-12), np.inf)
    level = level_through(hearing.place.astype(np.float64), raw, np.maximum(variance, 1e-12))
    left = np.maximum(total - 2 * level * fit + level**2 * energy, 1e-6 * total) / length
    window = min(NOISE_SYMBOLS, len(left))
    mean = running_mean(left * length, window, beyond="edge") / running_mean(length, window, beyond="edge")
    mean = np.maximum(mean, 1e-14)
    is_clean = bool(np.all(share * level**2 * typical > 2 * BEST_EB_N0 * mean))
    return _Measured(sums, level, mean, is_clean, _fades(fit, level * energy))


def _fades(fit: FloatArray, expected: FloatArray) -> bool:
    """Whether the signal was lost somewhere, by each symbol's fit and the fit expected of it."""
    around = min(FADED_SYMBOLS, len(fit))
    heard, due = (running_mean(track, around, beyond="edge") for track in (fit, expected))
    return bool(np.any(heard < FADED_SHARE * due))


def _clock(
    hearing: Hearing, imprint: Imprint, measured: _Measured,
    at: FloatArray, clock: FloatArray, pace: FloatArray,
) -> tuple[Hearing, FloatArray, FloatArray, FloatArray, FloatArray]:  # fmt: skip
    """From how late each symbol is, draw the clock through them; a free carrier's slips are taken back.

    The last of what is returned is how uncertain the clock is, against how uncertain one symbol's place is.
    """
    sums, level = measured.sums, measured.level
    lean = np.maximum(level * sums[:, 4], 1e-12)
    late = -(sums[:, 3] - level * sums[:, 5]) / lean
    share = imprint.grid.share
    variance = measured.noise / share / (level * lean)
    limit = 0.25 * imprint.grid.length.min()
    tape = hearing.place.astype(np.float64)
    here = _times(tape, at, clock, pace)
    rate = np.interp(tape, at, pace)
    bad = (np.abs(late) > limit) | (sums[:, 4] <= 1e-9)
    alone = variance * rate**2
    variance = np.where(bad, np.inf, alone)
    place = here + late * rate
    grid, symbol = imprint.grid, hearing.symbol
    if grid.phases > 2 and phase_spacing(grid) > 1:
        # after a wrong symbol the phase is another, and the clock would run to make up for it
        spacing = phase_spacing(grid)
        size = spacing / grid.phases * grid.length[symbol] / grid.turns[symbol] * rate
        slipped = slips(tape, place, variance, typical_of(pace), size)
        place = place - slipped * size
        hearing = replace(hearing, phase=(hearing.phase - spacing * slipped) % grid.phases)
    place, speed, uncertain = smooth_clock(tape, place, variance, typical_of(pace))
    return hearing, tape, place, speed, np.minimum(uncertain / alone, 1.0)


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


def _search(
    hearing: Hearing, imprint: Imprint, measured: _Measured, price: FloatArray,
    kind: IntArray, is_sparse: bool, beam: FloatArray, blur: FloatArray,
) -> tuple[Hearing, FloatArray]:  # fmt: skip
    grid = imprint.grid
    symbols = len(grid.length)
    bit_energy = float(np.mean(imprint.energy[symbols][kind == BIT]))
    level, noise = measured.level, measured.noise
    # a clock that is late shifts what is heard as noise would, and is late for many symbols on end
    sharpness = np.minimum(grid.share * level**2 / noise, 2 * BEST_EB_N0 / bit_energy) / (1.0 + blur)
    total = len(hearing.even)
    nodes = np.arange(0, total, grid.step)
    middle = hearing.place + 0.5 * grid.length[hearing.symbol]
    level_at = np.interp(nodes, middle, level)
    sharpness_at = np.interp(nodes, middle, sharpness)
    usual_at = np.interp(nodes, middle, 0.5 * noise * sharpness / level**2)
    most = total // int(grid.length.min()) + 1
    symbol, place, before, phase = (np.empty(most, np.int64) for _ in range(4))
    log_p = np.empty((most, symbols))
    first = int(hearing.phase[0]) if grid.phases > 1 else 0
    fade_nats = FADE_NATS if is_sparse or measured.is_faded else -1.0
    count = search_sequence(
        hearing.even, level_at, sharpness_at, usual_at, beam, imprint.wave, imprint.energy, grid.basis,
        grid.length, grid.phase_after, price, grid.step, first, fade_nats, RETURN_NATS,
        symbol, place, before, phase, log_p,
    )  # fmt: skip
    if count <= 0:
        return replace(hearing, symbol=symbol[:0]), log_p[:0]
    found = Hearing(hearing.even, symbol[:count], place[:count], before[:count], phase[:count])
    return found, log_p[:count]
