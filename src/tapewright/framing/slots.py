"""Symbols laid out in equal steps: a stretch without signal becomes as many slots as it would have held."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from tapewright.cards import Alphabet, ByteFormat
from tapewright.framing.kernels import end_to_end
from tapewright.model import GAP, Symbols
from tapewright.model.scratch import pieces, zeros

__all__ = ["MOST_BRIDGED_SECONDS", "Slots"]

#: A stretch without signal longer than this ends whatever stood before it (chosen: no dropout is so long).
MOST_BRIDGED_SECONDS = 3.0
#: Below this a symbol is simply wrong; a receiver's claim of more is not believed.
LEAST_LOG_P = np.log(1e-6)
#: exp of more than this, either way, is as good as 0 or endless.
MOST_LOG_P = 80.0
#: A symbol has as much time unheard before it as half a bit: idle tone the receiver passed over.
HOLE_BITS = 0.5
#: Bytes further apart than so many times their length are two stretches (chosen: idle time within one is
#: what a slow program takes to fetch a byte).
MOST_APART = 6
#: Idle time is usual from this share of the bytes on. Where there is none, wrong symbols feign some.
OFTEN_SHARE = 0.2
#: Of bytes, at least this share has another one next; of another format's tones up to 0.84 (measured: mostly
#: stops, as idle time is; bytes of which one symbol in fifty is wrong, 0.93).
LEAST_NEAR_SHARE = 0.85
#: With fewer bytes than this any may be followed by idle time.
FEWEST_NEIGHBOURS = 16


@dataclass(frozen=True, eq=False)
class Slots:
    """One entry a symbol, except that a gap has as many as the symbols it swallowed.

    Parameters
    ----------
    symbol : ndarray of int64, shape (n,)
        Which symbol the slot stands for.
    start_seconds : ndarray of float64, shape (n + 1,)
        When each slot starts; the last entry is the end of the recording's last symbol.
    heard_seconds : ndarray of float64, shape (n + 1,)
        When what stands before each slot ended; earlier than its start where idle tone was passed over.
    score : ndarray of float32, shape (n, k)
        Log-likelihood ratio of each symbol of the alphabet against chance; 0 where erased.
    llr : ndarray of float32, shape (n,)
        Log-likelihood ratio of a 1 against a 0; near 0 where the symbol is neither.
    erased, hole, barrier : ndarray of bool, shape (n,)
        Without signal; time passed unheard before it; a gap too long to be bridged.
    of_symbol : ndarray of int64, shape (symbols + 1,)
        First slot of each symbol.
    byte_seconds : float
        From the start of one byte to the start of the next, usually.
    often_idle : bool
        Whether idle time stands between many bytes.
    """

    symbol: npt.NDArray[np.int64]
    start_seconds: npt.NDArray[np.float64]
    heard_seconds: npt.NDArray[np.float64]
    score: npt.NDArray[np.float32]
    llr: npt.NDArray[np.float32]
    erased: npt.NDArray[np.bool_]
    hole: npt.NDArray[np.bool_]
    barrier: npt.NDArray[np.bool_]
    of_symbol: npt.NDArray[np.int64]
    byte_seconds: float
    often_idle: bool

    def __len__(self) -> int:
        return len(self.symbol)

    @cached_property
    def dark(self) -> npt.NDArray[np.int64]:
        """How many slots before each are erased, shape (n + 1,)."""
        out = zeros((len(self) + 1,), np.int64)
        for part in pieces(len(self)):
            out[part.start + 1 : part.stop + 1] = out[part.start] + np.cumsum(self.erased[part])
        return out

    @classmethod
    def of(cls, symbols: Symbols, byte: ByteFormat, alphabet: Alphabet) -> Slots:
        """Lay symbols out."""
        sample = symbols.sample()
        bit_seconds = _bit_seconds(sample, alphabet)
        byte_seconds, often_idle = _byte_seconds(sample, byte, bit_seconds)
        of_symbol = _first_slots(symbols, byte_seconds / byte.symbols_per_byte)
        count = int(of_symbol[-1])
        slots = cls(
            symbol=zeros((count,), np.int64),
            start_seconds=zeros((count + 1,), np.float64),
            heard_seconds=zeros((count + 1,), np.float64),
            score=zeros((count, len(symbols.names)), np.float32),
            llr=zeros((count,), np.float32),
            erased=zeros((count,), np.bool_),
            hole=zeros((count,), np.bool_),
            barrier=zeros((count,), np.bool_),
            of_symbol=of_symbol,
            byte_seconds=byte_seconds,
            often_idle=often_idle,
        )
        for part in pieces(len(symbols)):
            slots._lay_out(symbols, part, HOLE_BITS * bit_seconds)
        if len(symbols):
            slots.start_seconds[-1] = slots.heard_seconds[-1] = symbols.end_seconds[-1]
        return slots

    def _lay_out(self, symbols: Symbols, part: slice, hole_seconds: float) -> None:
        """Fill in the slots of some of the symbols."""
        start, end = symbols.start_seconds[part], symbols.end_seconds[part]
        is_gap = symbols.index[part] == GAP
        ended = symbols.end_seconds[max(part.start - 1, 0) : part.stop - 1]
        if part.start == 0:  # there was no time to pass unheard before the first symbol
            ended = np.concatenate((start[:1], ended))
        first = self.of_symbol[part.start : part.stop + 1]
        counts = np.diff(first)
        symbol = np.repeat(np.arange(len(start)), counts)
        place = slice(int(first[0]), int(first[-1]))
        within = (np.arange(place.start, place.stop) - first[symbol]) / counts[symbol]
        erased, is_first = is_gap[symbol], within == 0
        self.symbol[place] = symbol + part.start
        self.start_seconds[place] = start[symbol] + within * (end - start)[symbol]
        self.heard_seconds[place] = np.where(is_first, ended[symbol], self.start_seconds[place])
        self.erased[place] = erased
        self.hole[place] = (start - ended > hole_seconds)[symbol] & is_first
        self.barrier[place] = (is_gap & (end - start > MOST_BRIDGED_SECONDS))[symbol]
        names = symbols.names
        zero, one = names.index("0"), names.index("1")
        chance = np.full(len(names), 1.0 / len(names))
        chance[[zero, one]] = 0.5
        log_p = _finite(symbols.log_p[part])[symbol]
        score = np.maximum(log_p, np.float32(LEAST_LOG_P)) - np.log(chance).astype(np.float32)
        score[erased] = 0.0
        self.score[place] = score
        self.llr[place] = _llr(log_p, zero, one, erased)


def _first_slots(symbols: Symbols, slot_seconds: float) -> npt.NDArray[np.int64]:
    """Give the first slot of each symbol, and how many slots there are; shape (symbols + 1,)."""
    out = zeros((len(symbols) + 1,), np.int64)
    for part in pieces(len(symbols)):
        seconds = symbols.end_seconds[part] - symbols.start_seconds[part]
        is_gap = symbols.index[part] == GAP
        counts = np.where(is_gap, np.rint(seconds / slot_seconds), 1).astype(np.int64)
        counts[is_gap & (seconds > MOST_BRIDGED_SECONDS)] = 1
        out[part.start + 1 : part.stop + 1] = out[part.start] + np.cumsum(counts)
    return out


def _finite(log_p: npt.NDArray[np.floating]) -> npt.NDArray[np.float32]:
    """Keep soft values within what can be reckoned with; one that is no number says nothing."""
    nothing = -np.log(max(1, log_p.shape[1]))
    finite = np.nan_to_num(log_p, nan=nothing, neginf=-MOST_LOG_P, posinf=0.0)
    kept: npt.NDArray[np.float32] = np.clip(finite, -MOST_LOG_P, 0.0).astype(np.float32)
    return kept


def _llr(
    log_p: npt.NDArray[np.floating], zero: int, one: int, erased: npt.NDArray[np.bool_]
) -> npt.NDArray[np.float32]:
    """Give the log-likelihood ratio of the bits; what is neither 0 nor 1 leaves the bit open."""
    p0, p1 = np.exp(log_p[:, zero]), np.exp(log_p[:, one])
    # of the probability of other symbols, a little counts for either bit: enough to drown two tiny values
    rest = 0.01 * np.clip(1.0 - p0 - p1, 0.0, 1.0) + 1e-9 if log_p.shape[1] > 2 else 1e-12
    out: npt.NDArray[np.float32] = (np.log(p1 + rest) - np.log(p0 + rest)).astype(np.float32)
    out[erased] = 0.0
    return out


def _bit_seconds(symbols: Symbols, alphabet: Alphabet) -> float:
    """Mean length of a bit as heard; the card's where too few were."""
    lengths = []
    seconds = symbols.end_seconds - symbols.start_seconds
    for bit in "01":
        heard = seconds[symbols.index == symbols.names.index(bit)]
        nominal = alphabet.shapes[alphabet.names.index(bit)].seconds
        lengths.append(float(np.median(heard)) if len(heard) >= 16 else nominal)
    return sum(lengths) / 2


def _byte_seconds(symbols: Symbols, byte: ByteFormat, bit_seconds: float) -> tuple[float, bool]:
    """Usual time from one byte to the next, and whether idle time is often part of it."""
    nominal = byte.symbols_per_byte * bit_seconds
    if not byte.is_asynchronous:
        return nominal, False
    here, there, is_chance = _neighbours(symbols, byte)
    if len(here) < FEWEST_NEIGHBOURS:
        return nominal, True
    alike = np.ones(len(here), np.bool_)
    for place in range(byte.symbols_per_byte):
        alike &= symbols.index[here + place] == symbols.index[there + place]
    # bytes that repeat say little: a sync is sent by a tight loop, and a leader may look like bytes
    if np.count_nonzero(~alike) >= FEWEST_NEIGHBOURS:
        here, there = here[~alike], there[~alike]
    pitch = symbols.start_seconds[there] - symbols.start_seconds[here]
    end = symbols.end_seconds[here + byte.symbols_per_byte - 1]
    idles = symbols.start_seconds[there] - end > HOLE_BITS * bit_seconds
    return max(nominal, float(np.median(pitch))), not is_chance and float(idles.mean()) > OFTEN_SHARE


def _neighbours(
    symbols: Symbols, byte: ByteFormat
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], bool]:
    """Bytes, by their first symbols, with nothing but idle time, if anything, before the next one.

    Bits that look like start and stop are no harm: idle time does not, so the byte after a true one is found,
    and the one after that. The last value is whether so many are followed by something else that they are no
    bytes.
    """
    length = byte.symbols_per_byte
    fits = np.ones(max(0, len(symbols) - length + 1), np.bool_)
    wanted = [*enumerate(byte.start), *enumerate(byte.stop, start=length - len(byte.stop))]
    for place, name in wanted:
        fits &= symbols.index[place : place + len(fits)] == symbols.names.index(name)
    first = end_to_end(np.flatnonzero(fits), length)
    here, there = first[:-1], first[1:]
    busy = np.append(0, np.cumsum(symbols.index != symbols.names.index(byte.stop[-1])))
    near = (busy[there] == busy[here + length]) & (there - here < MOST_APART * length)
    return here[near], there[near], bool(len(near) and near.mean() < LEAST_NEAR_SHARE)
