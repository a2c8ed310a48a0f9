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
from tapewright.line.templates import Band, ratio_of
from tapewright.model import Samples

__all__ = [
    "Heard",
    "Tuner",
    "Window",
    "block_powers",
    "channel_options",
    "level_span",
    "level_track",
    "listen",
    "mix",
    "windows",
]

FloatArray = npt.NDArray[np.float64]
Heard = npt.NDArray[np.float32]

#: Blocks are so many times as long as what is wrong at either end of them, at least; and only of so many
#: together, or of a few times as many, does numpy transform some at a time (measured: in half the time).
OVERLAPS_A_BLOCK, BLOCKS_TOGETHER = 16, 4


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


class _Sieve:
    """Changes the rate of a stream and filters it, both at once, in step with it.

    Of blocks that overlap it takes the spectrum, filters it, and makes as many samples of it as the block has
    at the other rate. What is right of each block tiles the whole; before the stream and after it there is
    silence.

    Parameters
    ----------
    rate_hz, to_hz : float
        The second as `band_of` gives it for the first.
    taps : ndarray of float64
        A symmetrical filter of odd length, at `to_hz`, that lets nothing through from half of either rate on.
    """

    def __init__(self, rate_hz: float, to_hz: float, taps: FloatArray) -> None:
        ratio = ratio_of(rate_hz, to_hz)
        after, before = ratio.numerator, ratio.denominator  # samples that take equally long
        half = len(taps) // 2
        over = -(-half // after)
        count = 1 << (OVERLAPS_A_BLOCK * over - 1).bit_length()
        self._size, self._hop, self._over = (k * before for k in (count, count - 2 * over, over))
        self._size_after = count * after
        self._right = slice(over * after, (count - over) * after)
        self._ratio = ratio
        response = np.zeros(self._size_after)
        response[: half + 1], response[-half:] = taps[half:], taps[:half]
        # numpy transforms 32-bit floats as such only where it has to scale them
        response = self._size_after * np.fft.rfft(response).real[: min(self._size, self._size_after) // 2 + 1]
        self._response = response.astype(np.float32)
        self._waiting = np.zeros(self._over, np.float32)
        self._fed = self._given = 0

    def feed(self, samples: Heard) -> Heard:
        """Take samples, shape (n,); return what can be told by now, often nothing."""
        self._fed += len(samples)
        return self._sifted(samples)

    def finish(self) -> Heard:
        """Return the rest."""
        rest = round(self._fed * self._ratio) - self._given
        held = len(self._waiting)
        blocks = -(-(held - self._over) // (BLOCKS_TOGETHER * self._hop)) * BLOCKS_TOGETHER
        return self._sifted(np.zeros(blocks * self._hop + 2 * self._over - held, np.float32))[:rest]

    def _sifted(self, samples: Heard) -> Heard:
        joined = np.concatenate((self._waiting, samples))
        count = max(0, (len(joined) - 2 * self._over) // self._hop)
        count -= count % BLOCKS_TOGETHER
        self._waiting = joined[count * self._hop :].copy()
        right = np.empty((count, self._right.stop - self._right.start), np.float32)
        if count:
            blocks = np.lib.stride_tricks.sliding_window_view(joined, self._size)[:: self._hop]
            for k in range(0, count, BLOCKS_TOGETHER):
                some = slice(k, k + BLOCKS_TOGETHER)
                spectra = np.fft.rfft(blocks[some], norm="forward")[:, : len(self._response)]
                right[some] = np.fft.irfft(spectra * self._response, self._size_after)[:, self._right]
        self._given += right.size
        return right.reshape(-1)


class Tuner:
    """Brings one channel to the receiver's rate and band as soon as can be, piece by small piece.

    The filter is symmetrical and its delay is taken out: the samples returned, one after another, are in step
    with those fed, only later. (Where sound need not be heard at once, `listen` takes half the time.)

    Parameters
    ----------
    rate_hz : float
        Of what is fed.
    band : Band

    Attributes
    ----------
    held_back_seconds : float
        By how much what comes out of the filter is late.
    """

    def __init__(self, rate_hz: float, band: Band) -> None:
        # "LQ" keeps mistakes 60 dB down, and holds back half as much as what keeps them 120 dB down
        self._resampler = soxr.ResampleStream(rate_hz, band.rate_hz, 1, dtype="float32", quality="LQ")
        self._taps = band.filter.astype(np.float32)
        half = len(self._taps) // 2
        self.held_back_seconds = half / band.rate_hz
        self._kept = np.zeros(half, np.float32)  # before the first sample there was silence

    def feed(self, samples: Heard) -> Heard:
        """Take samples of one channel, shape (n,); return what can be told by now, often nothing."""
        return self._filtered(self._resampler.resample_chunk(samples))

    def finish(self) -> Heard:
        """Return the rest: after the last sample there is silence."""
        rest = self._resampler.resample_chunk(np.zeros(0, np.float32), last=True)
        return self._filtered(np.concatenate((rest, np.zeros(len(self._taps) // 2, np.float32))))

    def _filtered(self, piece: Heard) -> Heard:
        if not len(piece):
            return piece
        over = len(self._taps) - 1
        joined = np.concatenate((self._kept, piece))
        if len(joined) <= over:
            self._kept = joined
            return np.zeros(0, np.float32)
        self._kept = joined[-over:]
        return np.convolve(joined, self._taps, mode="valid")


def listen(chunks: Iterable[Samples], rate_hz: float, channel: int | str, band: Band) -> Iterator[Heard]:
    """Yield one channel at the receiver's rate, limited to its band, in step with the recording."""
    sieve = _Sieve(rate_hz, band.rate_hz, band.filter)
    for chunk in chunks:
        out = sieve.feed(mix(chunk, channel))
        if len(out):
            yield out
    out = sieve.finish()
    if len(out):
        yield out


def narrowed(heard: Heard, band: Band) -> Heard:
    """What was heard in a wider band with the same lower edge, limited to this one."""
    sieve = _Sieve(band.rate_hz, band.rate_hz, band.upper_filter)
    return np.concatenate((sieve.feed(heard), sieve.finish()))


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
    if alphabet.is_sparse:
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
    bits = 30 if alphabet.is_sparse else 12
    return max(9, int(band.rate_hz / block * max(0.03, bits * alphabet.mean_bit_seconds))) | 1


def block_powers(heard: Heard, block: int) -> FloatArray:
    """Mean square of each block of samples; the last one may be shorter."""
    powers = np.empty(-(-len(heard) // block))
    _fill_in_powers(heard, block, powers)
    return powers


@summing_kernel
def _fill_in_powers(heard, block, powers):  # type: ignore[no-untyped-def]
    for k in range(len(powers)):
        first, last = np.uint64(k * block), np.uint64(min((k + 1) * block, len(heard)))
        total = np.float32(0.0)
        for n in range(first, last):
            total += heard[n] * heard[n]
        powers[k] = total / (last - first)


def _mean_of_bursts(power: FloatArray, span: int, origin: int, silence: float) -> FloatArray:
    """Means weighted with the power itself."""
    mean = running_mean(power, span, origin=origin)
    squares = np.maximum(running_mean(power * power, span, origin=origin), 0.0)
    weighted = np.where(mean > silence, squares / np.maximum(mean, silence), silence)
    return np.asarray(np.maximum(weighted, silence))
