"""Symbols to waveform: exact in time, free of aliasing, in constant memory.

Two steps, so that a machine's output stage can stand between them: :func:`wave_of` lays the symbols out as
segments with exact durations, :func:`render` samples them. A segment boundary falls where it falls, between
samples; the step or kink there is replaced by a band-limited one (a windowed-sinc table), so square-edged
formats have correct sub-sample edges. Time is the running sum of durations, never of rounded samples, and
what addition rounds off is carried along.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from functools import lru_cache
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from tapewright.cards import Alphabet
from tapewright.line.kernels import add_up, carry_phase, render_segments
from tapewright.model import HALF, LEVEL, SILENCE, TONE, Samples, TapePart, UsageError, Wave

__all__ = ["encode", "render", "symbols_of", "wave_of"]

_KIND = {"silence": SILENCE, "tone": TONE, "half": HALF, "level": LEVEL}
#: Symbols laid out at a time, and the length of the waves they are handed on in (chosen: a second at 192 kHz
#: adds 5 MB to what a short tape needs, five seconds 30 MB, and neither is faster). Together they bound
#: memory whatever the length of the tape and of its silences, and however long or short a symbol is.
SYMBOLS_A_BATCH = 4_096
PIECE_SECONDS = 1.0
#: A tape that ends no more than this part of a sample after a whole number of them ends there: durations are
#: rounded to binary fractions, and over an hour at 192 kHz that comes to less than a millionth of a sample.
WHOLE_SAMPLE = 1e-5

#: The band-limited step reaches this many samples to either side (chosen: aliases below -80 dB).
REACH = 24
TABLE_STEPS = 256
#: Cut-off of the step's spectrum, as a fraction of the sample rate.
CUT_OFF = 0.46
KAISER_BETA = 9.0


def encode(
    parts: Iterable[TapePart],
    alphabet: Alphabet,
    rate_hz: float,
    *,
    level: float = 0.6,
    inverted: bool = False,
) -> Iterator[Samples]:
    """Turn the parts of a tape into samples.

    Parameters
    ----------
    parts : iterable of TapePart
        Of kinds ``symbols``, ``lead`` and ``gap``.
    alphabet : Alphabet
    rate_hz : float
        Samples per second.
    level : float
        Amplitude, full scale 1. Band-limited square edges overshoot by a fifth: keep below 0.8.
    inverted : bool
        Whether to turn the waveform upside down.

    Yields
    ------
    ndarray of float32, shape (n,)
    """
    return render(wave_of(parts, alphabet), rate_hz, gain=-level if inverted else level)


def wave_of(parts: Iterable[TapePart], alphabet: Alphabet) -> Iterator[Wave]:
    """Lay symbols out as segments, piece by piece, the phase carried on from each to the next.

    Yields
    ------
    Wave
        A second of it or two.

    Raises
    ------
    UsageError
        If a part still holds bytes, which framing has to turn into symbols first.
    """
    layout = _SymbolTable(alphabet)
    phase = 0.0
    for part in parts:
        if part.kind == "gap":
            yield from _silences(part.seconds, phase)
            continue
        if part.kind == "bytes":
            raise UsageError("bytes have to be framed before they become sound")
        for symbols in _batches(part, alphabet):
            wave, phase = layout.wave(symbols, phase)
            yield from _pieces(wave)


def symbols_of(part: TapePart, alphabet: Alphabet) -> npt.NDArray[np.int64]:
    """Numbers of the symbols in a part of a tape: of kind ``symbols``, or ``lead``, which is repeated."""
    return np.concatenate([np.zeros(0, np.int64), *_batches(part, alphabet)])


def render(waves: Iterable[Wave], rate_hz: float, *, gain: float = 1.0) -> Iterator[Samples]:
    """Sample segments band-limited, streaming.

    Parameters
    ----------
    waves : iterable of Wave
    rate_hz : float
    gain : float
        Multiplies everything.

    Yields
    ------
    ndarray of float32, shape (n,)
    """
    step, ramp = _edge_tables()
    end = 0.0  # of what was laid out so far, in samples
    total_seconds = np.zeros(2)  # the same in seconds, and what is too small to be in that
    first = 0  # sample number of buffer[0]
    buffer = np.zeros(REACH, np.float64)
    last = np.zeros(2)  # value and slope (per sample) at the end of the segment before
    for wave in waves:
        ends = np.empty(len(wave))
        add_up(wave.seconds, total_seconds, ends)
        ends *= rate_hz
        starts = np.concatenate(([end], ends[:-1]))
        needed = math.ceil(ends[-1]) + REACH + 2 - first
        if needed > len(buffer):
            buffer = np.concatenate((buffer, np.zeros(needed - len(buffer))))
        render_segments(
            wave.kind, wave.hertz / rate_hz, wave.level, wave.phase, starts, ends, buffer, first, last,
            step, ramp, TABLE_STEPS,
        )  # fmt: skip
        end = float(ends[-1])
        ready = max(0, math.ceil(end) - REACH - 1 - first)  # later edges still reach into the rest
        if ready:
            yield (gain * buffer[:ready]).astype(np.float32)
            buffer = buffer[ready:].copy()
            first += ready
    closing = _silence(0.0, 0.0)
    buffer = np.concatenate((buffer, np.zeros(REACH + 2)))
    here = np.array([end])
    render_segments(
        closing.kind, closing.hertz, closing.level, closing.phase, here, here, buffer, first, last,
        step, ramp, TABLE_STEPS,
    )  # fmt: skip
    rest = buffer[: max(0, math.ceil(end - WHOLE_SAMPLE) - first)]
    if len(rest):
        yield (gain * rest).astype(np.float32)


class _SymbolTable:
    """The alphabet's segments as flat arrays, so that a text of symbols becomes segments by indexing."""

    def __init__(self, alphabet: Alphabet) -> None:
        segments = [segment for shape in alphabet.shapes for segment in shape.segments]
        self.kind = np.array([_KIND[s.kind] for s in segments], np.int8)
        self.seconds = np.array([s.seconds for s in segments])
        self.hertz = np.array([s.hertz for s in segments])
        self.level = np.array([s.level if s.kind == "level" else 1.0 for s in segments])
        self.count = np.array([len(shape.segments) for shape in alphabet.shapes])
        self.first = np.concatenate(([0], np.cumsum(self.count)[:-1]))

    def wave(self, symbols: npt.NDArray[np.integer], phase: float) -> tuple[Wave, float]:
        counts = self.count[symbols]
        within = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
        pick = np.repeat(self.first[symbols], counts) + within
        kind, seconds, hertz = self.kind[pick], self.seconds[pick], self.hertz[pick]
        level = self.level[pick]
        phases = np.empty(len(pick))
        phase = carry_phase(kind, seconds * hertz, level, phase, phases)
        return Wave(kind, seconds, hertz, level, phases), phase


def _batches(part: TapePart, alphabet: Alphabet) -> Iterator[npt.NDArray[np.integer]]:
    text, repeats = part.symbols, 1
    if part.kind == "lead":
        seconds = sum(alphabet.shapes[k].seconds for k in alphabet.indices(text))
        repeats = math.ceil(part.seconds / seconds - 1e-9)
    at_once = max(1, SYMBOLS_A_BATCH // max(1, len(text)))
    while repeats > 0:
        now = min(repeats, at_once)
        for first in range(0, len(text), SYMBOLS_A_BATCH):
            yield np.tile(alphabet.indices(text[first : first + SYMBOLS_A_BATCH]), now)
        repeats -= now


def _pieces(wave: Wave) -> Iterator[Wave]:
    """Cut a wave between segments, none of which is longer than a card lets a symbol be."""
    starts = np.cumsum(wave.seconds) - wave.seconds
    cuts = np.flatnonzero(np.diff(np.floor(starts / PIECE_SECONDS))) + 1
    for first, end in pairwise((0, *cuts.tolist(), len(wave))):
        piece = slice(first, end)
        yield Wave(
            wave.kind[piece], wave.seconds[piece], wave.hertz[piece], wave.level[piece], wave.phase[piece]
        )


def _silences(seconds: float, phase: float) -> Iterator[Wave]:
    count = math.ceil(seconds / PIECE_SECONDS)
    for _ in range(count):
        yield _silence(seconds / count, phase)


def _silence(seconds: float, phase: float) -> Wave:
    return Wave(
        np.array([SILENCE], np.int8), np.array([seconds]), np.zeros(1), np.zeros(1), np.array([phase])
    )


@lru_cache(maxsize=1)
def _edge_tables() -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Tables of the band-limited unit step and of its integral, from -REACH to +REACH samples."""
    x = np.arange(-REACH * TABLE_STEPS, REACH * TABLE_STEPS + 1) / TABLE_STEPS
    window = np.i0(KAISER_BETA * np.sqrt(np.clip(1 - (x / REACH) ** 2, 0, None))) / np.i0(KAISER_BETA)
    impulse = 2 * CUT_OFF * np.sinc(2 * CUT_OFF * x) * window
    impulse /= impulse.sum() / TABLE_STEPS
    step = np.concatenate(([0.0], np.cumsum((impulse[1:] + impulse[:-1]) / 2) / TABLE_STEPS))
    ramp = np.concatenate(([0.0], np.cumsum((step[1:] + step[:-1]) / 2) / TABLE_STEPS))
    return step, ramp
