"""The receiver: recording to symbols, with times and posteriors.

A segmental Viterbi search over the card's symbols (docs/architecture.md, "The receiver"). The recording
streams through in windows that overlap; each is searched with what is known of speed, level and noise, and
what it teaches is handed to the next.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from tapewright.cards import Alphabet, FormatCard, Segment, SymbolShape
from tapewright.line.acquire import acquire
from tapewright.line.front import Window, channel_options, listen, mix, windows
from tapewright.line.grid import Grid
from tapewright.line.polish import Polished, polish
from tapewright.line.scene import Lock, informed_scene, measure, symbol_cost
from tapewright.line.search import Path, find_path
from tapewright.line.stretches import stretches
from tapewright.line.templates import Templates, band_of
from tapewright.model import GAP, AudioSource, Recording, Samples, Symbols

__all__ = ["Heard", "Survey", "decode", "evidence_bits", "is_polar", "survey"]

FloatArray = npt.NDArray[np.float64]

WINDOW_SECONDS = 10.0
#: Neighbouring windows share this many of the longest symbols, half a second at least.
OVERLAP_SYMBOLS = 40
#: Pieces that speed and level are found from: long enough for so many bits, within limits.
PIECE_BITS = 120
PIECE_SECONDS = (0.15, 0.6)
MOST_PIECES = 8
SURVEY_SECONDS = 120.0
#: To rank cards, each is asked to explain this band, whatever its own.
RANKING_BAND_HZ = (100.0, 8000.0)
#: Evidence, in nats for a second of audio, below which there is no signal of this format (chosen: noise,
#: music and speech stay below it; see tests/roundtrip/test_nothing_there.py).
LEAST_EVIDENCE = 15.0
#: Nats each cycle of idle tone between bytes costs; a run of them costs `search.CHANGE_NATS` twice besides.
FILLER_NATS = 1.0
#: A stretch this long that is as loud as the signal but not explained is searched again at another speed.
UNEXPLAINED_SECONDS = 0.3


@dataclass(frozen=True, eq=False)
class Heard:
    """What the receiver made of a recording.

    Parameters
    ----------
    symbols : Symbols
    channel : int or "average"
        What was listened to.
    seconds : float
        Length of the recording.
    evidence_bits : float
        How much better this format explains the pieces listened to first than noise does; 0 for no signal.
    """

    symbols: Symbols
    channel: int | str
    seconds: float
    evidence_bits: float


@dataclass(frozen=True, eq=False)
class Survey:
    """Pieces of a recording that stand for the whole: shape (n, channels) each, at the recording's rate."""

    pieces: tuple[Samples, ...]
    rate_hz: float


def survey(source: AudioSource) -> Survey:
    """Take the liveliest pieces from the first two minutes that have any sound, spread over them."""
    kept: list[tuple[float, int, Samples]] = []
    heard_seconds = 0.0
    for number, chunk in enumerate(source.chunks(1.0)):
        liveliness = float(np.mean(np.diff(chunk, axis=0) ** 2)) if len(chunk) > 1 else 0.0
        if liveliness <= 1e-12:
            continue
        kept.append((liveliness, number, chunk.copy()))
        heard_seconds += len(chunk) / source.rate_hz
        if heard_seconds >= SURVEY_SECONDS:
            break
    if len(kept) > MOST_PIECES:  # the liveliest of each tenth
        groups = np.array_split(np.arange(len(kept)), MOST_PIECES)
        kept = [kept[max(group, key=lambda k: kept[k][0])] for group in groups]
    return Survey(tuple(chunk for _, _, chunk in kept), source.rate_hz)


def decode(
    source: AudioSource, card: FormatCard, *, inverted: bool = False, surveyed: Survey | None = None
) -> Heard:
    """Listen to a recording as the card says.

    Parameters
    ----------
    source : AudioSource
    card : FormatCard
    inverted : bool
        Turn the recording upside down first. Only formats made of absolute levels can tell.
    surveyed : Survey, optional
        From :func:`survey`, to take it once for several cards.

    Returns
    -------
    Heard
        With no symbols at all where there is no signal of this format.
    """
    receiver = _Receiver(card, source.rate_hz, inverted)
    channel, lock = receiver.acquire(surveyed or survey(source), source.channels)
    if lock is None:
        seconds = sum(len(chunk) for chunk in source.chunks(5.0)) / source.rate_hz
        return Heard(Symbols.empty(receiver.alphabet.names), channel, seconds, 0.0)
    symbols, seconds = receiver.read(source, channel, lock)
    return Heard(symbols, channel, seconds, lock.evidence / float(np.log(2)))


def evidence_bits(surveyed: Survey, card: FormatCard, channels: int) -> float:
    """How much better a card explains a recording than noise does, in bits a second; 0 if no better.

    Cards listen in bands of their own; to be fair to all, each has to account for everything from 100 Hz to
    8 kHz, and nothing is believed to be explained to better than 20 dB.
    """
    receiver = _Receiver(card, surveyed.rate_hz, False)
    channel, lock = receiver.acquire(surveyed, channels)
    if lock is None:
        return 0.0
    low, high = RANKING_BAND_HZ[0], min(RANKING_BAND_HZ[1], 0.5 * surveyed.rate_hz)
    heard, common = 0.0, 0.0
    for piece in surveyed.pieces:
        power = np.abs(np.fft.rfft(mix(piece, channel))) ** 2
        hertz = np.fft.rfftfreq(len(piece), 1.0 / surveyed.rate_hz)
        common += float(power[(hertz >= low) & (hertz <= high)].sum())
        heard += float(
            power[(hertz >= receiver.band.low_hz) & (hertz <= min(receiver.band.high_hz, high))].sum()
        )
    left = max(1.0 - lock.explained * min(1.0, heard / max(common, 1e-20)), 0.01)
    nats = -(high - low) * lock.seconds * np.log(left) - lock.cost
    return max(0.0, float(nats / np.log(2)) / (len(surveyed.pieces) * receiver.piece_seconds))


def is_polar(alphabet: Alphabet) -> bool:
    """Whether turning the waveform upside down changes what it says."""
    return any(shape.is_absolute for shape in alphabet.shapes)


class _Receiver:
    """A card made ready for recordings of one sample rate."""

    def __init__(self, card: FormatCard, rate_hz: float, inverted: bool) -> None:
        self.alphabet = Alphabet.of(card)
        self.rate_hz = rate_hz
        filler = _filler(card, self.alphabet)
        searched = self.alphabet
        self.cost = symbol_cost(searched)
        if filler is not None:
            searched = Alphabet(searched.names + "~", (*searched.shapes, filler))
            self.cost = np.append(self.cost, FILLER_NATS)
        self.searched = searched
        self.piece_seconds = float(np.clip(PIECE_BITS * self.alphabet.mean_bit_seconds, *PIECE_SECONDS))
        self.longest_seconds = max(shape.seconds for shape in searched.shapes)
        self.band = band_of(self.alphabet, rate_hz)
        self.grid = Grid.of(searched, self.band)
        self.is_bit = np.array([int(name in "01") for name in searched.names], np.int64)
        self.is_sparse = any(s.kind == "silence" for shape in searched.shapes for s in shape.segments)
        self.polarity = 0 if is_polar(self.alphabet) else 1
        self.sign = -1.0 if inverted else 1.0

    def acquire(self, surveyed: Survey, channels: int) -> tuple[int | str, Lock | None]:
        """Choose the channel and find speed, noise and gains."""
        options = channel_options(channels)
        locks = [self._acquire_channel(surveyed, option) for option in options]
        best = max(range(len(options)), key=lambda k: locks[k].evidence if locks[k] else 0.0)  # type: ignore[union-attr]
        return options[best], locks[best]

    def _acquire_channel(self, surveyed: Survey, channel: int | str) -> Lock | None:
        pieces = []
        for chunk in surveyed.pieces:
            piece = Recording(mix(chunk, channel).astype(np.float32), surveyed.rate_hz)
            heard = np.concatenate([np.zeros(0), *listen(piece, 0, self.band)])
            middle, half = len(heard) // 2, int(0.5 * self.piece_seconds * self.band.rate_hz)
            pieces.append(self.sign * heard[max(0, middle - half) : middle + half])
        return self._find(pieces)

    def _find(self, pieces: list[FloatArray]) -> Lock | None:
        long_enough = [p for p in pieces if len(p) > 0.05 * self.band.rate_hz and np.any(p)]
        lock = acquire(long_enough, self.alphabet, self.band, self.polarity, symbol_cost(self.alphabet))
        if lock is None or lock.evidence < LEAST_EVIDENCE * max(lock.seconds, 0.2):
            return None
        return (
            replace(lock, gain=np.append(lock.gain, lock.gain.mean()))
            if self.searched is not self.alphabet
            else lock
        )

    def read(self, source: AudioSource, channel: int | str, lock: Lock) -> tuple[Symbols, float]:
        """Read the whole recording, window by window."""
        rate = self.band.rate_hz
        overlap = int(rate * max(0.5, OVERLAP_SYMBOLS * self.longest_seconds))
        size = max(int(WINDOW_SECONDS * rate), 4 * overlap)
        found: list[Symbols] = []
        samples = 0
        for window in windows(self._signed(listen(source, channel, self.band)), size, overlap):
            samples = window.first + len(window.heard)
            symbols, lock = self._read_window(window, lock)
            found.append(symbols)
        seconds = samples / rate
        return _joined(found, self.alphabet.names, seconds), seconds

    def _signed(self, pieces: Iterator[FloatArray]) -> Iterator[FloatArray]:
        for piece in pieces:
            yield self.sign * piece

    def _read_window(self, window: Window, lock: Lock) -> tuple[Symbols, Lock]:
        symbols, lock = self._search(window.heard, lock)
        for first, last in self._unexplained(window.heard, symbols, lock):
            piece = window.heard[first:last]
            other = self._find([piece[: int(2 * self.band.rate_hz)]])
            if other is not None:
                more, _ = self._search(piece, other)
                symbols = _merged(symbols, _moved(more, first / self.band.rate_hz))
        symbols = _moved(symbols, window.first / self.band.rate_hz)
        # a symbol more at the front: its neighbour may have seen it start a hair after the line
        low = (window.first + window.keep_from) / self.band.rate_hz - self.longest_seconds
        high = (window.first + window.keep_to) / self.band.rate_hz
        return _between(symbols, low, high), lock

    def _search(self, heard: FloatArray, lock: Lock) -> tuple[Symbols, Lock]:
        """Search one stretch, again if it turns out cleaner, noisier or faster than expected."""
        for _ in range(3):
            templates = Templates.of(self.searched, self.band, lock.stretch)
            scene, amplitude = informed_scene(heard, self.searched, self.band, templates, lock, self.cost)
            path = find_path(scene, self.polarity)
            measured = measure(path, scene, heard, amplitude, self.band)
            if measured is None or measured.evidence <= 0:
                break
            change = measured.noise / lock.noise
            drift = measured.pace
            used = lock
            seen = measured.weight > 0
            lock = replace(
                lock,
                stretch=lock.stretch * measured.pace,
                noise=measured.noise,
                gain=np.where(seen, lock.gain * measured.gain, lock.gain),
            )
            if 0.5 < change < 2.0 and abs(drift - 1.0) < 0.004:
                return self._symbols(heard, path, used), lock
        return self._symbols(heard, path, lock), lock

    def _symbols(self, heard: FloatArray, path: Path, lock: Lock) -> Symbols:
        """Read what pass 1 found again, stretch by stretch."""
        if not len(path):
            return Symbols.empty(self.alphabet.names)
        single = heard.astype(np.float32)
        parts = [
            polish(single, stretch, self.grid, lock.gain, self.cost, self.is_bit, self.is_sparse)
            for stretch in stretches(path, self.grid)
        ]
        found = [self._as_symbols(part) for part in parts if part is not None]
        return _chained(found) if found else Symbols.empty(self.alphabet.names)

    def _as_symbols(self, part: Polished) -> Symbols:
        rate, names = self.band.rate_hz, self.alphabet.names
        real = part.symbol < len(names)
        nominal = np.array([shape.seconds for shape in self.searched.shapes])[part.symbol]
        return Symbols(
            names,
            part.symbol[real].astype(np.int16),
            part.start[real] / rate,
            part.end[real] / rate,
            part.log_p[real][:, : len(names)].astype(np.float32),
            part.level[real].astype(np.float32),
            (nominal * rate / np.maximum(part.end - part.start, 1e-9))[real].astype(np.float32),
            part.noise[real].astype(np.float32),
        )

    def _unexplained(self, heard: FloatArray, symbols: Symbols, lock: Lock) -> list[tuple[int, int]]:
        """Stretches without symbols that are clearly louder than the noise."""
        rate = self.band.rate_hz
        edges = np.concatenate(
            ([0.0], np.stack((symbols.start_seconds, symbols.end_seconds), 1).ravel(), [len(heard) / rate])
        )
        stretches = []
        for start, end in edges.reshape(-1, 2):
            first, last = int(start * rate), int(end * rate)
            if last - first < UNEXPLAINED_SECONDS * rate:
                continue
            power = heard[first:last] ** 2
            loud = np.flatnonzero(np.convolve(power, np.ones(256) / 256, "same") > 10 * lock.noise)
            if len(loud) > 0.1 * rate:
                stretches.append((first + int(loud[0]), first + int(loud[-1])))
        return [(a, b) for a, b in stretches if b - a >= UNEXPLAINED_SECONDS * rate]


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
    return SymbolShape("~", (Segment("tone", cycle, hertz=first.hertz),), 1.0)


def _moved(symbols: Symbols, seconds: float) -> Symbols:
    return replace(
        symbols, start_seconds=symbols.start_seconds + seconds, end_seconds=symbols.end_seconds + seconds
    )


def _between(symbols: Symbols, low: float, high: float) -> Symbols:
    return _picked(symbols, (symbols.start_seconds >= low) & (symbols.start_seconds < high))


def _picked(symbols: Symbols, keep: npt.NDArray[np.bool_]) -> Symbols:
    return Symbols(
        symbols.names, symbols.index[keep], symbols.start_seconds[keep], symbols.end_seconds[keep],
        symbols.log_p[keep], symbols.level[keep], symbols.speed[keep], symbols.noise[keep],
    )  # fmt: skip


def _merged(one: Symbols, other: Symbols) -> Symbols:
    """Both in order of time; they do not overlap."""
    both = _chained([one, other])
    order = np.argsort(both.start_seconds, kind="stable")
    return Symbols(
        both.names, both.index[order], both.start_seconds[order], both.end_seconds[order],
        both.log_p[order], both.level[order], both.speed[order], both.noise[order],
    )  # fmt: skip


def _chained(parts: list[Symbols]) -> Symbols:
    return Symbols(
        parts[0].names,
        *(
            np.concatenate([getattr(part, name) for part in parts])
            for name in ("index", "start_seconds", "end_seconds", "log_p", "level", "speed", "noise")
        ),
    )


def _joined(parts: list[Symbols], names: str, seconds: float) -> Symbols:
    """Join the windows' symbols, drop what two windows both heard, and put gaps where nothing was heard."""
    if not parts or not any(len(part) for part in parts):
        return Symbols.empty(names)
    kept: list[Symbols] = []
    end = -1.0
    for part in parts:
        if not len(part):
            continue
        part = _picked(part, 0.5 * (part.start_seconds + part.end_seconds) >= end)
        if len(part):
            kept.append(part)
            end = float(part.end_seconds[-1])
    return _with_gaps(_chained(kept), seconds)


def _with_gaps(symbols: Symbols, seconds: float) -> Symbols:
    """Insert an entry of index GAP wherever more than two symbols' time passed without one."""
    before = np.append(0.0, symbols.end_seconds)
    after = np.append(symbols.start_seconds, seconds)
    at = np.flatnonzero(after - before > 2 * float(np.median(symbols.end_seconds - symbols.start_seconds)))
    if not len(at):
        return symbols
    count = len(at)
    near = np.minimum(at, len(symbols) - 1)
    return Symbols(
        symbols.names,
        np.insert(symbols.index, at, GAP),
        np.insert(symbols.start_seconds, at, before[at]),
        np.insert(symbols.end_seconds, at, after[at]),
        np.insert(symbols.log_p, at, np.full((count, len(symbols.names)), -np.inf, np.float32), axis=0),
        np.insert(symbols.level, at, 0.0),
        np.insert(symbols.speed, at, symbols.speed[near]),
        np.insert(symbols.noise, at, symbols.noise[near]),
    )
