"""The bits of one save as they were heard, before anybody knows where bytes begin."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from tapewright.model import GAP, Symbols

__all__ = ["NO_BIT", "Stream", "byte_values", "exchanged", "with_silent_bits"]

#: Stands for symbols that are no bits: gaps, leaders and marks of their own.
NO_BIT = -1
#: A gap of no more symbols than this, as long as they are within this share, may be so many silent bits.
MOST_SILENT_BITS, SILENT_WITHIN = 24, 0.1

_OTHER = str.maketrans("01", "10")

BitArray = npt.NDArray[np.int8]
ValueArray = npt.NDArray[np.int16]


@dataclass(frozen=True, eq=False)
class Stream:
    """One save's symbols, taken for bits.

    Parameters
    ----------
    symbols : Symbols
    swapped : bool
        Whether the symbol named 1 is taken for a 0, and the other way round.
    """

    symbols: Symbols
    swapped: bool = False

    @cached_property
    def bits(self) -> BitArray:
        """Each symbol's bit, `NO_BIT` where it is none; int8, shape (n,)."""
        zero, one = (self.symbols.names.index(name) for name in ("10" if self.swapped else "01"))
        bits = np.full(len(self.symbols), NO_BIT, np.int8)
        bits[self.symbols.index == zero] = 0
        bits[self.symbols.index == one] = 1
        return bits

    @cached_property
    def _sureness(self) -> npt.NDArray[np.float64]:
        return np.asarray(np.exp(self.symbols.log_p.max(axis=1).astype(np.float64)))

    def doubt(self, first: int, end: int) -> float:
        """Share of the symbols from `first` to `end` (exclusive) that are wrong, as the receiver has it."""
        sure = self._sureness[first:end]
        sure = sure[sure > 0.0]  # of gaps nothing is said
        return float(1.0 - sure.mean()) if len(sure) else 0.0

    def values(self, width: int, order: str) -> ValueArray:
        """The byte that would begin at each bit: see `byte_values`."""
        if (width, order) not in self._values:
            self._values[width, order] = byte_values(self.bits, width, order)
        return self._values[width, order]

    @cached_property
    def _values(self) -> dict[tuple[int, str], ValueArray]:
        return {}

    def seconds(self, first: int, end: int) -> float:
        """How long symbols `first` to `end` (exclusive) last, at the speed their tape was recorded."""
        if end <= first:
            return 0.0
        heard = self.symbols
        lasted = heard.end_seconds[end - 1] - heard.start_seconds[first]
        return float(lasted * np.median(heard.speed[first:end]))


def byte_values(bits: BitArray, width: int, order: str) -> ValueArray:
    """Give the byte that would begin at each bit.

    Parameters
    ----------
    bits : ndarray of int8, shape (n,)
    width : int
        Bits in a byte.
    order : {"lsb", "msb"}

    Returns
    -------
    ndarray of int16, shape (max(n - width + 1, 0),)
        -1 where one of its bits is none.
    """
    count = max(len(bits) - width + 1, 0)
    value = np.zeros(count, np.int16)
    whole = np.ones(count, np.bool_)
    for k in range(width):
        bit = bits[k : k + count]
        value |= np.maximum(bit, 0).astype(np.int16) << (k if order == "lsb" else width - 1 - k)
        whole &= bit >= 0
    value[~whole] = -1
    return value


def exchanged(symbols: str) -> str:
    """Names of symbols with 0 and 1 the other way round."""
    return symbols.translate(_OTHER)


def with_silent_bits(symbols: Symbols, name: str, seconds: float) -> Symbols:
    """Take gaps of whole cells for the bits that are nothing but silence.

    Parameters
    ----------
    symbols : Symbols
    name : str
        Of the symbol that is silence.
    seconds : float
        How long it lasts.
    """
    lasted = (symbols.end_seconds - symbols.start_seconds) * symbols.speed / seconds
    bits = np.rint(lasted)
    fills = (symbols.index == GAP) & (bits >= 1) & (bits <= MOST_SILENT_BITS)
    fills &= np.abs(lasted - bits) <= SILENT_WITHIN * bits
    if not fills.any():
        return symbols
    counts = np.where(fills, bits, 1).astype(np.int64)
    entry = np.repeat(np.arange(len(symbols)), counts)
    within = np.arange(len(entry)) - np.repeat(np.cumsum(counts) - counts, counts)
    step = ((symbols.end_seconds - symbols.start_seconds) / counts)[entry]
    start = symbols.start_seconds[entry] + within * step
    index = np.where(fills, symbols.names.index(name), symbols.index)[entry].astype(symbols.index.dtype)
    return replace(
        symbols, index=index, start_seconds=start, end_seconds=start + step, log_p=symbols.log_p[entry],
        level=symbols.level[entry], speed=symbols.speed[entry], noise=symbols.noise[entry],
    )  # fmt: skip
