"""Places among bytes where the recording may jump: where samples are missing, or there twice.

After a dropout the tape has run on, so bytes and bits go on in step with those before it. Where a piece was
cut out of the recording, they are out of step, by as much as the piece was no whole number of them; and how
many bytes were in it, nobody can tell.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tapewright.cards import Alphabet, FormatCard
from tapewright.model import GAP, ByteRun, Symbols

__all__ = ["LONGEST_JUMP_SECONDS", "Breaks", "breaks_in", "jumps_of"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: Prior probability that the recording jumps, where something was lost, and between any two bytes.
LOST_JUMP, ANY_JUMP = 1e-3, 1e-6
#: How well bytes keep in step, as a share of one, or of a bit where nothing marks where a byte begins; how
#: far a tape wanders off while nothing is heard, in seconds per second squared.
STEADY_BYTE, STEADY_BIT, WANDER = 0.005, 0.02, 0.05
#: How long a piece is that is cut out or repeated. Pieces of 10 to 20 ms are as common as of 20 to 40 ms,
#: those shorter than the first no commoner: sound devices lose whole buffers.
SHORTEST_JUMP_SECONDS, LONGEST_JUMP_SECONDS = 5e-3, 0.15
#: Between bytes that follow one another smaller odds are no matter.
LEAST_ODDS = 1e-4
#: With fewer bytes than this one after another, how far they are apart is taken from the card.
FEWEST_PAIRS = 8


@dataclass(frozen=True, eq=False)
class Breaks:
    """Where the recording may jump within a run of bytes.

    Parameters
    ----------
    after, resumed : ndarray of int64, shape (m,)
        The first byte that would be out of place, for each, and the first that was read whole again.
    late : ndarray of float64, shape (m,)
        Seconds by which that one begins later than the bytes before it say.
    odds : ndarray of float64, shape (m,)
        That the bytes from there on are out of place, as the recording jumps, against that they are not, by
        the time that passed.
    count : int
        Bytes in the run.
    """

    after: Ints
    resumed: Ints
    late: Floats
    odds: Floats
    count: int

    @property
    def doubt(self) -> float:
        """Probability that any bytes are out of place."""
        return float(-np.expm1(-np.log1p(self.odds).sum()))

    @property
    def likeliest(self) -> int:
        """The first byte after the likeliest of them; there must be one."""
        return int(self.after[np.argmax(self.odds)])

    def in_place(self, doubt: float) -> Floats:
        """Probability of each byte to be in its place, if `doubt` is that of any to be out of it."""
        nats = np.zeros(self.count)
        np.add.at(nats, self.after, np.log1p(self.odds))
        so_far = -np.expm1(-np.cumsum(nats))
        return np.clip(1.0 - doubt * so_far / max(self.doubt, 1e-300), 0.0, 1.0)


def breaks_in(symbols: Symbols, card: FormatCard, run: ByteRun) -> Breaks:
    """Hold the time from each byte to the next against how far bytes are apart.

    Where a 0 and a 1 differ in length and nothing marks where a byte begins, time tells nothing.

    Parameters
    ----------
    symbols : Symbols
    card : FormatCard
    run : ByteRun

    Returns
    -------
    Breaks
    """
    alphabet, byte = Alphabet.of(card), card.byte
    whole = _whole(symbols, run)
    if len(whole) < 2 or not (alphabet.equal_lengths or byte.is_asynchronous):
        none = np.zeros(0, np.int64)
        return Breaks(none, none, np.zeros(0), np.zeros(0), len(run))
    first = run.first_symbol[whole].astype(np.int64)
    passed, unheard = _times(symbols, first)
    apart, dark = np.diff(passed), np.diff(unheard)
    steps = np.diff(whole)
    is_next = steps == 1
    pitch, spread = byte.symbols_per_byte * alphabet.mean_bit_seconds, 0.0
    if np.count_nonzero(is_next) >= FEWEST_PAIRS:
        pitch = float(np.median(apart[is_next]))
        spread = 1.48 * float(np.median(np.abs(apart[is_next] - pitch)))
    has_frame = byte.start or byte.stop or byte.parity != "none"
    modulus = pitch if has_frame else pitch / byte.symbols_per_byte
    steady = modulus * (STEADY_BYTE if has_frame else STEADY_BIT)
    deviation = np.sqrt(spread**2 * steps + steady**2 + (WANDER * dark**2) ** 2)
    late = apart - steps * pitch
    in_step = np.exp(-0.5 * np.minimum((late / deviation) ** 2, 1000.0)) / (deviation * np.sqrt(2.0 * np.pi))
    is_seamless = is_next & (run.end_symbol[whole[:-1]] == first[1:])
    jumps = np.where(is_seamless, ANY_JUMP, LOST_JUMP) / modulus / in_step
    kept = ~is_seamless | (jumps > LEAST_ODDS)
    jumps, late = jumps[kept], late[kept]
    shifts = _shifts(late, modulus)
    odds = jumps * shifts / (1.0 + jumps * (1.0 - shifts))
    return Breaks(whole[:-1][kept] + 1, whole[1:][kept], late, odds, len(run))


def _times(symbols: Symbols, first: Ints) -> tuple[Floats, Floats]:
    """Say when symbols begin, had the tape run at its nominal speed, and for how long nothing was heard."""
    among = slice(int(first[0]), int(first[-1]))
    seconds = np.diff(symbols.start_seconds[among.start : among.stop + 1])
    speed, is_gap = symbols.speed[among].astype(np.float64), symbols.index[among] == GAP
    heard = np.flatnonzero(~is_gap)
    before, after = (np.searchsorted(heard, np.flatnonzero(is_gap)) + k for k in (-1, 0))
    ends = speed[heard[np.clip((before, after), 0, len(heard) - 1)]]
    speed[is_gap] = ends.mean(axis=0)
    passed, unheard = (np.append(0.0, np.cumsum(part)) for part in (seconds * speed, seconds * is_gap))
    return passed[first - first[0]], unheard[first - first[0]]


def _shifts(late: Floats, modulus: float) -> Floats:
    """How likely what is out of step by so many seconds is so by more, by one `modulus` or several."""
    most = max(1, round(LONGEST_JUMP_SECONDS / modulus))
    others = late[:, np.newaxis] + modulus * np.delete(np.arange(-most, most + 1), most)
    of_others = jumps_of(others).sum(axis=1)
    return np.asarray(of_others / (of_others + jumps_of(late)))


def jumps_of(seconds: Floats) -> Floats:
    """How common pieces of some lengths are, against others."""
    return np.asarray(1.0 / np.maximum(np.abs(seconds), SHORTEST_JUMP_SECONDS))


def _whole(symbols: Symbols, run: ByteRun) -> Ints:
    """The first byte, and those that were read from symbols all of which were heard."""
    if not len(run):
        return np.zeros(0, np.int64)
    begin = int(run.first_symbol[0])
    until = int(run.end_symbol.max(initial=begin))
    dark = np.append(0, np.cumsum(symbols.index[begin:until] == GAP))
    is_heard = dark[run.end_symbol - begin] == dark[run.first_symbol - begin]
    is_whole = is_heard & run.framing_ok & (run.confidence > 0)
    is_whole[0] |= symbols.index[begin] != GAP
    return np.flatnonzero(is_whole)
