"""Bits to stretches of bytes: what stands between one leader or silence and the next."""

from __future__ import annotations

import statistics
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import groupby, pairwise

import numpy as np
import numpy.typing as npt

from tapewright.learn.cuts import FEWEST_BYTES, LONGEST_MARK, Stretch, cut, leader_of, turned_name
from tapewright.learn.framing import Framing
from tapewright.learn.known import NEEDLE, Known
from tapewright.learn.matching import NOT_KNOWN, continued
from tapewright.learn.stream import Stream
from tapewright.model import GAP
from tapewright.model.runs import runs_of

__all__ = ["MOST_BY_CHANCE", "Stretch", "find_stretches", "known_runs", "surroundings"]

#: A leader before a mark has at least so many symbols.
LEADER_BEFORE_MARK = 8
#: Of a leader that goes over into the mark, so many symbols are taken along, to tell the mark from data.
LEADER_IN_MARK = 8
#: So many bytes of known ones may be lost, in a dropout say; the receiver misheard so many beside it.
MOST_LOST, MOST_MISHEARD = 32, 6
#: So many bytes beside the data may be what the program has there by chance.
MOST_BY_CHANCE = 3
#: A run of known bytes is much longer than another by this factor.
MUCH_LONGER = 4
#: What stands before a block is leader if more than this share of its symbols are.
MOSTLY = 0.5
#: A shorter rest (seconds) within a leader is a flaw of the tape.
SHORTEST_SILENCE = 0.05

IntArray = npt.NDArray[np.int64]


def find_stretches(
    streams: Sequence[Stream], knowns: Sequence[Known], framing: Framing, leader: str
) -> list[Stretch]:
    """Cut what was heard of all saves into stretches of bytes.

    Parameters
    ----------
    streams : sequence of Stream
        Not swapped.
    knowns : sequence of Known
    framing : Framing
    leader : str
        The symbol leaders consist of, by the name the receiver gives it in the first save.

    Returns
    -------
    list of Stretch
        Save by save, in order of time.
    """
    turned = [Stream(stream.symbols, swap) for stream, swap in zip(streams, framing.swapped, strict=True)]
    sent = [framing.sent(known.data) for known in knowns]
    leaders = [leader_of(stream, data, framing, leader) for stream, data in zip(turned, sent, strict=True)]
    saves = list(zip(turned, sent, leaders, strict=True))
    cuts = [list(cut(*save[:2], framing, save[2])) for save in saves]
    sizes = [max((len(piece) for piece in pieces if piece.known_count), default=0) for pieces in cuts]
    for save, (stream, data, heard) in enumerate(saves):
        pieces, full = cuts[save], max(sizes)
        if 0 < sizes[save] < full and not framing.byte.start:
            pieces = list(cut(stream, data, framing, heard, full))
        values = stream.values(framing.byte.bits, framing.byte.order)
        pieces = [replace(_filled(piece, values), save=save) for piece in _mended(pieces, values)]
        cuts[save] = list(_without_chance(pieces, framing.per_byte))
    copies = _usual_copies(cuts)
    found: list[Stretch] = []
    for (stream, data, heard), pieces in zip(saves, cuts, strict=True):
        found += surroundings(stream, list(_told_apart(pieces, data, copies)), framing, heard)
    return found


def _equal_ones(pieces: Sequence[Stretch]) -> Iterator[list[Stretch]]:
    """Stretches of the same bytes that follow one another."""
    for _, group in groupby(pieces, lambda piece: piece.values.tobytes()):
        yield list(group)


def _usual_copies(saves: Sequence[Sequence[Stretch]]) -> int:
    """How often blocks with data stand on tape, one after another; only once, unless several do so."""
    counts = Counter(
        len(equal)
        for pieces in saves
        for equal in _equal_ones(pieces)
        if any(piece.known_count for piece in equal)
    )
    copies, blocks = counts.most_common(1)[0] if counts else (1, 0)
    return copies if blocks > 1 else 1


def _told_apart(pieces: Sequence[Stretch], sent: bytes, copies: int) -> Iterator[Stretch]:
    """Tell which bytes of a program that repeats itself are in each stretch; in copies there are the same."""
    bundles = [
        equal[first : first + copies]
        for equal in _equal_ones(pieces)
        for first in range(0, len(equal), copies)
    ]
    told = [bundle[0] for bundle in bundles]
    if usual := _usual(told):
        told = _with_repetitive(list(_in_sequence(told, sent, *usual)), sent, *usual)
    for first, bundle in zip(told, bundles, strict=True):
        yield from (replace(piece, known=first.known) for piece in bundle)


def _without_chance(stretches: Sequence[Stretch], per_byte: int) -> Iterator[Stretch]:
    """Forget known bytes of a save that only by chance are like some of a much longer run.

    Two bytes in characters are four of few kinds, and headers hold many of those.
    """
    runs = [list(known_runs(stretch)) for stretch in stretches]
    for stretch, own in zip(stretches, runs, strict=True):
        known = stretch.known.copy()
        for first, end in own:
            is_meant = end - first > MOST_BY_CHANCE * per_byte or not any(
                other.known[begin] <= known[first] and known[end - 1] <= other.known[stop - 1]
                for other, others in zip(stretches, runs, strict=True)
                for begin, stop in others
                if stop - begin > MUCH_LONGER * (end - first)
            )
            if not is_meant:
                known[first:end] = NOT_KNOWN
        yield replace(stretch, known=known)


def known_runs(stretch: Stretch, per_byte: int = 1) -> Iterator[tuple[int, int]]:
    """First and last place (exclusive) of each run of known bytes that follow one another.

    Written in characters, so many of which make a byte, the characters of whole ones.
    """
    known = stretch.known
    for first, end in runs_of(known != NOT_KNOWN).tolist():
        breaks = np.flatnonzero(np.diff(known[first:end]) != 1) + first + 1
        for begin, stop in pairwise([first, *breaks.tolist(), end]):
            begin += int(-known[begin] % per_byte)
            stop -= (stop - begin) % per_byte
            if stop > begin:
                yield begin, stop


def _mended(pieces: Iterable[Stretch], values: npt.NDArray[np.int16]) -> Iterator[Stretch]:
    """Put together what a few symbols misheard in the midst of known bytes have cut in two."""
    held: Stretch | None = None
    for piece in pieces:
        joined = _joined(held, piece, values) if held is not None else None
        if held is not None and joined is None:
            yield held
        held = joined or piece
    if held is not None:
        yield held


def _filled(piece: Stretch, values: npt.NDArray[np.int16]) -> Stretch:
    """Put in bytes that are missing among known ones, where misheard symbols began a byte too late."""
    inside = np.flatnonzero(piece.known != NOT_KNOWN)
    for before, after in pairwise(inside.tolist()):
        if piece.known[after] - piece.known[before] == after - before:
            continue
        one, other = (
            replace(piece, places=piece.places[part], values=piece.values[part], known=piece.known[part])
            for part in (slice(before + 1), slice(after, None))
        )
        joined = _joined(one, other, values)
        if joined is not None:
            return _filled(joined, values)
    return piece


def _joined(one: Stretch, other: Stretch, values: npt.NDArray[np.int16]) -> Stretch | None:
    """Two stretches as one, if known bytes go on in the second where they should by then."""
    if not one.known_count or not other.known_count or len(one) < FEWEST_BYTES:
        return None
    last, first = int(np.flatnonzero(one.known != NOT_KNOWN)[-1]), _head(other)
    count = int(other.known[first] - one.known[last])
    apart = int(other.places[first] - one.places[last])
    pitch = float(np.median(np.diff(one.places)))
    is_near = len(one) - last <= MOST_MISHEARD and first <= MOST_MISHEARD and 0 < count <= MOST_LOST
    if not is_near or apart - count * pitch > pitch:  # many symbols may be lost, but hardly one made up
        return None
    missing = one.known[last] + np.arange(1, count)
    between = one.places[last] + np.round(np.arange(1, count) * apart / count).astype(np.int64)
    return replace(
        other, places=np.concatenate((one.places[: last + 1], between, other.places[first:])),
        values=np.concatenate((one.values[: last + 1], values[between], other.values[first:])),
        known=np.concatenate((one.known[: last + 1], missing, other.known[first:])),
    )  # fmt: skip


def _usual(pieces: Sequence[Stretch]) -> tuple[int, int] | None:
    """How many bytes usually stand before known ones, and how many known ones there are; None if none are.

    A byte after a block may be the next one by chance, and one before it the last: so it is not the most.
    """
    holding = [piece for piece in pieces if piece.known_count]
    if not holding:
        return None
    return statistics.mode(map(_head, holding)), statistics.mode(piece.known_count for piece in holding)


def _in_sequence(pieces: Sequence[Stretch], sent: bytes, head: int, size: int) -> Iterator[Stretch]:
    """Of a program that repeats itself, take for a block's bytes those that come next, if they do."""
    first, end = -1, 0
    for piece in pieces:
        wanted = np.frombuffer(sent[end : end + size], np.uint8)
        is_odd = not 0 < piece.known_count <= size or _extent(piece)[0] not in (first, end)
        is_next = np.array_equal(piece.values[head : head + len(wanted)], wanted)
        if is_odd and is_next and len(wanted) >= NEEDLE:
            known = np.full(len(piece), NOT_KNOWN, np.int64)
            known[head : head + len(wanted)] = np.arange(end, end + len(wanted))
            piece = replace(piece, known=known)
        if piece.known_count:
            first, end = _extent(piece)
        yield piece


def _with_repetitive(pieces: Sequence[Stretch], sent: bytes, head: int, size: int) -> list[Stretch]:
    """Find known bytes that do not stand out by where those before them ended and those after them begin."""
    found: list[Stretch] = []
    first, end = -1, 0
    for place, piece in enumerate(pieces):
        if not piece.known_count:
            following = next((_extent(later)[0] for later in pieces[place + 1 :] if later.known_count), end)
            missing = sent[:following] if end < following else sent
            expected = [end] if following > end else []
            if first >= 0:  # the next block, or the same once more; else nothing tells a header from it
                expected = [end, first + size, first]
            ways = [continued(piece.values, missing, n, head) for n in expected if n < len(missing)]
            piece = max(
                (replace(piece, known=known) for known in ways if known is not None),
                key=lambda way: (_head(way) == head, _extent(way)[1] == len(missing), way.known_count),
                default=piece,
            )
        if piece.known_count:
            first, end = _extent(piece)
        found.append(piece)
    return found


def _head(piece: Stretch) -> int:
    """How many bytes stand before the known ones."""
    return int(np.argmax(piece.known != NOT_KNOWN))


def _extent(piece: Stretch) -> tuple[int, int]:
    """The first of its known bytes, and the one after the last."""
    inside = piece.known[piece.known != NOT_KNOWN]
    return int(inside[0]), int(inside[-1]) + 1


def surroundings(
    stream: Stream, pieces: Sequence[Stretch], framing: Framing, leader: str
) -> Iterator[Stretch]:
    """Tell leader, mark, trailer and silence around each stretch of one save."""
    byte, index = framing.byte, stream.symbols.index
    begins = [int(piece.places[0]) - len(byte.start) for piece in pieces]
    ends = [int(piece.places[-1]) + byte.symbols_per_byte - len(byte.start) for piece in pieces]
    lead = stream.symbols.names.index(leader)
    for k, piece in enumerate(pieces):
        before = ends[k - 1] if k else 0
        after = begins[k + 1] if k + 1 < len(pieces) else len(index)
        mark, lead_end = _mark(stream, before, begins[k], lead, framing)
        silent = _silences(stream, before, lead_end)
        lead_first = int(silent[-1]) + 1 if len(silent) else before
        quiet = _silences(stream, ends[k], after)
        trail_end = int(quiet[0]) if len(quiet) else (ends[k] if k + 1 < len(pieces) else after)
        is_lead = np.mean(index[lead_first:lead_end] == lead) > MOSTLY if lead_end > lead_first else False
        gap = 0.0
        if len(quiet) and k + 1 < len(pieces):
            heard = stream.symbols
            gap = float(heard.end_seconds[quiet[-1]] - heard.start_seconds[quiet[0]])
        yield replace(
            piece,
            mark=mark,
            lead=turned_name(leader, stream) if is_lead else "",
            lead_seconds=stream.seconds(lead_first, lead_end),
            trail_seconds=stream.seconds(ends[k], trail_end),
            gap_seconds=gap,
        )


def _silences(stream: Stream, first: int, end: int) -> IntArray:
    """Gaps that are silence on tape, and not a place where the leader was hard to hear."""
    heard = stream.symbols
    gaps = first + np.flatnonzero(heard.index[first:end] == GAP)
    return gaps[heard.end_seconds[gaps] - heard.start_seconds[gaps] >= SHORTEST_SILENCE]


def _mark(stream: Stream, first: int, end: int, lead: int, framing: Framing) -> tuple[str, int]:
    """What stands between leader and first byte, and where the leader ends."""
    index = stream.symbols.index
    lead_end = end
    for place in range(end, max(first, end - LONGEST_MARK), -1):
        run = index[max(first, place - LEADER_BEFORE_MARK) : place]
        if len(run) and (run == lead).all():
            lead_end = place
            break
    mark = "".join(turned_name(stream.symbols.names[k], stream) for k in index[lead_end:end] if k != GAP)
    if mark and not framing.byte.start and set(mark) <= set("01"):
        taken = min(LEADER_IN_MARK, lead_end - first)
        mark = turned_name(stream.symbols.names[lead], stream) * taken + mark
        lead_end -= taken
    return mark, lead_end
