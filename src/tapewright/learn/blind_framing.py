"""How a byte may stand on tape, from nothing but the bits: start and stop symbols, and parity.

Bytes with start and stop are followed as a receiver does it. What that foretells, start, stop, idle time
and parity, is counted in bits: as much as it would have surprised one who only knows which symbols usually
follow which. Bytes without them show in nothing but a parity, and in bytes that come again; eight bits from
the first symbol after the leader are supposed where nothing speaks against it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from tapewright.cards.format import ByteFormat
from tapewright.compiled import kernel
from tapewright.learn.blind_stretches import regions
from tapewright.learn.framing import Framing
from tapewright.learn.plausible import surprise_bits
from tapewright.learn.stream import NO_BIT, Stream
from tapewright.model.runs import runs_of

__all__ = ["BlindFraming", "guess_framings", "views"]

#: So many equal symbols or more say nothing about bytes: leaders, and stretches of zeros.
LONG_RUN = 24
#: How many symbols before it foretell a symbol if nothing else does.
CONTEXT = 6
#: What a start symbol costs that no stop symbol belongs to; what the length of an idle time costs to
#: describe.
FAILURE_BITS, IDLE_BITS = 12.0, 6.0
#: Idle time up to so many symbols between bytes is the machine's; more is a leader.
LONGEST_IDLE = 40
#: Start and stop are believed where they foretell so many bits, and this share of all.
LEAST_BITS, LEAST_SHARE = 24.0, 0.04
#: Parity and framing symbols hold for this share of the bytes; the receiver may have misheard some.
USUALLY = 0.97
#: What it costs to suppose other than eight bits without parity.
UNUSUAL_WIDTH_BITS = 6.0
#: What it costs that a leader consists of start symbols, or a byte of symbols the wrong way up.
ODD_LEADER_BITS = 20.0

BitArray = npt.NDArray[np.int8]
IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]
Parity = Literal["none", "even", "odd", "mark", "space"]


@dataclass(frozen=True)
class BlindFraming:
    """A framing that the bits suggest.

    Parameters
    ----------
    framing : Framing
        One of its views: symbols as they are named, first bit lowest. `found` is the share of bytes that it
        suits.
    bits : float
        How much it foretells.
    skip : int
        Without start symbols: how many symbols after the leader the first byte begins.
    """

    framing: Framing
    bits: float
    skip: int = 0


def guess_framings(
    streams: Sequence[Stream], leaders: Sequence[str], *, limit: int = 4
) -> list[BlindFraming]:
    """Guess how bytes stand on tape.

    Parameters
    ----------
    streams : sequence of Stream
        What was heard of each save, not swapped.
    leaders : sequence of str
        Of each save: the symbol its leaders consist of, by the name the receiver gives it.
    limit : int
        At most so many.

    Returns
    -------
    list of BlindFraming
        The likeliest first. Bytes with start and stop are there alone if they are convincing.
    """
    swapped = tuple(leader != leaders[0] for leader in leaders)
    streams = [Stream(stream.symbols, swap) for stream, swap in zip(streams, swapped, strict=True)]
    parts = [part for stream in streams for part in _parts(stream.bits)]
    if not parts:
        return []
    bits = np.concatenate(parts)
    surprise = np.concatenate([_surprise(bits, part) for part in parts])
    found = list(_asynchronous(bits, surprise, leaders[0], swapped))
    found = [guess for guess in found if guess.bits > max(LEAST_BITS, LEAST_SHARE * surprise.sum())]
    if not found:
        found = list(_synchronous(streams, leaders, swapped))
    return sorted(found, key=lambda guess: -guess.bits)[:limit]


def views(framing: Framing) -> Iterator[Framing]:
    """Yield a framing in the four views that the bits alone cannot tell: either order, either way up."""
    for turned in (framing, replace(framing.turned, xor=0)):
        for order in ("lsb", "msb"):
            yield replace(turned, byte=turned.byte.model_copy(update={"order": order}))


def _parts(bits: BitArray) -> Iterator[BitArray]:
    """Pieces of bits between leaders and other symbols, each with `NO_BIT` at its end."""
    idle = bits == NO_BIT
    for value in (0, 1):
        for first, end in runs_of(bits == value):
            if end - first >= LONG_RUN:
                # a last byte may end in such symbols, and the first one begins after them
                idle[first + LONG_RUN // 2 : end - 1] = True
    for first, end in runs_of(~idle):
        if end - first >= LONG_RUN:
            yield np.append(bits[first:end], np.int8(NO_BIT))


def _surprise(everything: BitArray, part: BitArray) -> FloatArray:
    """Bits of surprise at each symbol for one who knows what usually follows the last few."""
    counts = np.ones((1 << CONTEXT, 2))
    context = _contexts(everything)
    usable = (context >= 0) & (everything >= 0)
    np.add.at(counts, (context[usable], everything[usable]), 1.0)
    own = _contexts(part)
    chance = counts[np.maximum(own, 0), np.maximum(part, 0)] / counts[np.maximum(own, 0)].sum(axis=1)
    surprise = np.where(own >= 0, -np.log2(chance), 1.0)
    return np.where(part >= 0, surprise, 0.0)


def _contexts(bits: BitArray) -> IntArray:
    """The symbols before each one as a number; -1 where one of them is none."""
    context = np.zeros(len(bits), np.int64)
    whole = np.arange(len(bits)) >= CONTEXT
    for back in range(1, CONTEXT + 1):
        before = np.roll(bits, back)
        context = 2 * context + np.maximum(before, 0)
        whole &= before >= 0
    return np.where(whole, context, -1)


# ---- bytes with a start and a stop


def _asynchronous(
    bits: BitArray, surprise: FloatArray, leader: str, swapped: tuple[bool, ...]
) -> Iterator[BlindFraming]:
    before = np.concatenate(([0.0], np.cumsum(surprise)))
    for start in (0, 1):
        for width in (7, 8, 9):
            places, idle, failures = _follow(bits, start, width)
            if len(places) < 8:
                continue
            gain = surprise[places - 1].sum() + surprise[places + width].sum()
            fits = len(places) / (len(places) + failures)
            known = idle >= 0
            gain += (before[places[known] - 1] - before[places[known] - 1 - idle[known]]).sum()
            gain -= _entropy_bits(idle[known]) + FAILURE_BITS * failures
            gain -= ODD_LEADER_BITS * (leader == str(start))
            fewest = int(np.quantile(idle[known], 0.02)) if known.any() else 0
            spaced = bool(known.any() and np.mean(idle[known] > fewest) > 0.02)
            columns = bits[places[:, None] + np.arange(width)]
            for count, parity, more in _parities(columns, start, surprise[places + width - 1]):
                if count not in (7, 8):
                    continue
                stop = str(1 - start) * (1 + min(fewest, 2))
                byte = ByteFormat(bits=count, order="lsb", start=str(start), stop=stop, parity=parity)
                yield BlindFraming(Framing(byte, "plain", swapped, fits, spaced), float(gain + more))


def _follow(bits: BitArray, start: int, width: int) -> tuple[IntArray, IntArray, int]:
    """First data symbol of each byte, idle symbols before it (-1 for no byte before), and failures."""
    places, idle = np.empty(len(bits), np.int64), np.empty(len(bits), np.int64)
    count, failures = _follow_kernel(bits, start, width, places, idle)
    return places[:count], idle[:count], failures


@kernel
def _follow_kernel(bits, start, width, places, idle):  # type: ignore[no-untyped-def]
    count, failures, i, end = 0, 0, 0, -1
    while i + width + 1 < len(bits):
        if bits[i] < 0:
            end = -1
        if bits[i] != start:
            i += 1
            continue
        whole = True
        for k in range(i + 1, i + width + 2):
            whole = whole and bits[k] >= 0
        if whole and bits[i + width + 1] == 1 - start:
            places[count] = i + 1
            idle[count] = i - end if end >= 0 and i - end <= LONGEST_IDLE else -1
            count += 1
            i += width + 2
            end = i
        else:
            failures += whole
            end = -1
            i += 1
    return count, failures


def _entropy_bits(values: IntArray) -> float:
    """What it takes to tell all these small numbers."""
    if not len(values):
        return 0.0
    _, counts = np.unique(values, return_counts=True)
    return float(-(counts * np.log2(counts / counts.sum())).sum() + IDLE_BITS * len(counts))


def _parities(columns: BitArray, start: int, surprise: FloatArray) -> Iterator[tuple[int, Parity, float]]:
    """Yield what the last column may be: data bits, parity, and the bits that foretells."""
    count = columns.shape[1]
    yield count, "none", 0.0
    last, ones = columns[:, -1], columns[:, :-1].sum(axis=1) % 2
    told: tuple[tuple[Parity, npt.NDArray[np.bool_]], ...] = (
        ("even", last == ones), ("odd", last != ones), ("mark", last == 1), ("space", last == 0),
    )  # fmt: skip
    for parity, agrees in told:
        if parity in ("mark", "space") and (count == 8 or (1 - start == (parity == "mark"))):
            continue  # a last data bit that is never set, or a second stop symbol, say the same
        if np.mean(agrees) >= USUALLY:
            price = UNUSUAL_WIDTH_BITS * (count == 8) + (4.0 if parity in ("mark", "space") else 1.0)
            yield count - 1, parity, float(surprise.sum()) - price - FAILURE_BITS * float((~agrees).sum())


# ---- bytes end to end


def _synchronous(
    streams: Sequence[Stream], leaders: Sequence[str], swapped: tuple[bool, ...]
) -> Iterator[BlindFraming]:
    """Bytes from the first symbol after the leader on; after leaders of their own symbol a mark may stand."""
    for skip in range(1 if leaders[0] in "01" else 4):
        for period in (7, 8, 9):
            rows = [
                row
                for stream, leader in zip(streams, leaders, strict=True)
                for row in _rows(stream, leader, period, skip)
            ]
            if not rows:
                continue
            columns = np.concatenate(rows)
            # what whole words of `period` bits cost to tell, over what that many arbitrary bits cost
            gain = max(0.0, columns.size - _word_bits(columns))
            surprise = np.ones(len(columns))
            for count, parity, more in _parities(columns, -1, surprise):
                if count not in (7, 8):
                    continue
                usual = 3 * UNUSUAL_WIDTH_BITS * (count != 8)
                byte = ByteFormat(bits=count, order="lsb", parity=parity)
                yield BlindFraming(Framing(byte, "plain", swapped, 1.0), gain + more - usual, skip)


def _rows(stream: Stream, leader: str, period: int, skip: int) -> Iterator[BitArray]:
    """Bits of each stretch after a leader, a byte in a row."""
    for first, end in regions(stream, leader):
        count = (end - first - skip) // period
        if count > 0:
            yield stream.bits[first + skip : first + skip + count * period].reshape(count, period)


def _word_bits(columns: BitArray) -> float:
    """What these words cost to tell, in whichever of the four views they are likest a program."""
    width = min(columns.shape[1], 8)
    data = columns[:, :width].astype(np.int64)
    costs = []
    for flip in (0, 1):
        for weights in (1 << np.arange(width), 1 << np.arange(width)[::-1]):
            costs.append(surprise_bits((data ^ flip) @ weights))
    return float(min(costs) + len(columns) * (columns.shape[1] - width))
