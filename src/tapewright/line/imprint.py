"""What the recorder made of each symbol: waveforms learned from the recording itself.

Dullness, tilt, clipping and a slicing offset bend a symbol in ways that depend on the symbol before it. The
mean of many hearings of each pair of neighbours has all of that in it; what was heard seldom leans on what
was heard more often, and in the end on the ideal waveform.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from tapewright.compiled import kernel, summing_kernel
from tapewright.line.grid import Grid

__all__ = ["Hearing", "Imprint", "carriers"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: The waveform of a symbol counts as so many hearings of each pair it is part of, and the ideal one as so
#: many hearings of the symbol.
PAIR_LEANING = 6.0
SYMBOL_LEANING = 4.0
#: Symbols less likely than this are passed over.
UNLIKELY = 1e-3


@dataclass(frozen=True, eq=False)
class Hearing:
    """A sequence of symbols on a stretch of even time.

    Parameters
    ----------
    even : ndarray of float32
    symbol, place, before, phase : ndarray of int64, shape (n,)
        Which symbol, its first grid sample, the symbol before it (as many as there are symbols: unknown), and
        the number of the phase it is entered at.
    belief : ndarray of float64, shape (n, symbols)
        How likely each symbol of the alphabet begins at that place. What is learned from symbols is learned
        from all that may be there: those that were chosen are like their waveforms by choice, and waveforms
        learned from them alone, and the noise they leave, promise too much.
    """

    even: npt.NDArray[np.float32]
    symbol: IntArray
    place: IntArray
    before: IntArray
    phase: IntArray
    belief: FloatArray

    @classmethod
    def of(
        cls, even: npt.NDArray[np.float32], symbol: IntArray, place: IntArray, phase: IntArray, grid: Grid,
        belief: FloatArray | None = None,
    ) -> Hearing:  # fmt: skip
        """Fill in the symbols before, and what is believed where nothing is said: what was chosen."""
        if belief is None:
            belief = np.eye(len(grid.length)).take(symbol, axis=0)
        before = np.full(len(symbol), len(grid.length))
        follows = np.flatnonzero(np.diff(place) == grid.length[symbol[:-1]])
        before[follows + 1] = symbol[follows]
        return cls(even, symbol, place, before, phase, belief)

    def every(self, step: int) -> Hearing:
        """Every so many-th symbol."""
        names = ("symbol", "place", "before", "phase", "belief")
        return replace(self, **{name: np.ascontiguousarray(getattr(self, name)[::step]) for name in names})


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
    def entered(self) -> npt.NDArray[np.float32]:
        """The waveforms by the phase they are entered at, shape (symbols + 1, symbols, phases, longest)."""
        return self.grid.basis.astype(np.float32) @ self.wave

    @cached_property
    def slope(self) -> npt.NDArray[np.float32]:
        """How the waveforms change from sample to sample, of the same shape as `entered`."""
        slope = np.zeros_like(self.entered)
        for m, length in enumerate(self.grid.length):
            slope[:, m, :, :length] = np.gradient(self.entered[:, m, :, :length], axis=-1)
        return slope

    def learned(self, hearing: Hearing, level: FloatArray, weight: FloatArray, noise: float) -> Imprint:
        """Return the waveforms that explain a hearing best, as far as they stand out of the noise.

        Parameters
        ----------
        hearing : Hearing
        level : ndarray of float64, shape (n,)
            Amplitude of each symbol.
        weight : ndarray of float64, shape (n,)
            How far each symbol is to be believed.
        noise : float
            Variance per sample, at level 1, of a hearing of weight 1.
        """
        grid = self.grid
        symbols, terms, longest = grid.ideal.shape
        squares = np.zeros((symbols + 1, symbols, terms, terms))
        sums = np.zeros((symbols + 1, symbols, terms, longest))
        _gather(
            hearing.even, hearing.belief, hearing.place, hearing.before, hearing.phase, grid.basis,
            grid.length, level, weight, squares, sums,
        )  # fmt: skip
        one = np.eye(terms)
        typical = 1.0 / max(grid.phases, 1) if grid.phases > 2 else 1.0
        spread = noise * grid.length.astype(np.float64)
        whole = _learned(
            squares.sum(axis=0), sums.sum(axis=0), self.wave[symbols].astype(np.float64),
            SYMBOL_LEANING * typical * one, spread,
        )  # fmt: skip
        wave = np.empty_like(self.wave)
        wave[:symbols] = _learned(
            squares[:symbols], sums[:symbols], whole, PAIR_LEANING * typical * one, spread
        )
        wave[symbols] = whole
        return Imprint(grid, wave)

    def played(self, hearing: Hearing, level: FloatArray) -> npt.NDArray[np.float32]:
        """Return what the symbols chosen would have sounded like, on even time."""
        sound = np.zeros_like(hearing.even)
        _play(
            sound, hearing.symbol, hearing.place, hearing.before, hearing.phase, level, self.grid.length,
            self.entered,
        )  # fmt: skip
        return sound

    def compare(self, hearing: Hearing) -> FloatArray:
        """Hold each symbol against its waveform.

        Returns
        -------
        ndarray of float64, shape (n, 7)
            Heard x heard, heard x wave, wave x wave, heard x slope, slope x slope, wave x slope, samples:
            their means over all symbols that may begin there.
        """
        sums = np.zeros((7, len(hearing.symbol)))
        _compare(
            hearing.even, hearing.belief, hearing.place, hearing.before, hearing.phase, self.grid.length,
            self.entered, self.slope, sums,
        )  # fmt: skip
        return sums.T


def _learned(
    squares: FloatArray, sums: FloatArray, usual: FloatArray, ridge: FloatArray, spread: FloatArray
) -> FloatArray:
    """Waveforms from sums over hearings, of shape (..., symbols, terms, longest).

    A mean of hearings has their noise in it, and would explain that noise once more. So of what differs from
    the usual waveform, beyond a gain, only as much is kept as stands out of the noise (James and Stein, Proc.
    4th Berkeley Symposium, 1961); `spread` is the noise's energy in one hearing of each symbol.
    """
    inverse = np.linalg.inv(squares + ridge)
    heard = inverse @ (sums + ridge @ usual)
    gain = np.sum(heard * usual, axis=-1) / np.maximum(np.sum(usual**2, axis=-1), 1e-12)
    usual = gain[..., np.newaxis] * usual
    off = heard - usual
    chance = spread[:, np.newaxis] * np.diagonal(inverse @ squares @ inverse, axis1=-2, axis2=-1)
    kept = np.maximum(0.0, 1.0 - chance / np.maximum(np.sum(off**2, axis=-1), 1e-12))
    return np.asarray(usual + kept[..., np.newaxis] * off)


@summing_kernel
def _gather(even, belief, place, before, phase, basis, length, level, weight, squares, sums):  # type: ignore[no-untyped-def]
    terms = basis.shape[1]
    for i in range(len(place)):
        c, n, p = before[i], place[i], phase[i]
        for m in range(len(length)):
            if belief[i, m] < UNLIKELY or n + length[m] > len(even):
                continue
            for k in range(terms):
                bk = basis[p, k] * weight[i] * belief[i, m]
                for j in range(terms):
                    squares[c, m, k, j] += bk * basis[p, j]
                bk /= level[i]
                for t in range(np.uint64(length[m])):
                    sums[c, m, k, t] += bk * even[np.uint64(n) + t]


@kernel
def _play(sound, symbol, place, before, phase, level, length, wave):  # type: ignore[no-untyped-def]
    for i in range(len(symbol)):
        n, m = place[i], symbol[i]
        for t in range(np.uint64(max(min(length[m], len(sound) - n), 0))):
            sound[np.uint64(n) + t] += level[i] * wave[before[i], m, phase[i], t]


@summing_kernel
def _compare(even, belief, place, before, phase, length, wave, slope, sums):  # type: ignore[no-untyped-def]
    for i in range(len(place)):
        c, n, p = before[i], place[i], phase[i]
        for m in range(len(length)):
            if belief[i, m] < UNLIKELY:
                continue
            zero = np.float32(0.0)
            xx, xw, ww, xd, dd, wd = zero, zero, zero, zero, zero, zero
            for t in range(np.uint64(max(min(length[m], len(even) - n), 0))):
                x, w, d = even[np.uint64(n) + t], wave[c, m, p, t], slope[c, m, p, t]
                xx += x * x
                xw += x * w
                ww += w * w
                xd += x * d
                dd += d * d
                wd += w * d
            for j, value in enumerate((xx, xw, ww, xd, dd, wd, np.float32(length[m]))):
                sums[j, i] += belief[i, m] * value


def carriers(
    even: npt.NDArray[np.float32], symbol: IntArray, place: IntArray, length: IntArray,
    wave: npt.NDArray[np.floating],
) -> npt.NDArray[np.complex128]:  # fmt: skip
    """Each symbol's carrier, by least squares: a complex number whose angle is the phase at its beginning."""
    parts = np.empty((len(symbol), 2))
    symbol, wave = np.ascontiguousarray(symbol), np.ascontiguousarray(wave, np.float64)
    _fill_in_carriers(even, symbol, place, length, wave, parts)
    return parts.view(np.complex128)[:, 0]


@summing_kernel
def _fill_in_carriers(even, symbol, place, length, wave, parts):  # type: ignore[no-untyped-def]
    for i in range(len(symbol)):
        m, n = symbol[i], place[i]
        sine, cosine, ss, cc, sc = 0.0, 0.0, 1e-9, 1e-9, 0.0
        for t in range(max(0, -n), min(length[m], len(even) - n)):
            s, c = wave[m, 1, t], wave[m, 2, t]
            sine += even[n + t] * s
            cosine += even[n + t] * c
            ss += s * s
            cc += c * c
            sc += s * c
        common = ss * cc - sc * sc
        parts[i, 0], parts[i, 1] = (cc * sine - sc * cosine) / common, (ss * cosine - sc * sine) / common
