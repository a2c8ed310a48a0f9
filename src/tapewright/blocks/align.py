"""Bytes after a dropout, counted from the end of their block.

How many symbols a dropout swallowed is told by its length only where all symbols are equally long. But the
last byte of a block stands right before its trailer, so what follows a dropout can be read from there.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tapewright.blocks.coding import joined_runs, part_of
from tapewright.blocks.evidence import LEAST_IDLE_SECONDS
from tapewright.blocks.reader import ByteReader
from tapewright.cards import Alphabet, BlockLayout, FormatCard, check_width_bytes
from tapewright.cards.layout import FIELD_WIDTH, Check, Data, FieldItem, Fixed, Gap, Lead
from tapewright.model import GAP, ByteRun, Symbols

__all__ = ["from_the_end"]

#: The end is sought so many standard deviations (and symbols) around where the time says it is.
DEVIATIONS, LEAST_REACH = 4.0, 8
#: How much likelier than any other length a trailer of just the written length is, and one symbol beside it.
AS_WRITTEN, NEARLY_AS_WRITTEN = np.log(64.0), np.log(8.0)
#: Bits of data equal the leader's symbol by chance; more than so many in a row are no chance.
MOST_BITS_ALIKE = 8
#: Asynchronous bytes: counts further than this from what the time says are not believed.
MOST_BYTES_OFF = 2


def from_the_end(
    symbols: Symbols, reader: ByteReader, card: FormatCard, layout: BlockLayout, run: ByteRun, limit: int
) -> ByteRun | None:
    """Read the bytes of a block's data again, those after a dropout from the end of the block.

    Parameters
    ----------
    symbols : Symbols
    reader : ByteReader
    card : FormatCard
    layout : BlockLayout
    run : ByteRun
        The data as read from its beginning.
    limit : int
        Symbols from here on belong to something else.

    Returns
    -------
    ByteRun or None
        As many bytes, and the last one ends where the data does. None if there was no dropout, or the end
        of the block cannot be found.
    """
    lead = _trailer(layout)
    tail = _bytes_after_data(layout)
    if lead is None or tail is None or not len(run):
        return None
    first = int(run.first_symbol[0])
    gaps = np.flatnonzero(symbols.index[first : int(run.end_symbol[-1])] == GAP) + first
    if not len(gaps) or gaps[-1] + 1 >= len(symbols):  # nothing is heard after it
        return None
    if card.byte.is_asynchronous:
        return _by_frames(reader, run, int(gaps[0]), int(gaps[-1]) + 1, tail, lead)
    return _by_symbols(symbols, reader, card, lead, run, int(gaps[0]), int(gaps[-1]) + 1, tail, limit)


def _trailer(layout: BlockLayout) -> Lead | None:
    """Give the leader right after the last byte."""
    items = list(layout.layout)
    last = max((k for k, item in enumerate(items) if not isinstance(item, (Lead, Gap))), default=-1)
    after = items[last + 1 : last + 2]
    return after[0] if after and isinstance(after[0], Lead) else None


def _bytes_after_data(layout: BlockLayout) -> int | None:
    """Count the bytes on tape between the data and the trailer; None if they cannot be counted."""
    items = list(layout.layout)
    place = next(k for k, item in enumerate(items) if isinstance(item, Data))
    count = 0
    for item in items[place + 1 :]:
        if isinstance(item, Check):
            count += check_width_bytes(item.check) * item.tape_bytes_per_byte
        elif isinstance(item, Fixed):
            count += len(item.fixed) * item.tape_bytes_per_byte
        elif isinstance(item, FieldItem):
            count += FIELD_WIDTH[item.type] * item.tape_bytes_per_byte
        elif isinstance(item, (Lead, Gap)):
            break
        else:
            return None
    return count


def _by_frames(
    reader: ByteReader, run: ByteRun, gap: int, after_gap: int, tail: int, lead: Lead
) -> ByteRun | None:
    """Where every byte announces itself: count those between the dropout and the trailer."""
    idle = max(LEAST_IDLE_SECONDS, lead.at_least)
    if lead.seconds < idle:
        return None
    heard = reader.read_until_lead(after_gap, len(run) + tail, idle)
    count = len(heard) - tail
    before = int(np.searchsorted(run.end_symbol, gap, "right"))
    now = int(np.count_nonzero(run.first_symbol >= after_gap))
    if not 0 < count <= len(run) - before or not 0 < abs(count - now) <= MOST_BYTES_OFF:
        return None
    return _spliced(part_of(run, slice(0, before)), part_of(heard, slice(0, count)), len(run), gap, after_gap)


def _by_symbols(
    symbols: Symbols, reader: ByteReader, card: FormatCard, lead: Lead, run: ByteRun,
    gap: int, after_gap: int, tail: int, limit: int,
) -> ByteRun | None:  # fmt: skip
    """Where only their number tells bytes apart: find the symbol at which the trailer begins."""
    alphabet = Alphabet.of(card)
    zero, one = (alphabet.shapes[alphabet.names.index(bit)].seconds for bit in "01")
    if len(lead.lead) != 1 or abs(zero - one) < 0.01 * (zero + one):
        return None  # the length of the dropout has said it better
    length, first = card.byte.symbols_per_byte, int(run.first_symbol[0])
    seconds = float(symbols.start_seconds[after_gap] - symbols.start_seconds[gap])
    mean, spread = 0.5 * (zero + one), 0.5 * abs(zero - one)
    speed = float(np.median(symbols.speed[first:gap])) if gap > first else 1.0
    lost = seconds * speed / mean
    deviation = np.sqrt(lost) * spread / mean + 1.0
    heard = _heard(symbols, first, after_gap)
    wanted = (len(run) + tail) * length
    expected = after_gap + wanted - heard - round(lost)
    reach = int(DEVIATIONS * deviation) + LEAST_REACH
    name = symbols.names.index(lead.lead)
    low, high = max(expected - reach, after_gap), min(expected + reach, limit, len(symbols)) - 1
    if high <= low or symbols.index[high] != name:
        return None
    begin = high
    while begin > low and symbols.index[begin - 1] == name:
        begin -= 1
    finish = high
    while finish < min(limit, len(symbols)) and symbols.index[finish] == name:
        finish += 1
    ends = np.arange(begin, high + 1)
    score = -0.5 * ((ends - expected) / deviation) ** 2
    if lead.lead in "01":
        score -= np.log(2) * np.minimum(ends - begin + 1, MOST_BITS_ALIKE)
        written = round(lead.seconds / alphabet.shapes[alphabet.names.index(lead.lead)].seconds)
        off = np.abs(finish - ends - written)
        score += np.where(off == 0, AS_WRITTEN, np.where(off == 1, NEARLY_AS_WRITTEN, 0.0))
    else:
        ends, score = ends[:1], score[:1]  # a symbol that is no bit begins the trailer
    share = np.exp(score - score.max())
    end = int(ends[np.argmax(share)])
    count = (end - after_gap) // length - tail
    before = (gap - first) // length
    if not 0 < count <= len(run) - before:
        return None
    back = reader.read_ending_at(end - tail * length, count)
    sure = back.confidence * float(share.max() / share.sum())
    after = replace(back, confidence=sure)
    return _spliced(part_of(run, slice(0, before)), after, len(run), gap, after_gap)


def _heard(symbols: Symbols, first: int, end: int) -> int:
    return int(np.count_nonzero(symbols.index[first:end] != GAP))


def _spliced(before: ByteRun, after: ByteRun, count: int, gap: int, after_gap: int) -> ByteRun:
    """Put two runs together with the bytes between them that were lost in a dropout."""
    n = count - len(before) - len(after)
    nothing = np.zeros(n, np.bool_)
    lost = ByteRun(
        np.zeros(n, np.uint8),
        np.zeros(n),
        np.zeros((n, after.bit_llr.shape[1]), np.float32),
        np.full(n, gap, np.int64),
        np.full(n, after_gap, np.int64),
        nothing,
        nothing.copy(),
    )
    return joined_runs([run for run in (before, lost, after) if len(run)])
