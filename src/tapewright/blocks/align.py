"""Whether bytes after a dropout or a jump of the recording are in place, also by the end of their block.

How many symbols a dropout swallowed is told by its length only where all symbols are equally long. But the
last byte of a block stands right before its trailer, so what follows a dropout can be read from there.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from tapewright.blocks.breaks import LONGEST_JUMP_SECONDS, Breaks, breaks_in, jumps_of
from tapewright.blocks.coding import joined_runs, part_of
from tapewright.blocks.evidence import LEAST_IDLE_SECONDS
from tapewright.blocks.reader import ByteReader
from tapewright.cards import Alphabet, BlockLayout, FormatCard, check_width_bytes
from tapewright.cards.layout import FIELD_WIDTH, Check, Data, FieldItem, Fixed, Gap, Lead
from tapewright.model import GAP, ByteRun, Symbols

__all__ = ["Aligned", "aligned"]

#: The end is sought so many standard deviations (and symbols) around where the time says it is, and as far
#: from there as a piece cut out of the recording may be long.
DEVIATIONS, LEAST_REACH = 4.0, 8
#: How much likelier than any other length a trailer of just the written length is, and one symbol beside it.
AS_WRITTEN, NEARLY_AS_WRITTEN = np.log(64.0), np.log(8.0)
#: Bits of data equal the leader's symbol by chance; more than so many in a row, and those of a check after
#: them, are no chance.
MOST_BITS_ALIKE = 8
#: Standard deviation, in symbols, of where a block ends whose symbols are all there; how likely a recording
#: jumps within a block, and the receiver goes on as if nothing were.
CERTAIN, UNSEEN_JUMP = 0.1, 1e-3
#: Below this a symbol is simply wrong; a receiver's claim of more is not believed.
LEAST_LOG_P = np.log(1e-4)
#: Evidence for a trailer, as a natural log, below which none was heard.
LEAST_TRAILER = 8.0
#: How often bytes counted from the end are too few or too many: where each was framed, and where one was not.
MISCOUNTED, MISCOUNTED_UNFRAMED = 1e-4, 0.1


@dataclass(frozen=True, eq=False)
class Aligned:
    """Bytes, and how likely each is in its place.

    Parameters
    ----------
    run : ByteRun
    in_place : ndarray of float64, shape (len(run),)
    breaks : Breaks
        Where the recording may jump.
    """

    run: ByteRun
    in_place: npt.NDArray[np.float64]
    breaks: Breaks


@dataclass(frozen=True)
class _Ending:
    """What follows the data of a block.

    Parameters
    ----------
    lead : Lead
        The leader right after its last byte.
    tail : int
        Bytes on tape between the data and that leader.
    check_bits : int
        Of those, bits that are as good as random.
    """

    lead: Lead
    tail: int
    check_bits: int


def aligned(
    symbols: Symbols, reader: ByteReader, card: FormatCard, layout: BlockLayout, run: ByteRun, wanted: int,
    limit: int,
) -> Aligned:  # fmt: skip
    """Say how likely bytes of a block's data are in their places; read those after a dropout or a jump of the
    recording from the end of the block, where that is likelier to be right.

    Parameters
    ----------
    symbols : Symbols
    reader : ByteReader
    card : FormatCard
    layout : BlockLayout
    run : ByteRun
        The data as read from its beginning.
    wanted : int
        Bytes there should be.
    limit : int
        Symbols from here on belong to something else.

    Returns
    -------
    Aligned
        As many bytes as were read, or as many as wanted, of which the last one ends where the data does.
    """
    breaks = breaks_in(symbols, card, run)
    by_time = Aligned(run, breaks.in_place(breaks.doubt), breaks)
    ending = _ending(layout)
    if ending is None or not len(run):
        return by_time
    if card.byte.is_asynchronous:
        return _by_frames(symbols, reader, by_time, ending, wanted)
    return _by_symbols(symbols, reader, card, by_time, ending, limit) if len(run) == wanted else by_time


def _ending(layout: BlockLayout) -> _Ending | None:
    lead, tail = _trailer(layout), _bytes_after_data(layout)
    if lead is None or tail is None:
        return None
    return _Ending(
        lead, tail, max((8 * check_width_bytes(check.check) for check in layout.checks), default=0)
    )


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
    symbols: Symbols, reader: ByteReader, by_time: Aligned, ending: _Ending, wanted: int
) -> Aligned:
    """Where every byte announces itself: count those between the last break and the trailer."""
    run, breaks = by_time.run, by_time.breaks
    idle = max(LEAST_IDLE_SECONDS, ending.lead.at_least)
    if ending.lead.seconds < idle or not len(breaks.after) or breaks.late[-1] > LONGEST_JUMP_SECONDS:
        return by_time
    before, resumed = int(breaks.after[-1]), int(breaks.resumed[-1])
    begin, end = int(run.end_symbol[before - 1]), int(run.first_symbol[resumed])
    gaps = np.flatnonzero(symbols.index[begin:end] == GAP) + begin
    gap, after_gap = (int(gaps[0]), int(gaps[-1]) + 1) if len(gaps) else (begin, begin)
    heard = reader.read_until_lead(after_gap, wanted + ending.tail, idle)
    count = len(heard) - ending.tail
    if not 0 < count <= wanted:
        return by_time
    miscounted = MISCOUNTED if heard.framing_ok.all() else MISCOUNTED_UNFRAMED
    if count - int(np.searchsorted(heard.first_symbol, end)) == wanted - resumed:  # time and number agree
        return replace(by_time, in_place=breaks.in_place(miscounted * breaks.doubt))
    jumps = breaks.doubt / (breaks.doubt + (1.0 - breaks.doubt) * miscounted)
    if jumps < 0.5:
        return replace(by_time, in_place=breaks.in_place(jumps))
    back = part_of(heard, slice(0, count))
    return _spliced(by_time, part_of(run, slice(0, before)), back, wanted, jumps, gap, after_gap)


def _by_symbols(
    symbols: Symbols, reader: ByteReader, card: FormatCard, by_time: Aligned, ending: _Ending, limit: int
) -> Aligned:
    """Where only their number tells bytes apart: find the symbol at which the trailer begins."""
    run, breaks = by_time.run, by_time.breaks
    first, length = int(run.first_symbol[0]), card.byte.symbols_per_byte
    gaps = np.flatnonzero(symbols.index[first : int(run.end_symbol[-1])] == GAP) + first
    if len(ending.lead.lead) != 1 or (len(gaps) and gaps[-1] + 1 >= len(symbols)):
        return by_time
    alphabet = Alphabet.of(card)
    expected, deviation = int(run.end_symbol[-1]) + ending.tail * length, CERTAIN
    gap, after_gap, doubt = first, first, UNSEEN_JUMP
    if len(gaps):
        gap, after_gap = int(gaps[0]), int(gaps[-1]) + 1
        if alphabet.equal_lengths:
            gap = int(gaps[np.flatnonzero(np.diff(gaps, prepend=-2) > 1)[-1]])
            doubt = breaks.doubt
        else:
            wanted = (len(run) + ending.tail) * length
            expected, deviation = _expected_end(symbols, alphabet, run, gap, after_gap, wanted)
    longest = round(LONGEST_JUMP_SECONDS / alphabet.mean_bit_seconds)
    reach = LEAST_REACH + max(int(DEVIATIONS * deviation), longest)
    ends = np.arange(max(expected - reach, after_gap), min(expected + reach, limit, len(symbols)))
    score = _trailer_score(symbols, alphabet, ending, ends, limit)
    if score is None or _is_dark(symbols, int(run.end_symbol[-1]), int(ends[np.argmax(score)]), expected):
        return by_time
    score += _prior(ends - expected, deviation, doubt, alphabet.mean_bit_seconds)
    share = np.exp(score - score.max())
    share /= share.sum()
    as_read = float(share[ends == expected].sum())
    if not len(gaps):  # nothing tells where the recording jumps, if it does
        return replace(by_time, in_place=np.minimum(by_time.in_place, as_read))
    end = int(ends[np.argmax(share)])
    count = (end - after_gap) // length - ending.tail
    if (alphabet.equal_lengths and end == expected) or not 0 < count <= len(run):
        return replace(by_time, in_place=breaks.in_place(1.0 - as_read))
    back = reader.read_ending_at(end - ending.tail * length, count)
    before = part_of(run, slice(0, (gap - first) // length))
    return _spliced(by_time, before, back, len(run), float(share.max()), gap, after_gap)


def _prior(
    off: npt.NDArray[np.int64], deviation: float, doubt: float, bit_seconds: float
) -> npt.NDArray[np.float64]:
    """How likely a block ends so many symbols after where the time says it does, as natural logs."""
    in_time = np.exp(-0.5 * (off / deviation) ** 2)
    jumped = np.where(off == 0, 0.0, jumps_of(off.astype(np.float64) * bit_seconds))
    in_time, jumped = (part / max(float(part.sum()), 1e-300) for part in (in_time, jumped))
    return np.asarray(np.log((1.0 - doubt) * in_time + doubt * jumped + 1e-300))


def _trailer_score(
    symbols: Symbols, alphabet: Alphabet, ending: _Ending, ends: npt.NDArray[np.int64], limit: int
) -> npt.NDArray[np.float64] | None:
    """How likely the trailer begins at each symbol, by what was heard, as natural logs; None without one."""
    if not len(ends):
        return None
    lead = ending.lead.lead
    written = round(ending.lead.seconds / alphabet.shapes[alphabet.names.index(lead)].seconds)
    low, until = int(ends[0]), min(int(ends[-1]) + written, limit)
    log_p = np.nan_to_num(symbols.log_p[low:until].astype(np.float64), nan=LEAST_LOG_P, posinf=0.0)
    log_p = np.maximum(log_p, LEAST_LOG_P)
    zero, one, its = (log_p[:, symbols.names.index(name)] for name in ("0", "1", lead))
    heard = np.where(symbols.index[low:until] == GAP, 0.0, its - np.logaddexp(zero, one) + np.log(2))
    total = np.append(0.0, np.cumsum(heard))
    finish = int(np.argmax(total - np.minimum.accumulate(total)))
    score = np.full(len(ends), -np.inf)
    possible = score[: finish + 1]
    possible[:] = (total[finish] - total[: finish + 1])[: len(possible)]
    top = int(np.argmax(score))
    if score[top] < LEAST_TRAILER:
        return None
    if lead in "01":
        most = np.log(2) * (MOST_BITS_ALIKE + ending.check_bits)
        possible[top:] = np.maximum(possible[top:], score[top] - most)
        off = np.abs(low + finish - ends - written)
        score += np.where(off == 0, AS_WRITTEN, np.where(off == 1, NEARLY_AS_WRITTEN, 0.0))
    return score


def _is_dark(symbols: Symbols, *places: int) -> bool:
    """Whether something was not heard among these symbols, or before them: their number says nothing then."""
    return bool(np.any(symbols.index[max(min(places) - 1, 0) : max(places) + 1] == GAP))


def _expected_end(
    symbols: Symbols, alphabet: Alphabet, run: ByteRun, gap: int, after_gap: int, wanted: int
) -> tuple[int, float]:
    """Where a block ends, by how long nothing was heard of it, and the standard deviation of that."""
    zero, one = (alphabet.shapes[alphabet.names.index(bit)].seconds for bit in "01")
    first = int(run.first_symbol[0])
    seconds = float(symbols.start_seconds[after_gap] - symbols.start_seconds[gap])
    mean, spread = 0.5 * (zero + one), 0.5 * abs(zero - one)
    speed = float(np.median(symbols.speed[first:gap])) if gap > first else 1.0
    lost = seconds * speed / mean
    heard = int(np.count_nonzero(symbols.index[first:after_gap] != GAP))
    return after_gap + wanted - heard - round(lost), float(np.sqrt(lost) * spread / mean + 1.0)


def _spliced(
    by_time: Aligned, before: ByteRun, after: ByteRun, count: int, right: float, gap: int, after_gap: int
) -> Aligned:
    """Put two runs together with the bytes between them that were lost; `right` is how likely the second is.

    Of bytes that stand there twice, as the recording repeats a piece, the later ones are kept.
    """
    before = part_of(before, slice(0, count - len(after)))
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
    run = joined_runs([part for part in (before, lost, after) if len(part)])
    in_place = np.full(count, right)
    in_place[: len(before)] = by_time.breaks.in_place(right)[: len(before)]
    return Aligned(run, in_place, by_time.breaks)
