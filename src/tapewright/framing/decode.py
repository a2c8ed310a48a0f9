"""Symbols to bytes: find every start, tolerate idle time, and find the frame again after a slip."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from tapewright.cards import Alphabet, FormatCard
from tapewright.cards.layout import Lead
from tapewright.framing.bits import Frames, read_frames
from tapewright.framing.encode import byte_symbols
from tapewright.framing.kernels import BYTE, IDLE, LOST, frame_scores, segment
from tapewright.framing.slots import MOST_BRIDGED_SECONDS, Slots
from tapewright.model import ByteRun, Symbols
from tapewright.model.runs import runs_of
from tapewright.model.scratch import pieces, zeros

__all__ = ["Framer"]

#: Bytes looked at in one go (twice as many each time), and how many more are looked at to be sure of them
#: (chosen: framing symbols of a dozen bytes settle any alignment).
FEWEST_AT_ONCE, MOST_AT_ONCE = 256, 8192
BYTES_AHEAD = 12
#: While a number of bytes is still owed, idle time longer than this ends them all the same (chosen: longer
#: than any pause inside a block, shorter than any leader).
LONGEST_PAUSE_SECONDS = 1.0
#: Bytes after a stretch of noise belong to what stood before it only if their framing is this unlike chance.
LEAST_TAIL_BITS = 20.0
#: A stray idle symbol is as likely one inserted in the byte before it, which then only looks whole.
STRAY_IDLE_CONFIDENCE = 0.5
#: Evidence of a byte that was lost in spite of a signal, and the worst that any byte counts.
LOST_BITS = -4.0
WORST_BITS = -20.0


@dataclass(frozen=True, eq=False)
class _Path:
    """Stretches of slots in order: each a byte, idle time, or lost."""

    state: npt.NDArray[np.int64]
    first: npt.NDArray[np.int64]
    end: npt.NDArray[np.int64]
    sure: npt.NDArray[np.float64]

    def part(self, chosen: slice | npt.NDArray[np.bool_]) -> _Path:
        return _Path(self.state[chosen], self.first[chosen], self.end[chosen], self.sure[chosen])


class Framer:
    """Reads bytes from any place in a stream of symbols.

    The bytes of a stretch are found together: the likeliest way to split the symbols into bytes, idle time
    and lost stretches, from the soft values of start, parity and stop symbols. What cannot be read counts as
    bytes of value 0 and confidence 0, as many as the time would have held.

    Parameters
    ----------
    symbols : Symbols
    card : FormatCard
        Must have the alphabet of `symbols`.
    """

    def __init__(self, symbols: Symbols, card: FormatCard) -> None:
        self.symbols, self.card, self.byte = symbols, card, card.byte
        self.slots = Slots.of(symbols, card.byte, Alphabet.of(card))
        self.length = card.byte.symbols_per_byte

    def symbols_of(self, data: bytes) -> str:
        """Give the symbols these bytes are on tape, without idle time between them."""
        table = byte_symbols(self.byte)
        return "".join(table[value] for value in data if value < len(table))

    def read(self, first_symbol: int, count: int) -> ByteRun:
        """Read `count` bytes from a symbol on.

        Parameters
        ----------
        first_symbol : int
            Where the first byte starts; idle time may come first where bytes have start symbols.
        count : int

        Returns
        -------
        ByteRun
            Fewer bytes where the recording, the signal or (in a pause longer than a second) the data ends.
        """
        path = self._path(first_symbol, count, LONGEST_PAUSE_SECONDS, starts_idle=False)
        return self._run(self._frames(path).part(slice(0, count)))

    def read_until_lead(self, first_symbol: int, most: int, idle_seconds: float) -> ByteRun:
        """Read bytes until idle time of `idle_seconds`, the end of the signal, or `most` bytes.

        Bytes lost at the very beginning or end are left out: nobody knows whether there were any.

        Parameters
        ----------
        first_symbol : int
            In the idle time before the first byte.
        most : int
        idle_seconds : float

        Returns
        -------
        ByteRun
        """
        path = self._path(first_symbol, most, idle_seconds, starts_idle=True)
        return self._run(self._trimmed(self._frames(path)).part(slice(0, most)))

    def read_ending_at(self, end_symbol: int, count: int) -> ByteRun:
        """Read `count` bytes without anything between them, the last of which ends before a symbol.

        Parameters
        ----------
        end_symbol : int
        count : int
            There must be so many, without a gap.

        Returns
        -------
        ByteRun
        """
        end = int(self.slots.of_symbol[end_symbol])
        first = end - self.length * np.arange(count, 0, -1)
        return self._run(Frames(first, first + self.length, np.zeros(count, np.bool_), np.ones(count)))

    def evidence_bits(self, run: ByteRun) -> npt.NDArray[np.float64]:
        """Say how much better framing explains each byte than chance does, in bits.

        At most one bit a framing symbol; negative where they are wrong, or where bytes were lost although
        there was a signal. It is a log-likelihood ratio: over random symbols its exponential averages 1.
        """
        if not len(run):
            return np.zeros(0)
        first = np.minimum(self.slots.of_symbol[run.first_symbol], len(self.slots) - 1)
        bits = self._frame_score[first].astype(np.float64) / np.log(2)
        lost = run.confidence == 0
        bits[lost] = np.where(self.slots.erased[first[lost]], 0.0, LOST_BITS)
        out: npt.NDArray[np.float64] = np.maximum(bits, WORST_BITS)
        return out

    @cached_property
    def _wanted(self) -> list[tuple[int, str]]:
        """Framing symbols of a byte that are always the same, with their places in it."""
        byte = self.byte
        wanted = list(enumerate(byte.start))
        if byte.parity in ("mark", "space"):
            wanted.append((len(byte.start) + byte.bits, "1" if byte.parity == "mark" else "0"))
        return wanted + list(enumerate(byte.stop, start=self.length - len(byte.stop)))

    @cached_property
    def _frame_score(self) -> npt.NDArray[np.float32]:
        byte, names, wanted = self.byte, self.symbols.names, self._wanted
        scores = zeros((len(self.slots),), np.float32)
        for part in pieces(len(scores)):
            with_last_frame = slice(part.start, part.stop + self.length - 1)
            found = np.empty(len(self.slots.hole[with_last_frame]), np.float32)
            frame_scores(
                self.slots.score[with_last_frame],
                self.slots.hole[with_last_frame],
                np.array([place for place, _ in wanted], np.int64),
                np.array([names.index(name) for _, name in wanted], np.int64),
                len(byte.start),
                byte.bits,
                {"even": 0, "odd": 1}.get(byte.parity, -1),
                names.index("0"),
                names.index("1"),
                found,
            )
            scores[part] = found[: part.stop - part.start]
        return scores

    @cached_property
    def _best_frame_score(self) -> float:
        """The score of a frame without a doubt."""
        per_symbol = [np.log(2 if name in "01" else len(self.symbols.names)) for _, name in self._wanted]
        return float(sum(per_symbol)) + (np.log(2) if self.byte.parity in ("even", "odd") else 0.0)

    @cached_property
    def _idle_score(self) -> npt.NDArray[np.float32]:
        """How much each slot is like idle time: the last stop symbol, or a leader of one symbol."""
        best = zeros((len(self.slots),), np.float32)
        if not self.byte.is_asynchronous:
            return best
        leads = {item.lead for block in self.card.block for item in block.layout if isinstance(item, Lead)}
        alike = {lead[0] for lead in leads if len(set(lead)) == 1}
        idle = (alike | {self.byte.stop[-1]}) - {self.byte.start[0]}
        columns = [self.symbols.names.index(name) for name in sorted(idle)]
        for part in pieces(len(best)):
            best[part] = self.slots.score[part, columns].max(axis=1)
        return best

    def _path(self, first_symbol: int, count: int, idle_seconds: float, *, starts_idle: bool) -> _Path:
        """Split the slots from a symbol on, window by window, until `count` bytes stand or they end."""
        slots = self.slots
        place = int(slots.of_symbol[min(first_symbol, len(self.symbols))])
        path = _no_path()
        at_once = FEWEST_AT_ONCE
        while place < len(slots) and (owed := count - self._bytes_in(path)) > 0:
            end = min(place + (min(owed, at_once) + 2 * BYTES_AHEAD) * self.length, len(slots))
            barriers = np.flatnonzero(slots.barrier[place:end])
            is_last = end == len(slots) or len(barriers) > 0
            if len(barriers):
                end = place + int(barriers[0])
            window = self._window(place, end, starts_idle)
            settled = end if is_last else end - BYTES_AHEAD * self.length
            window = window.part(window.first < settled)
            clip = window.state != BYTE
            window.end[clip] = np.minimum(window.end[clip], settled)
            path = _joined(path, window)
            if len(path.state):
                place, starts_idle = int(path.end[-1]), bool(path.state[-1] == IDLE)
            stop = self._ends_at(path, idle_seconds)
            if stop is not None:
                return path.part(slice(0, stop))
            if is_last or not len(window.state):
                break
            at_once = min(2 * at_once, MOST_AT_ONCE)
        return path

    def _window(self, place: int, end: int, starts_idle: bool) -> _Path:
        has_framing = self.byte.start or self.byte.stop or self.byte.parity != "none"
        if not has_framing:
            first = np.arange(place, end - self.length + 1, self.length)
            return _Path(np.full(len(first), BYTE), first, first + self.length, np.ones(len(first)))
        cut = slice(place, end)
        state, first, stop, sure = segment(
            self._frame_score[cut],
            self._idle_score[cut],
            self.slots.erased[cut],
            self.slots.hole[cut],
            self.length,
            self.byte.is_asynchronous,
            self.slots.often_idle,
            starts_idle,
        )
        return _Path(state, first + place, stop + place, sure)

    def _bytes_in(self, path: _Path) -> int:
        lost = path.state == LOST
        seconds = self.slots.start_seconds[path.end[lost]] - self.slots.start_seconds[path.first[lost]]
        # rounded up: a byte too many is cut off later, a byte too few would not be read
        return int(np.count_nonzero(path.state == BYTE) + np.floor(seconds / self.slots.byte_seconds).sum())

    def _ends_at(self, path: _Path, idle_seconds: float) -> int | None:
        """Find the pause or loss of signal that ends the bytes: the number of its stretch, or None."""
        start, heard = self.slots.start_seconds, self.slots.heard_seconds
        is_byte = path.state == BYTE
        # before a byte there may be idle time the receiver passed over without a symbol
        until = np.where(is_byte, start[path.first], start[path.end])
        pause = np.where(path.state == LOST, 0.0, until - heard[path.first])
        after_first = np.cumsum(is_byte) > is_byte
        lost = np.where(path.state == LOST, start[path.end] - start[path.first], 0.0)
        over = np.flatnonzero(((pause >= idle_seconds) & after_first) | (lost > MOST_BRIDGED_SECONDS))
        return int(over[0]) if len(over) else None

    def _frames(self, path: _Path) -> Frames:
        """Turn stretches into bytes: each frame, and as many lost bytes as lost time would have held."""
        dark = self.slots.dark
        bits = len(self.byte.start), len(self.byte.start) + self.byte.bits
        is_byte = path.state == BYTE
        last = len(dark) - 1
        unread = dark[np.minimum(path.first + bits[1], last)] - dark[np.minimum(path.first + bits[0], last)]
        idle_dark = 2 * (dark[path.end] - dark[path.first]) > path.end - path.first
        lost = (
            (path.state == LOST) | (is_byte & (unread >= self.byte.bits)) | ((path.state == IDLE) & idle_dark)
        )
        kept = is_byte & ~lost
        sure_of = np.where(self._may_hold_slip(path), path.sure * STRAY_IDLE_CONFIDENCE, path.sure)
        first, end, sure = [path.first[kept]], [path.end[kept]], [sure_of[kept]]
        for a, b in runs_of(lost):
            from_slot, to_slot = path.first[a], path.end[b - 1]
            seconds = self.slots.start_seconds[to_slot] - self.slots.start_seconds[from_slot]
            places = np.linspace(from_slot, to_slot, round(seconds / self.slots.byte_seconds) + 1).astype(int)
            first.append(places[:-1])
            end.append(places[1:])
            sure.append(np.zeros(len(places) - 1) if len(places) != 2 else np.ones(1))
        is_lost = np.concatenate([np.full(len(part), k > 0) for k, part in enumerate(first)])
        order = np.argsort(np.concatenate(first), kind="stable")
        return Frames(
            np.concatenate(first)[order],
            np.concatenate(end)[order],
            is_lost[order],
            np.concatenate(sure)[order],
        )

    def _may_hold_slip(self, path: _Path) -> npt.NDArray[np.bool_]:
        """Bytes followed by a stray idle symbol or two, where bytes follow one another without."""
        out = np.zeros(len(path.state), np.bool_)
        if not self.slots.often_idle and len(out) > 2:
            stray = (path.state[1:-1] == IDLE) & (path.end[1:-1] - path.first[1:-1] <= 2)
            out[:-2] = (path.state[:-2] == BYTE) & stray & (path.state[2:] == BYTE)
        return out

    def _trimmed(self, frames: Frames) -> Frames:
        """Leave out lost bytes at either end, and a tail after noise that is no better than chance."""
        read = np.flatnonzero(~frames.lost)
        if not len(read):
            return frames.part(slice(0, 0))
        frames = frames.part(slice(read[0], read[-1] + 1))
        for k in np.flatnonzero(frames.lost)[::-1]:
            if k >= len(frames) or self.slots.erased[frames.first[k] : frames.end[k] + 1].any():
                continue
            tail = self._frame_score[frames.first[k + 1 :]].astype(np.float64).sum() / np.log(2)
            if tail >= LEAST_TAIL_BITS:
                break
            frames = frames.part(slice(0, k))
            read = np.flatnonzero(~frames.lost)
            frames = frames.part(slice(0, read[-1] + 1 if len(read) else 0))
        return frames

    def _run(self, frames: Frames) -> ByteRun:
        # what was not heard says nothing against a frame
        ends = np.minimum(frames.end, len(self.slots))
        heard = ~frames.lost & (self.slots.dark[ends] == self.slots.dark[np.minimum(frames.first, ends)])
        missing = np.zeros(len(frames))
        missing[heard] = self._best_frame_score - self._frame_score[frames.first[heard]]
        return read_frames(self.slots, self.byte, self.symbols.names, frames, missing)


def _no_path() -> _Path:
    none = np.zeros(0, np.int64)
    return _Path(none, none, none, np.zeros(0))


def _joined(path: _Path, window: _Path) -> _Path:
    """Append a window; idle or lost time that goes on across the join is one stretch."""
    if len(path.state) and len(window.state) and path.state[-1] == window.state[0] != BYTE:
        window.first[0] = path.first[-1]
        path = path.part(slice(0, -1))
    parts = zip(
        (path.state, path.first, path.end, path.sure),
        (window.state, window.first, window.end, window.sure),
        strict=True,
    )
    return _Path(*(np.concatenate(pair) for pair in parts))
