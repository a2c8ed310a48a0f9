"""The even grid of the second pass: every symbol a whole number of samples, every phase one of a few."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from tapewright.cards import Alphabet
from tapewright.line.clock import interpolator
from tapewright.line.templates import Band, ideal_wave

__all__ = ["Grid"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: Rates tried are up to this many times the receiver's.
MOST_FINER = 2.0
#: They begin at the receiver's, but for what `templates.ratio_of` may make that higher.
NEARLY = 1e-3
#: Lengths are whole samples to within this share of themselves.
CLOSE_ENOUGH = 1e-5
#: A carrier's phase between symbols is told apart into so many at most.
MOST_PHASES = 64
#: Where tones have to be moved, it is told apart into so many; the fewest of them that let the phase drift no
#: further than this at each symbol, in turns (chosen: a twentieth of a turn in a thousand).
PHASES_MOVED = 24, 200
LEAST_DRIFT = 5e-5
#: Harmonics of the phase at which a symbol is entered that its waveform may depend on; and where the band is
#: wide enough for the third: a squared wave has that first.
HARMONICS, HARMONICS_WIDE = 2, 3


@dataclass(frozen=True, eq=False)
class Grid:
    """An alphabet on an even grid.

    Parameters
    ----------
    rate_hz : float
        Grid samples to a nominal second. A symbol that starts at n covers samples n to n + length - 1, and
        sample n stands for the time from n to n + 1.
    length : ndarray of int64, shape (symbols,)
    turns : ndarray of float64, shape (symbols,)
        Phase a symbol adds, in turns.
    drift : float
        Turns a grid sample by which a free carrier runs ahead of the phases here: a recording is moved down
        in pitch by as much (`on_even_phases`).
    phase_after : ndarray of int64, shape (phases, symbols)
    basis : ndarray of float64, shape (phases, terms)
        A symbol entered at phase p has the waveform ``sum(basis[p, k] * wave[k])``: a Fourier series in the
        phase, so that asymmetry (a slicing offset) has its place too.
    ideal : ndarray of float64, shape (symbols, terms, longest)
        The waveforms of a faultless recorder, limited to the receiver's band; zeros after a symbol's end.
    half_wave : float
        The shortest half-wave in the alphabet.
    share : float
        Share of white noise, up to half the grid's rate, that the receiver's band lets through.
    low : float
        Lower edge of the band, in turns a grid sample.
    taps : ndarray of float32
        `interpolator` of the receiver's band.
    """

    rate_hz: float
    length: IntArray
    turns: FloatArray
    drift: float
    phase_after: IntArray
    basis: FloatArray
    ideal: FloatArray
    half_wave: float
    share: float
    low: float
    taps: npt.NDArray[np.float32]

    @property
    def phases(self) -> int:
        """How many phases a symbol can be entered at."""
        return len(self.phase_after)

    @cached_property
    def step(self) -> int:
        """Grid samples of which every symbol is a whole number."""
        return int(np.gcd.reduce(self.length))

    @classmethod
    def of(cls, alphabet: Alphabet, band: Band, harmonics: int = HARMONICS) -> Grid:
        """Lay an alphabet out."""
        seconds = np.array([shape.seconds for shape in alphabet.shapes])
        rate = _even_rate(seconds, band.rate_hz)
        length = np.round(seconds * rate).astype(np.int64)
        turns = np.array([shape.turns for shape in alphabet.shapes])
        drift = 0.0
        if alphabet.has_free_phase:
            phases, drift = _even_phases(turns, length)
        else:
            phases = 2 if alphabet.flips_sign else 1
        steps = np.round((turns - drift * length) * phases).astype(np.int64)
        after = (np.arange(phases)[:, np.newaxis] + steps) % phases
        basis = np.ascontiguousarray(_basis(phases, harmonics))
        entered = np.array([0.0, 0.25]) if phases > 2 else np.zeros(1)
        ideal = np.zeros((len(seconds), basis.shape[1], int(length.max())))
        first = 1 if phases > 1 else 0  # the first term of a series is what does not depend on the phase
        for m, shape in enumerate(alphabet.shapes):
            for k, phase in enumerate(entered):
                wave = ideal_wave(shape, rate, phase, int(length[m]), band)
                ideal[m, first + k, : length[m]] = wave
        share = band.fraction * band.rate_hz / rate
        taps = interpolator(band.low_hz / band.rate_hz, band.high_hz / band.rate_hz)
        return cls(
            rate, length, turns, drift, after, basis, ideal, 0.5 * rate / alphabet.highest_hertz,
            min(share, 1.0), band.low_hz / rate, taps,
        )  # fmt: skip


def _even_rate(seconds: FloatArray, least_hz: float) -> float:
    """The lowest rate from `least_hz` on at which all lengths are as nearly whole as can be."""
    shortest = float(seconds.min())
    best, least_error = least_hz, math.inf
    first = math.ceil(shortest * least_hz * (1.0 - NEARLY))
    for whole in range(first, int(MOST_FINER * first) + 2):
        rate = whole / shortest
        lengths = seconds * rate
        error = float(np.max(np.abs(lengths - np.round(lengths)) / lengths))
        if error < 0.5 * least_error:
            best, least_error = rate, error
        if error < CLOSE_ENOUGH:
            break
    return best


def _even_phases(turns: FloatArray, length: IntArray) -> tuple[int, float]:
    """How many phases there are, and by how many turns a grid sample the carrier runs ahead of them.

    Bits of one length can have any tones: what they add to the phase alike is made up for by moving all
    tones, and only how they differ must be a whole number of steps. Other symbols are rounded.
    """
    phases, least_error = 1, math.inf
    for count in range(3, MOST_PHASES + 1):
        error = float(np.max(np.abs(turns * count - np.round(turns * count)))) / count
        if error < 0.5 * least_error:
            phases, least_error = count, error
        if error < CLOSE_ENOUGH:
            break
    if least_error < CLOSE_ENOUGH or length[0] != length[1]:
        return phases, 0.0
    counts = np.arange(*PHASES_MOVED)
    apart = float(turns[1] - turns[0])
    errors = np.abs(apart * counts - np.round(apart * counts)) / counts
    phases = int(counts[np.argmax(errors <= max(LEAST_DRIFT, errors.min()))])
    steps = round(float(turns[0]) * phases) + np.array([0, round(apart * phases)])
    return phases, float(np.mean(turns[:2] - steps / phases)) / float(length[0])


def _basis(phases: int, harmonics: int) -> FloatArray:
    """Rows: 1, then cosine and sine of each harmonic of the phase."""
    if phases == 1:
        return np.ones((1, 1))
    angle = 2 * np.pi * np.arange(phases) / phases
    if phases == 2:
        return np.stack((np.ones(2), np.cos(angle)), axis=1)
    if phases <= 2 * HARMONICS:
        harmonics = 1
    columns = [np.ones(phases)]
    for h in range(1, harmonics + 1):
        columns.append(np.cos(h * angle))
        if 2 * h != phases:  # there it is zero
            columns.append(np.sin(h * angle))
    return np.stack(columns, axis=1)
