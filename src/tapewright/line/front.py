"""From a recording to what the search works on: one channel, the receiver's rate, its band, in windows."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import soxr

from tapewright.cards import Alphabet
from tapewright.compiled import kernel, summing_kernel
from tapewright.line.averages import running_mean, sums_up_to
from tapewright.line.templates import Band
from tapewright.model import Samples

__all__ = [
    "Heard",
    "Tuner",
    "Window",
    "block_powers",
    "channel_options",
    "is_sparse",
    "level_span",
    "level_track",
    "listen",
    "mix",
    "windows",
]

FloatArray = npt.NDArray[np.float64]
Heard = npt.NDArray[np.float32]

#: Convolutions of fewer products than this are faster done directly, longer ones by transforms of at least so
#: many times the filter's length, and of so many samples together, which the processor's cache holds (all
#: measured).
FEW_PRODUCTS = 2_000_000
FILTERS_A_BLOCK, SAMPLES_TOGETHER = 8, 1 << 16
#: A level below this share of full is silence: a step of a stepped sine is more.
SILENT_LEVEL = 0.25


@dataclass(frozen=True, eq=False)
class Window:
    """A stretch of the recording at the receiver's rate.

    Parameters
    ----------
    first : int
        Sample number, at the receiver's rate, of ``heard[0]``.
    heard : ndarray of float32
    keep_from, keep_to : int
        Samples of `heard` this window answers for; the rest is shared with its neighbours.
    """

    first: int
    heard: Heard
    keep_from: int
    keep_to: int


def channel_options(channels: int) -> list[int | str]:
    """The ways one channel can be made of several: each alone, and the average of all."""
    return [0] if channels == 1 else [*range(channels), "average"]


def mix(chunk: Samples, channel: int | str) -> Heard:
    """Pick one channel, or the average, of samples of shape (n, channels)."""
    if channel == "average":
        return np.asarray(chunk.mean(axis=1), np.float32)
    return np.ascontiguousarray(chunk[:, int(channel)], np.float32)


class _Filter:
    """A filter of finite length, odd in number; a sample and the `over` before it make one of the output."""

    def __init__(self, taps: npt.NDArray[np.floating]) -> None:
        self._taps = taps.astype(np.float32)
        self.over = len(taps) - 1
        self._size = 1 << (FILTERS_A_BLOCK * len(taps) - 1).bit_length()
        self._response = self._size * np.fft.rfft(self._taps, self._size)

    def valid(self, joined: Heard) -> Heard:
        """Filter, without what would need samples before the first or after the last."""
        if len(joined) * len(self._taps) < FEW_PRODUCTS:
            return np.convolve(joined, self._taps, mode="valid")
        return self._in_blocks(joined)

    def _in_blocks(self, joined: Heard) -> Heard:
        """Convolve in circles that overlap by the filter's length, so that what is valid tiles the whole."""
        over, hop = self.over, self._size - self.over
        count = -(-(len(joined) - over) // hop)
        padded = np.append(joined, np.zeros(count * hop + over - len(joined), np.float32))
        blocks = np.lib.stride_tricks.sliding_window_view(padded, self._size)[::hop]
        valid = np.empty((count, hop), np.float32)
        together = max(1, SAMPLES_TOGETHER // self._size)
        for first in range(0, count, together):
            # numpy transforms 32-bit floats as such only where it has to scale them
            spectra = np.fft.rfft(blocks[first : first + together], norm="forward")
            spectra *= self._response
            valid[first : first + together] = np.fft.irfft(spectra, self._size)[:, over:]
        return valid.reshape(-1)[: len(joined) - over]


class Tuner:
    """Brings one channel to the receiver's rate and band, piece by piece.

    The filter is symmetrical and its delay is taken out: the samples returned, one after another, are in step
    with those fed, only later.

    Parameters
    ----------
    rate_hz : float
        Of what is fed.
    band : Band
    quality : {"HQ", "LQ"}
        Of the resampling. "LQ" keeps mistakes 60 dB down instead of 120, and holds back half as much.
    """

    def __init__(self, rate_hz: float, band: Band, quality: str = "HQ") -> None:
        self._resampler = soxr.ResampleStream(rate_hz, band.rate_hz, 1, dtype="float32", quality=quality)
        self._filter = _Filter(band.filter)
        self._kept = np.zeros(self._filter.over // 2, np.float32)  # before the first sample there was silence

    def feed(self, samples: Heard) -> Heard:
        """Take samples of one channel, shape (n,); return what can be told by now, often nothing."""
        return self._filtered(self._resampler.resample_chunk(samples))

    def finish(self) -> Heard:
        """Return the rest: after the last sample there is silence."""
        rest = self._resampler.resample_chunk(np.zeros(0, np.float32), last=True)
        return self._filtered(np.concatenate((rest, np.zeros(self._filter.over // 2, np.float32))))

    def _filtered(self, piece: Heard) -> Heard:
        if not len(piece):
            return piece
        joined = np.concatenate((self._kept, piece))
        if len(joined) <= self._filter.over:
            self._kept = joined
            return np.zeros(0, np.float32)
        self._kept = joined[-self._filter.over :]
        return self._filter.valid(joined)


def listen(chunks: Iterable[Samples], rate_hz: float, channel: int | str, band: Band) -> Iterator[Heard]:
    """Yield one channel at the receiver's rate, limited to its band, in step with the recording."""
    tuner = Tuner(rate_hz, band)
    for chunk in chunks:
        out = tuner.feed(mix(chunk, channel))
        if len(out):
            yield out
    out = tuner.finish()
    if len(out):
        yield out


def narrowed(heard: Heard, band: Band) -> Heard:
    """What was heard in a wider band with the same lower edge, limited to this one."""
    upper = _Filter(band.upper_filter)
    silence = np.zeros(upper.over // 2, np.float32)
    return upper.valid(np.concatenate((silence, heard, silence)))


def windows(pieces: Iterator[Heard], size: int, overlap: int) -> Iterator[Window]:
    """Cut a stream into windows of `size` samples that share `overlap` with each neighbour."""
    waiting: list[Heard] = []
    first, held = 0, 0
    for piece in pieces:
        waiting.append(piece)
        held += len(piece)
        if held < size + overlap:  # so that the last window is never a sliver
            continue
        buffer = np.concatenate(waiting)
        while len(buffer) >= size + overlap:
            yield Window(first, buffer[:size], 0 if first == 0 else overlap // 2, size - overlap // 2)
            buffer = buffer[size - overlap :]
            first += size - overlap
        waiting, held = [buffer], len(buffer)
    if held:
        yield Window(first, np.concatenate(waiting), 0 if first == 0 else overlap // 2, held)


def level_track(heard: Heard, alphabet: Alphabet, band: Band, block: int) -> FloatArray:
    """Mean power around each block of samples, of the sounding parts where the alphabet is silent in between.

    Averaged over a dozen bits (thirty where they are partly silent), 30 ms at least, before or after the
    block: the one that is more like the block's own surroundings, so that the level is right up to the very
    edge of a step or of the recording.
    For alphabets with silence the average is weighted with the power itself, which gives the power of the
    bursts whatever their share of the time.
    """
    power: FloatArray = block_powers(heard, block)
    span = level_span(alphabet, band, block)
    if is_sparse(alphabet):
        power = running_mean(power, max(1, int(band.rate_hz / block / alphabet.highest_hertz)))
        silence = _silence(power)
        before, after = (_mean_of_bursts(power, span, side * (span // 2), silence) for side in (1, -1))
        level = np.maximum(before, after)
    else:
        level = np.empty(len(power))
        _fill_in_level(sums_up_to(power, span, span), span, _silence(power), level)
    return np.asarray(np.maximum(running_mean(level, span // 8 | 1), 1e-14))


def _silence(power: FloatArray) -> float:
    """A running sum keeps the rounding of what was loud before: what is this far below it is silence."""
    return max(1e-14, 1e-9 * float(power.max(initial=0.0)))


@kernel
def _fill_in_level(sums, span, silence, level):  # type: ignore[no-untyped-def]
    """Fill in means of `span` values before or after each: the one more like the mean of fewer around it."""
    few = span // 4
    first_of_few = span - few // 2
    for k in range(len(level)):
        before = max((sums[k + span + 1] - sums[k + 1]) / span, silence)
        after = max((sums[k + 2 * span] - sums[k + span]) / span, silence)
        around = max((sums[k + first_of_few + few] - sums[k + first_of_few]) / few, silence)
        # the greater over the smaller, without dividing
        is_before = max(before, around) * min(after, around) < max(after, around) * min(before, around)
        level[k] = before if is_before else after


def level_span(alphabet: Alphabet, band: Band, block: int) -> int:
    """How many blocks of samples a level is averaged over."""
    bits = 30 if is_sparse(alphabet) else 12
    return max(9, int(band.rate_hz / block * max(0.03, bits * alphabet.mean_bit_seconds))) | 1


def is_sparse(alphabet: Alphabet) -> bool:
    """Whether the alphabet is silent for part of the time."""
    return any(
        segment.kind == "silence" or (segment.kind == "level" and abs(segment.level) < SILENT_LEVEL)
        for shape in alphabet.shapes
        for segment in shape.segments
    )


def block_powers(heard: Heard, block: int) -> FloatArray:
    """Mean square of each block of samples; the last one may be shorter."""
    powers = np.empty(-(-len(heard) // block))
    _fill_in_powers(heard, block, powers)
    return powers


@summing_kernel
def _fill_in_powers(heard, block, powers):  # type: ignore[no-untyped-def]
    for k in range(len(powers)):
        first, last = k * block, min((k + 1) * block, len(heard))
        total = 0.0
        for n in range(first, last):
            total += heard[n] * heard[n]
        powers[k] = total / (last - first)


def _mean_of_bursts(power: FloatArray, span: int, origin: int, silence: float) -> FloatArray:
    """Means weighted with the power itself."""
    mean = running_mean(power, span, origin=origin)
    squares = np.maximum(running_mean(power * power, span, origin=origin), 0.0)
    weighted = np.where(mean > silence, squares / np.maximum(mean, silence), silence)
    return np.asarray(np.maximum(weighted, silence))
