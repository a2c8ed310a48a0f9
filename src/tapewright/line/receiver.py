"""The receiver for one card and one sample rate: finding signals, and reading windows of a recording."""

from __future__ import annotations

import functools
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from tapewright.cards import Alphabet, FormatCard, Segment, SymbolShape
from tapewright.cards.layout import Lead
from tapewright.line.acquire import THOROUGH, Effort, acquire
from tapewright.line.averages import running_mean
from tapewright.line.clock import typical_of
from tapewright.line.first import first_pass
from tapewright.line.front import Heard, Window, block_powers, channel_options, listen, narrowed, windows
from tapewright.line.gather import Gathering, between, chained, moved, picked, replaced
from tapewright.line.grid import HARMONICS_WIDE, Grid
from tapewright.line.ongoing import OngoingSound
from tapewright.line.polish import Ear, Polished, harmonics_worth, learns_much, polish
from tapewright.line.scene import Lock, symbol_cost
from tapewright.line.search import Path
from tapewright.line.stretches import Stretch, stretches
from tapewright.line.templates import FILLER_NAME, band_of, kinds_of, wider_band_of
from tapewright.model import AudioSource, Samples, Symbols
from tapewright.model.runs import runs_of
from tapewright.model.scratch import keep_freed_memory

__all__ = ["DOUBTFUL", "SILENCE", "Receiver", "Survey", "hears_idle_tone", "is_polar", "sureness"]

FloatArray = npt.NDArray[np.float64]

WINDOW_SECONDS = 40.0
CHUNK_SECONDS = 2.0
#: Neighbouring windows share this many of the longest symbols, half a second at least.
OVERLAP_SYMBOLS = 40
#: Pieces that speed and level are found from: long enough for so many bits, within limits.
PIECE_BITS = 120
PIECE_SECONDS = (0.15, 0.6)
#: Evidence, in nats for a second of audio, below which there is no signal of this format (chosen: noise,
#: music and speech stay below it; see tests/roundtrip/test_nothing_there.py).
LEAST_EVIDENCE = 15.0
#: While speed is looked for, the leader's symbol is so much cheaper than others: a steady tone may be the
#: leader at one speed, and another symbol at another.
LEADER_NATS = 0.2
#: Nats each cycle of idle tone between bytes costs; a run of them costs `search.CHANGE_NATS` twice besides.
FILLER_NATS = 1.0
#: Free carriers can be read in so much noise that the likeliest path is one of many, and says too little for
#: a signal: a symbol costs this share of what others do.
FREE_COST = 0.7
#: A stretch of sound this long without symbols, or with doubtful ones, is looked at anew, whatever the speed:
#: so many seconds at a time.
UNEXPLAINED_SECONDS = 0.3
LOOK_SECONDS = 1.0
#: Symbols are doubtful where their mean posterior is below this (chosen: a bit in ten wrong is no reading).
DOUBTFUL = 0.9
#: Runs of fewer symbols, or as far as this from the speed looked for, may be another signal read wrongly.
FEWEST_IN_RUN, FARTHEST_FROM_LOCK = 16, 0.012
#: Whether there are harmonics is asked of a stretch, and holds for so many times its symbols if the answer is
#: clear, by so much of a natural log: it is the recorder's doing, and asking takes a sixth of the time.
HARMONICS_HOLD, CLEARLY = 8, 0.015
#: Gains within this of those expected (a natural log) are no reason to search again.
SAME_GAIN = 0.25
#: Sound is what is louder than this mean power, in the receiver's band, over so many seconds (-70 dBFS).
SILENCE, LOUD_SECONDS = 1e-7, 0.02


@dataclass(frozen=True, eq=False)
class Survey:
    """Pieces of a recording that stand for the whole: shape (n, channels) each, at the recording's rate.

    Where each was taken from begins at one of `starts`, in seconds, if they are known.
    """

    pieces: tuple[Samples, ...]
    rate_hz: float
    starts: tuple[float, ...] = ()


def is_polar(alphabet: Alphabet) -> bool:
    """Whether turning the waveform upside down changes what it says."""
    return any(shape.is_absolute for shape in alphabet.shapes)


class Receiver:
    """A card made ready for recordings of one sample rate; `effort` is how hard it looks for signals."""

    def __init__(
        self, card: FormatCard, rate_hz: float, inverted: bool, effort: Effort = THOROUGH
    ) -> None:  # fmt: skip
        self.effort = effort
        self.alphabet = Alphabet.of(card)
        self.rate_hz = rate_hz
        filler = _filler(card, self.alphabet)
        searched = self.alphabet
        self.cost = symbol_cost(searched) * (FREE_COST if searched.has_free_phase else 1.0)
        if filler is not None:
            searched = Alphabet(searched.names + FILLER_NAME, (*searched.shapes, filler))
            self.cost = np.append(self.cost, FILLER_NATS)
        self.searched = searched
        self.piece_seconds = float(np.clip(PIECE_BITS * self.alphabet.mean_bit_seconds, *PIECE_SECONDS))
        self.longest_seconds = max(shape.seconds for shape in searched.shapes)
        self.band = band_of(self.alphabet, rate_hz)
        self.grid = Grid.of(searched, self.band)
        self.wide_band = wider_band_of(self.alphabet, self.band, rate_hz)
        self.wide_grid = Grid.of(searched, self.wide_band, HARMONICS_WIDE) if self.wide_band else self.grid
        self.kind = kinds_of(searched.names)
        self.is_sparse = any(s.kind == "silence" for shape in searched.shapes for s in shape.segments)
        leads = {item.lead for block in card.block for item in block.layout if isinstance(item, Lead)}
        alike = {lead[0] for lead in leads if len(set(lead)) == 1}
        self.leader_cost = symbol_cost(self.alphabet) - LEADER_NATS * np.array(
            [name in alike for name in self.alphabet.names]
        )
        self.polarity = 0 if is_polar(self.alphabet) else 1
        self.sign = -1.0 if inverted else 1.0

    def acquire(self, surveyed: Survey, channels: int) -> tuple[int | str, Lock | None]:
        """Choose the channel and find speed, noise and gains; see `acquire.acquire`."""
        options = channel_options(channels)
        locks = [self._acquire_channel(surveyed, option) for option in options]
        best = max(range(len(options)), key=lambda k: locks[k].evidence if locks[k] else 0.0)  # type: ignore[union-attr]
        return options[best], locks[best]

    def _acquire_channel(self, surveyed: Survey, channel: int | str) -> Lock | None:
        pieces = []
        for chunk in surveyed.pieces:
            heard = np.concatenate(
                [np.zeros(0, np.float32), *listen([chunk], self.rate_hz, channel, self.band)]
            )
            pieces.append(self.sign * self.loudest(heard))
        return self.find(pieces)

    def loudest(self, heard: Heard) -> Heard:
        """The loudest stretch of the length that speed and level are found from."""
        size = int(self.piece_seconds * self.band.rate_hz)
        if len(heard) <= size:
            return heard
        step = max(1, size // 8)
        total = np.concatenate(([0.0], np.cumsum(heard * heard, dtype=np.float64)))
        starts = np.arange(0, len(heard) - size + 1, step)
        power = total[starts + size] - total[starts]
        # of pieces about as loud, the one in the middle
        best = starts[power >= 0.9 * power.max()]
        first = int(best[len(best) // 2])
        return heard[first : first + size]

    def find(self, pieces: list[Heard]) -> Lock | None:
        """Find speed, noise and gains from pieces of sound; None where there is no signal of this format."""
        long_enough = [p for p in pieces if len(p) > 0.05 * self.band.rate_hz and np.any(p)]
        lock = acquire(long_enough, self.alphabet, self.band, self.polarity, self.leader_cost, self.effort)
        if lock is None or lock.evidence < LEAST_EVIDENCE * max(lock.seconds, 0.2):
            return None
        return (
            replace(lock, gain=np.append(lock.gain, lock.gain.mean()), bend=np.append(lock.bend, 1.0))
            if self.searched is not self.alphabet
            else lock
        )

    def read(self, source: AudioSource, channel: int | str, lock: Lock | None) -> tuple[Symbols, float]:
        """Read the whole recording, window by window; also returns its length in seconds."""
        keep_freed_memory()
        rate, band = self.band.rate_hz, self.wide_band or self.band
        overlap = int(rate * max(0.5, OVERLAP_SYMBOLS * self.longest_seconds))
        size = max(int(WINDOW_SECONDS * rate), 4 * overlap)
        found = Gathering(self.alphabet.names, self.alphabet.mean_bit_seconds)
        samples = 0

        def counted() -> Iterator[Samples]:
            nonlocal samples
            for chunk in source.chunks(CHUNK_SECONDS):
                samples += len(chunk)
                yield chunk

        heard = (self.sign * piece for piece in listen(counted(), self.rate_hz, channel, band))
        for window in windows(heard, size, overlap):
            symbols, lock = self.read_window(window, lock)
            found.add(symbols)
        seconds = samples / self.rate_hz
        return found.finish(seconds), seconds

    def read_window(self, window: Window, lock: Lock | None) -> tuple[Symbols, Lock | None]:
        """Read one window with what is known from before; what that does not explain is looked at anew."""
        symbols = Symbols.empty(self.alphabet.names)
        wide = window.heard
        heard = narrowed(wide, self.band) if self.wide_band else wide
        if lock is not None:
            symbols, lock = self.search(heard, lock, wide)
        for first, last in self.unexplained(heard, symbols, lock):
            symbols, other = self._look_anew(heard, wide, first, last, symbols)
            lock = other or lock
        symbols = moved(symbols, window.first / self.band.rate_hz)
        # a symbol more at the front: its neighbour may have seen it start a hair after the line
        low = (window.first + window.keep_from) / self.band.rate_hz - self.longest_seconds
        high = (window.first + window.keep_to) / self.band.rate_hz
        return between(symbols, low, high), lock

    def _look_anew(
        self, heard: Heard, wide: Heard, first: int, last: int, symbols: Symbols
    ) -> tuple[Symbols, Lock | None]:
        """Look for signals in a stretch, whatever speed and level were before.

        Where nothing was found, and the sound goes on as it was, looks are further and further apart. If one
        finds something all the same, it is searched for from where that sound began.
        """
        rate = self.band.rate_hz
        least, size = int(UNEXPLAINED_SECONDS * rate), int(LOOK_SECONDS * rate)
        lock: Lock | None = None
        sound = OngoingSound(self.band, first, first)
        while last - first >= least:
            piece = heard[first : min(first + size, last)]
            if sound.hear(piece, first):
                other = self.find([self.loudest(piece)])
                if other is None:
                    sound.was_in_vain(first + size)
                else:
                    begin = sound.begin
                    found, other = self.search(heard[begin:last], other, wide[begin:last])
                    if len(found) and sureness(found).mean() >= DOUBTFUL:
                        lock, found = other, moved(found, begin / rate)
                        symbols = replaced(symbols, found)
                        first = max(first, int(found.end_seconds[-1] * rate) - size)
                    sound.begins_anew(first + size)
            first += size
        return symbols, lock

    def search(self, heard: Heard, lock: Lock, wide: Heard | None = None) -> tuple[Symbols, Lock]:
        """Search one stretch, again if it turns out cleaner, noisier, faster or duller than expected.

        `wide` is the same sound in the wider band, where it was listened to.
        """
        for _ in range(3):
            path, measured = first_pass(
                heard, self.searched, self.band, lock, self.cost, self.polarity, len(self.alphabet.names)
            )
            if measured is None or measured.evidence <= 0:
                break
            change = measured.left(measured.power) / lock.left(measured.power)
            drift = measured.pace
            used = lock
            seen = measured.weight > 0
            lock = replace(
                lock,
                stretch=lock.stretch * measured.pace,
                noise=measured.noise,
                misfit=measured.misfit,
                gain=np.where(seen, lock.gain * measured.gain, lock.gain),
                bend=np.where(seen, lock.bend * measured.bend, lock.bend),
            )
            fits = np.all(np.abs(np.log(measured.gain[seen])) < SAME_GAIN)
            if fits and 0.5 < change < 2.0 and abs(drift - 1.0) < 0.004:
                return self._symbols(heard, wide, path, used.gain, lock)
        return self._symbols(heard, wide, path, lock.gain, lock)

    def _symbols(
        self, heard: Heard, wide: Heard | None, path: Path, gain: FloatArray, lock: Lock
    ) -> tuple[Symbols, Lock]:
        """Read what pass 1 found with such gains again, stretch by stretch."""
        parts = []
        for stretch in stretches(path, self.grid):
            ear = Ear(heard, self.grid)
            if self.wide_band and wide is not None and learns_much(stretch):
                wider = Ear(wide, self.wide_grid)
                lock = self._told_of_harmonics(lock, ear, wider, stretch, gain)
                ear = wider if lock.has_harmonics else ear
            parts.append(polish(ear.heard, stretch, ear.grid, gain, self.cost, self.kind, self.is_sparse))
        found = [self._as_symbols(part) for part in parts if part is not None]
        return chained(found) if found else Symbols.empty(self.alphabet.names), lock

    def _told_of_harmonics(
        self, lock: Lock, narrow: Ear, wide: Ear, stretch: Stretch, gain: FloatArray
    ) -> Lock:
        """Ask a stretch whether there are harmonics, unless what was told of them before still holds."""
        count = len(stretch.symbol)
        if lock.unasked > 0:
            return replace(lock, unasked=lock.unasked - count)
        worth = harmonics_worth(narrow, wide, stretch, gain, self.kind)
        unasked = HARMONICS_HOLD * count if abs(worth) > CLEARLY else 0
        return replace(lock, has_harmonics=worth > 0, unasked=unasked)

    def _as_symbols(self, part: Polished) -> Symbols:
        rate, names = self.band.rate_hz, self.alphabet.names
        nominal = np.array([shape.seconds for shape in self.searched.shapes])[part.symbol]
        symbols = Symbols(
            names,
            part.symbol.astype(np.int16),
            part.start / rate,
            part.end / rate,
            part.log_p[:, : len(names)].astype(np.float32),
            part.level.astype(np.float32),
            (nominal * rate / np.maximum(part.end - part.start, 1e-9)).astype(np.float32),
            part.noise.astype(np.float32),
        )
        return picked(symbols, part.symbol < len(names))

    def unexplained(self, heard: Heard, symbols: Symbols, lock: Lock | None) -> list[tuple[int, int]]:
        """Stretches with sound in them, but without symbols or with doubtful ones only."""
        rate = self.band.rate_hz
        block = max(1, int(LOUD_SECONDS * rate))
        count = len(heard) // block
        if count == 0:
            return []
        power = block_powers(heard[: count * block], block)
        open_ = power > SILENCE
        if len(symbols):
            clear = self._is_clear(symbols, lock)
            begin = np.clip((symbols.start_seconds[clear] * rate / block).astype(int), 0, count)
            end = np.clip((symbols.end_seconds[clear] * rate / block).astype(int) + 1, 0, count)
            covered = np.bincount(begin, minlength=count + 1) - np.bincount(end, minlength=count + 1)
            open_ &= np.cumsum(covered)[:count] < 1
        return [
            (int(a * block), int(b * block))
            for a, b in runs_of(open_)
            if (b - a) * block >= UNEXPLAINED_SECONDS * rate
        ]

    def _is_clear(self, symbols: Symbols, lock: Lock | None) -> npt.NDArray[np.bool_]:
        """Whether each symbol is sure enough, in a run of some length, and near the speed looked for."""
        start, end = symbols.start_seconds, symbols.end_seconds
        usual = typical_of(end - start)
        around = min(max(1, int(UNEXPLAINED_SECONDS / usual)), len(symbols))
        clear = running_mean(sureness(symbols), around, beyond="edge") >= DOUBTFUL
        run = np.cumsum(np.append(False, start[1:] - end[:-1] > 0.25 * usual))
        clear &= np.bincount(run)[run] >= FEWEST_IN_RUN
        if lock is not None:
            speed = running_mean(symbols.speed, around, beyond="edge")
            clear &= np.abs(speed * lock.stretch - 1.0) < FARTHEST_FROM_LOCK
        return np.asarray(clear)


def sureness(symbols: Symbols) -> FloatArray:
    """Posterior of each symbol."""
    likeliest = functools.reduce(np.maximum, symbols.log_p.T)  # numpy's max takes ten times as long on few
    return np.asarray(np.exp(likeliest.astype(np.float64)))


def hears_idle_tone(card: FormatCard) -> bool:
    """Whether what a card says of bytes makes a difference: idle tone is listened for between them."""
    return _filler(card, Alphabet.of(card)) is not None


def _filler(card: FormatCard, alphabet: Alphabet) -> SymbolShape | None:
    """The shortest piece of idle tone: what may stand between bytes that announce themselves."""
    if not card.byte.is_asynchronous:
        return None
    shape = alphabet.shapes[alphabet.names.index(card.byte.stop[-1])]
    first = shape.segments[0]
    if len(shape.segments) != 1 or first.kind != "tone":
        return None
    cycle = 1.0 / first.hertz
    if shape.seconds < 1.5 * cycle:
        return None
    return SymbolShape(FILLER_NAME, (Segment("tone", cycle, hertz=first.hertz),), 1.0)
