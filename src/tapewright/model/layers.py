"""The layers between audio and blocks: symbols and bytes, each with its place and how sure it is.

Soft values are natural-log throughout; a log-likelihood ratio is positive where the bit is 1.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tapewright.model.place import Span
from tapewright.model.scratch import pieces

__all__ = ["GAP", "SYMBOL_FIELDS", "ByteRun", "Symbols"]

FloatArray = npt.NDArray[np.floating]
IntArray = npt.NDArray[np.integer]

#: How numpy keeps characters.
UTF_32 = f"utf-32-{sys.byteorder[0]}e"

#: What `Symbols` holds for each symbol.
SYMBOL_FIELDS = ("index", "start_seconds", "end_seconds", "log_p", "level", "speed", "noise")
#: What holds for most symbols of a recording is told from so many runs of so many of them at most.
RUNS_SAMPLED, RUN_SAMPLED = 64, 4096
#: Index of a stretch with no signal of this format in `Symbols.index`.
GAP = -1


@dataclass(frozen=True, eq=False)
class Symbols:
    """What the receiver heard, one entry a symbol, in order of time.

    Parameters
    ----------
    names : str
        The alphabet: entry k of `index` is the symbol ``names[k]``.
    index : ndarray of int16, shape (n,)
        Which symbol; `GAP` (-1) for a stretch in which there was no signal of this format.
    start_seconds, end_seconds : ndarray of float64, shape (n,)
        In the original recording.
    log_p : ndarray of float32, shape (n, len(names))
        Natural log of each symbol's posterior probability; rows of gaps hold -inf.
    level : ndarray of float32, shape (n,)
        Received amplitude, full scale 1, of a symbol of nominal amplitude 1.
    speed : ndarray of float32, shape (n,)
        Tape speed, 1 = nominal, above 1 = fast (the symbols are short).
    noise : ndarray of float32, shape (n,)
        Noise standard deviation per sample in the receiver's band, full scale 1.
    """

    names: str
    index: IntArray
    start_seconds: FloatArray
    end_seconds: FloatArray
    log_p: FloatArray
    level: FloatArray
    speed: FloatArray
    noise: FloatArray

    def __len__(self) -> int:
        return len(self.index)

    @property
    def text(self) -> str:
        """The symbols as characters; a gap is a full stop."""
        return "".join(self.text_of(part) for part in pieces(len(self)))

    def text_of(self, part: slice) -> str:
        """Some of the symbols as characters; of a long recording, all of them are many."""
        table = np.array([*self.names, "."])
        # index -1 picks the last entry, the full stop; joining would make an object of every character
        return table[self.index[part]].tobytes().decode(UTF_32)

    def span(self, first: int, last: int) -> Span:
        """The place of symbols `first` to `last` (inclusive)."""
        return Span(float(self.start_seconds[first]), float(self.end_seconds[last]))

    def sample(self) -> Symbols:
        """All of them; of a long recording some: enough for a median."""
        if len(self) <= RUNS_SAMPLED * RUN_SAMPLED:
            return self
        # whole runs, as every so manieth symbol might always be a start bit
        firsts = np.linspace(0, len(self) - RUN_SAMPLED, RUNS_SAMPLED).astype(np.int64)
        return self.at((firsts[:, None] + np.arange(RUN_SAMPLED)).ravel())

    def heard_sample(self) -> Symbols:
        """Of a sample those that were heard: gaps are left out."""
        sample = self.sample()
        return sample.at(np.flatnonzero(sample.index != GAP))

    def at(self, places: IntArray | slice) -> Symbols:
        """Some of the symbols: of a slice, views."""
        return Symbols(self.names, *(getattr(self, name)[places] for name in SYMBOL_FIELDS))

    @classmethod
    def empty(cls, names: str) -> Symbols:
        """No symbols at all."""
        when, value = np.zeros(0), np.zeros(0, np.float32)
        log_p = np.zeros((0, len(names)), np.float32)
        return cls(names, np.zeros(0, np.int16), when, when, log_p, value, value, value)

    def __repr__(self) -> str:
        gaps = int(np.count_nonzero(self.index == GAP))
        return f"<Symbols {len(self) - gaps} of {self.names!r}, {gaps} gap(s)>"


@dataclass(frozen=True, eq=False)
class ByteRun:
    """Bytes framed one after another from one place in the symbols.

    Parameters
    ----------
    value : ndarray of uint8, shape (n,)
        Most likely value; 0 where nothing could be read.
    confidence : ndarray of float64, shape (n,)
        Probability that the value is right; 0 where nothing could be read.
    bit_llr : ndarray of float32, shape (n, bits)
        Log-likelihood ratio of each bit, least significant first, positive means 1.
    first_symbol, end_symbol : ndarray of int64, shape (n,)
        The byte occupies ``symbols[first_symbol:end_symbol]``.
    framing_ok, parity_ok : ndarray of bool, shape (n,)
    """

    value: npt.NDArray[np.uint8]
    confidence: FloatArray
    bit_llr: FloatArray
    first_symbol: IntArray
    end_symbol: IntArray
    framing_ok: npt.NDArray[np.bool_]
    parity_ok: npt.NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.value)
