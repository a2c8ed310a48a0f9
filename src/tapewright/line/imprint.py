"""What the recorder made of each symbol: waveforms learned from the recording itself.

Dullness, tilt, clipping and a slicing offset bend a symbol in ways that depend on the symbol before it. The
mean of many hearings of each pair of neighbours has all of that in it; what was heard seldom leans on what
was heard more often, and in the end on the ideal waveform.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from numba import njit

from tapewright.line.grid import Grid

__all__ = ["Hearing", "Imprint", "carriers"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: The waveform of a symbol counts as so many hearings of each pair it is part of, and the ideal one as so
#: many hearings of the symbol.
PAIR_LEANING = 6.0
SYMBOL_LEANING = 4.0


@dataclass(frozen=True, eq=False)
class Hearing:
    """A sequence of symbols on a stretch of even time.

    Parameters
    ----------
    even : ndarray of float32
    symbol, place, before, phase : ndarray of int64, shape (n,)
        Which symbol, its first grid sample, the symbol before it (as many as there are symbols: unknown), and
        the number of the phase it is entered at.
    """

    even: npt.NDArray[np.float32]
    symbol: IntArray
    place: IntArray
    before: IntArray
    phase: IntArray

    @classmethod
    def of(
        cls, even: npt.NDArray[np.float32], symbol: IntArray, place: IntArray, phase: IntArray, grid: Grid
    ) -> Hearing:
        """Fill in the symbols before."""
        unknown = len(grid.length)
        goes_on = np.diff(place) == grid.length[symbol[:-1]]
        before = np.where(np.append(False, goes_on), np.append(unknown, symbol[:-1]), unknown)
        return cls(even, symbol, place, before[: len(symbol)], phase)


@dataclass(frozen=True, eq=False)
class Imprint:
    """Waveforms by the symbol before.

    Parameters
    ----------
    grid : Grid
    wave : ndarray of float32, shape (symbols + 1, symbols, terms, longest)
        The last row is for an unknown symbol before.
    """

    grid: Grid
    wave: npt.NDArray[np.float32]

    @classmethod
    def ideal(cls, grid: Grid, gain: FloatArray) -> Imprint:
        """Take every symbol as the card has it, but for its gain."""
        wave = gain[:, np.newaxis, np.newaxis] * grid.ideal
        return cls(grid, np.repeat(wave[np.newaxis], len(gain) + 1, axis=0).astype(np.float32))

    @cached_property
    def energy(self) -> FloatArray:
        """Energy in grid samples, shape (symbols + 1, symbols, phases)."""
        products = np.einsum("cmkt,cmlt->cmkl", self.wave, self.wave, dtype=np.float64)
        basis = self.grid.basis
        return np.asarray(np.einsum("pk,cmkl,pl->cmp", basis, products, basis))

    @cached_property
    def slope(self) -> npt.NDArray[np.float32]:
        """How the waveforms change from sample to sample, of the same shape as `wave`."""
        slope = np.zeros_like(self.wave)
        for m, length in enumerate(self.grid.length):
            slope[:, m, :, :length] = np.gradient(self.wave[:, m, :, :length], axis=-1)
        return slope

    def learned(self, hearing: Hearing, level: FloatArray, weight: FloatArray, noise: float) -> Imprint:
        """Return the waveforms that explain a hearing best, as far as they differ by more than noise does.

        What was learned from a symbol has a little of its own noise in it, and agrees with it: with many
        waveforms to learn, symbols would seem surer than they are.

        Parameters
        ----------
        hearing : Hearing
        level : ndarray of float64, shape (n,)
            Amplitude of each symbol.
        weight : ndarray of float64, shape (n,)
            How far each symbol is to be believed.
        noise : float
            Variance of a grid sample over the squared level, of a symbol of weight 1.
        """
        grid = self.grid
        symbols, terms, longest = grid.ideal.shape
        squares = np.zeros((symbols + 1, symbols, terms, terms))
        sums = np.zeros((symbols + 1, symbols, terms, longest))
        _gather(
            hearing.even, hearing.symbol, hearing.place, hearing.before, hearing.phase, grid.basis,
            grid.length, level, weight, squares, sums,
        )  # fmt: skip
        typical = 1.0 / max(grid.phases, 1) if grid.phases > 2 else 1.0
        wave = np.empty_like(self.wave)
        for m in range(symbols):
            due = noise * float(grid.length[m])
            prior = self.wave[symbols, m].astype(np.float64)
            whole = _leaning(
                squares[:, m].sum(axis=0), sums[:, m].sum(axis=0), prior, SYMBOL_LEANING * typical, due
            )
            for c in range(symbols):
                wave[c, m] = _leaning(squares[c, m], sums[c, m], whole, PAIR_LEANING * typical, due)
            wave[symbols, m] = whole
        return Imprint(grid, wave)

    def compare(self, hearing: Hearing) -> FloatArray:
        """Hold each symbol against its waveform.

        Returns
        -------
        ndarray of float64, shape (n, 5)
            Heard x heard, heard x wave, wave x wave, heard x slope, slope x slope, wave x slope.
        """
        sums = np.empty((len(hearing.symbol), 6))
        _compare(
            hearing.even, hearing.symbol, hearing.place, hearing.before, hearing.phase, self.grid.basis,
            self.grid.length, self.wave, self.slope, sums,
        )  # fmt: skip
        return sums


def _leaning(
    squares: FloatArray, sums: FloatArray, prior: FloatArray, hearings: float, noise: float
) -> FloatArray:
    """Least squares for the terms of one waveform; it leans on another as on so many hearings.

    What noise of that energy explains of the difference is left out (James and Stein, Proc. 4th Berkeley
    Symposium 1, 1961).
    """
    inverse = np.linalg.inv(squares + hearings * np.eye(len(squares)))
    change = inverse @ (sums - squares @ prior)
    energy = np.sum(change**2, axis=1)
    due = noise * np.einsum("ij,jk,ki->i", inverse, squares, inverse)
    kept = np.maximum(1.0 - due / np.maximum(energy, 1e-30), 0.0)
    return np.asarray(prior + kept[:, np.newaxis] * change)


@njit(cache=True, nogil=True, fastmath={"reassoc", "contract", "nsz", "arcp"})
def _gather(even, symbol, place, before, phase, basis, length, level, weight, squares, sums):  # type: ignore[no-untyped-def]
    terms = basis.shape[1]
    for i in range(len(symbol)):
        c, m, n, p = before[i], symbol[i], place[i], phase[i]
        if n + length[m] > len(even):
            continue
        for k in range(terms):
            bk = basis[p, k] * weight[i]
            for j in range(terms):
                squares[c, m, k, j] += bk * basis[p, j]
            bk /= level[i]
            for t in range(length[m]):
                sums[c, m, k, t] += bk * even[n + t]


@njit(cache=True, nogil=True, fastmath={"reassoc", "contract", "nsz", "arcp"})
def _compare(even, symbol, place, before, phase, basis, length, wave, slope, sums):  # type: ignore[no-untyped-def]
    terms = basis.shape[1]
    w, d = np.empty(wave.shape[3], np.float32), np.empty(wave.shape[3], np.float32)
    for i in range(len(symbol)):
        c, m, n, p = before[i], symbol[i], place[i], phase[i]
        size = min(length[m], len(even) - n)
        for t in range(size):
            w[t], d[t] = 0.0, 0.0
        for k in range(terms):
            share = np.float32(basis[p, k])
            for t in range(size):
                w[t] += share * wave[c, m, k, t]
                d[t] += share * slope[c, m, k, t]
        zero = np.float32(0.0)
        xx, xw, ww, xd, dd, wd = zero, zero, zero, zero, zero, zero
        for t in range(size):
            x = even[n + t]
            xx += x * x
            xw += x * w[t]
            ww += w[t] * w[t]
            xd += x * d[t]
            dd += d[t] * d[t]
            wd += w[t] * d[t]
        sums[i, 0], sums[i, 1], sums[i, 2] = xx, xw, ww
        sums[i, 3], sums[i, 4], sums[i, 5] = xd, dd, wd


@njit(cache=True, nogil=True, fastmath={"reassoc", "contract", "nsz", "arcp"})
def carriers(even, symbol, place, length, ideal):  # type: ignore[no-untyped-def]
    """Each symbol's carrier, by least squares: a complex number whose angle is the phase at its beginning."""
    heard = np.zeros(len(symbol), np.complex128)
    for i in range(len(symbol)):
        m, n = symbol[i], place[i]
        sine, cosine, ss, cc, sc = 0.0, 0.0, 1e-9, 1e-9, 0.0
        for t in range(max(0, -n), min(length[m], len(even) - n)):
            s, c = ideal[m, 1, t], ideal[m, 2, t]
            sine += even[n + t] * s
            cosine += even[n + t] * c
            ss += s * s
            cc += c * c
            sc += s * c
        heard[i] = (cc * sine - sc * cosine + 1j * (ss * cosine - sc * sine)) / (ss * cc - sc * sc)
    return heard
