"""Bits to stretches of bytes: what stands between one leader or silence and the next."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from tapewright.cards.format import ByteFormat
from tapewright.learn.framing import Framing, frame_places
from tapewright.learn.known import Known, Needles
from tapewright.learn.matching import NOT_KNOWN, continued, known_offsets
from tapewright.learn.stream import NO_BIT, Stream, byte_values
from tapewright.model import GAP
from tapewright.model.runs import runs_of

__all__ = ["Stretch", "find_stretches"]

#: So many equal symbols or more, outside the known bytes, are a leader and no data (ten bytes of zeros are).
#: Where the first leader is short, half of it.
LEAST_LEADER = 96
#: A mark between leader and bytes has at most so many symbols; a leader before it at least so many.
LONGEST_MARK, LEADER_BEFORE_MARK = 24, 8
#: Of a leader that goes over into the mark, so many symbols are taken along, to tell the mark from data.
LEADER_IN_MARK = 8
#: So many bytes at the end of a block may look like leader.
MOST_ALIKE = 2
#: Fewer bytes than this, with no known ones among them, are no block but misheard leader.
FEWEST_BYTES = 2
#: So many bytes of known ones may be lost, where the receiver misheard a few symbols.
MOST_MISHEARD = 6
#: A shorter rest (seconds) within a leader is a flaw of the tape.
SHORTEST_SILENCE = 0.05
#: Idle time between bytes of one stretch: this many times the usual, and so many symbols more.
IDLE_FACTOR, IDLE_SLACK = 2.0, 12

IntArray = npt.NDArray[np.int64]
_TURN = str.maketrans("01", "10")


@dataclass(frozen=True, eq=False)
class Stretch:
    """Bytes that follow one another on tape.

    Parameters
    ----------
    save : int
        Which recording.
    values : ndarray of int16, shape (n,)
        As they stand on tape; -1 where nothing could be read.
    spare : ndarray of int16
        What would follow if the stretch went on into the leader after it: a last byte may look like leader.
    places : ndarray of int64, shape (n,)
        Where each one's first bit stands in the save's symbols.
    known : ndarray of int64, shape (n,)
        Which byte of the known ones, as they are sent, each is; `NOT_KNOWN` for none.
    mark : str
        Symbols between leader and first byte that are part of neither.
    lead : str
        The symbol before that, again and again; empty for none.
    lead_seconds : float
    trail_seconds : float
        Length of what follows of the same symbol, up to the next silence.
    gap_seconds : float
        Silence after that, up to the next stretch; 0 for the last.
    """

    save: int
    values: npt.NDArray[np.int16]
    spare: npt.NDArray[np.int16]
    places: IntArray
    known: IntArray
    mark: str = ""
    lead: str = ""
    lead_seconds: float = 0.0
    trail_seconds: float = 0.0
    gap_seconds: float = 0.0

    def __len__(self) -> int:
        return len(self.values)

    @property
    def known_count(self) -> int:
        """How many of the known bytes are in it."""
        return int(np.count_nonzero(self.known != NOT_KNOWN))


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
    found: list[Stretch] = []
    for save, (stream, known) in enumerate(zip(streams, knowns, strict=True)):
        turned = Stream(stream.symbols, framing.swapped[save])
        heard = _leader_of(turned, framing.sent(known.data), framing, leader)
        sent = framing.sent(known.data)
        cut = _asynchronous if framing.byte.start else _synchronous
        values = byte_values(turned.bits, framing.byte.bits, framing.byte.order)
        pieces = [replace(piece, save=save) for piece in _mended(cut(turned, sent, framing, heard), values)]
        pieces = _with_repetitive(pieces, sent)
        found += surroundings(turned, pieces, framing, heard)
    return found


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


def _joined(one: Stretch, other: Stretch, values: npt.NDArray[np.int16]) -> Stretch | None:
    """Two stretches as one, if known bytes go on in the second where they should by then."""
    if not one.known_count or not other.known_count or len(one) < FEWEST_BYTES:
        return None
    last, first = int(np.flatnonzero(one.known != NOT_KNOWN)[-1]), _head(other)
    count = int(other.known[first] - one.known[last])
    apart = int(other.places[first] - one.places[last])
    pitch = float(np.median(np.diff(one.places)))
    is_near = len(one) - last <= MOST_MISHEARD and first <= MOST_MISHEARD and 0 < count <= MOST_MISHEARD
    if not is_near or abs(apart - count * pitch) > pitch:
        return None
    missing = one.known[last] + np.arange(1, count)
    between = one.places[last] + np.round(np.arange(1, count) * apart / count).astype(np.int64)
    return replace(
        other, places=np.concatenate((one.places[: last + 1], between, other.places[first:])),
        values=np.concatenate((one.values[: last + 1], values[between], other.values[first:])),
        known=np.concatenate((one.known[: last + 1], missing, other.known[first:])),
    )  # fmt: skip


def _leader_of(stream: Stream, sent: bytes, framing: Framing, leader: str) -> str:
    """The symbol leaders consist of in this save, by the name the receiver gives it.

    Between bytes that announce themselves it is the idle one. Else it is the bit that stands longest outside
    the known bytes, in long runs: the line code alone may mistake zeros in a program for a leader, and of
    absolute levels upside down it is the other bit.
    """
    if leader not in "01":
        return leader
    if framing.byte.start:
        return _turned(framing.byte.stop[-1], stream)
    values = byte_values(stream.bits, framing.byte.bits, framing.byte.order)
    period = framing.byte.symbols_per_byte
    outside = np.ones(len(stream.bits), np.bool_)
    is_data = _known_places(values, sent, *Needles(sent).find(values, period), period)
    outside[: len(is_data)] = ~is_data
    names, index = stream.symbols.names, stream.symbols.index
    stands = {}
    for name in "01":
        runs = np.diff(runs_of((index == names.index(name)) & outside))
        stands[name] = int(runs[runs >= LEAST_LEADER // 2].sum())
    return max("01", key=lambda name: (stands[name], name == leader))


def _piece(
    values: npt.NDArray[np.int16], places: IntArray, known: IntArray, spare: IntArray | None = None
) -> Stretch:
    after = values[spare] if spare is not None else np.zeros(0, np.int16)
    return Stretch(0, values[places], after, places, known)


def _asynchronous(stream: Stream, sent: bytes, framing: Framing, leader: str) -> Iterator[Stretch]:
    """Follow bytes by their start symbols; a longer rest than usual, or another symbol, ends a stretch."""
    byte = framing.byte
    width = byte.bits + (byte.parity != "none")
    places = frame_places(stream.bits, int(byte.start[-1]), width, len(byte.stop))
    values = byte_values(stream.bits, byte.bits, byte.order)
    needles = Needles(sent)
    known = known_offsets(values[places], sent, needles)
    idle = np.diff(places) - byte.symbols_per_byte
    inside = (known[:-1] != NOT_KNOWN) & (known[1:] == known[:-1] + 1)
    usual = np.quantile(idle[inside], 0.98) if inside.any() else 0.0
    hole = np.cumsum(stream.bits == NO_BIT)
    apart = (idle > IDLE_FACTOR * usual + IDLE_SLACK) | (hole[places[1:]] > hole[places[:-1]])
    for part in np.split(places, np.flatnonzero(apart) + 1):
        if (idle[inside] <= 0).all():
            part = _in_step(stream.bits, part, framing.byte)
        known = known_offsets(values[part], sent, needles)  # a run may not go on from one block to the next
        if len(part) and (len(part) >= FEWEST_BYTES or (known != NOT_KNOWN).any()):
            yield _piece(values, part, known)


def _in_step(bits: npt.NDArray[np.int8], places: IntArray, byte: ByteFormat) -> IntArray:
    """Put the first bytes of a stretch in step with those after them, if they can be.

    Where bytes follow one another closely, idle time after the first few is none: they began too early, with
    a mark that looks like the start of a byte.
    """
    length = byte.symbols_per_byte
    late = np.flatnonzero(np.diff(places[: LONGEST_MARK // 2]) != length)
    if not len(late):
        return places
    after = int(late[-1]) + 1
    before = np.arange(places[after] - length, places[0], -length)[::-1]
    is_sound = (bits[before - 1] == int(byte.start[-1])) & (bits[before + length - 2] == int(byte.stop[-1]))
    if len(before) and is_sound.all() and before[0] < places[0] + length:
        return np.concatenate((before, places[after:]))
    return places


def _synchronous(stream: Stream, sent: bytes, framing: Framing, leader: str) -> Iterator[Stretch]:
    """Lay bytes end to end through what lies between leaders, in step with the known ones."""
    bits, byte = stream.bits, framing.byte
    values = byte_values(bits, byte.bits, byte.order)
    period = byte.symbols_per_byte
    needles = Needles(sent)
    at, offsets = needles.find(values, period)
    is_data = _known_places(values, sent, at, offsets, period)
    regions = list(_between_leaders(stream, at, is_data, period, leader))
    heads = [first_hit - first for first, _, first_hit in regions if first_hit >= 0]
    tails = [end - first_hit for _, end, first_hit in regions if first_hit >= 0]
    step = heads[0] % period if heads else 0
    # A mark may be misheard, but a leader that is no bit begins where the last byte ends.
    from_end = leader not in "01" and len({tail % period for tail in tails}) == 1
    for first, end, first_hit in regions:
        rest = end - tails[0] if from_end else first + step
        phase = first_hit if first_hit >= 0 else rest
        begin = first - (first - phase) % period  # the byte that the first symbol after the leader is in
        places = np.arange(begin, end, period, dtype=np.int64)
        places = places[(places >= 0) & (places < len(values))]
        places = places[_first_sound(bits, values, places, framing) :]
        if not len(places):
            continue
        known = known_offsets(values[places], sent, needles)
        places = places[: _trailer_begin(stream, places, known, period, leader)]
        known = known[: len(places)]
        if len(places) >= FEWEST_BYTES or (known != NOT_KNOWN).any():
            after = places[-1] + period * np.arange(1, 5)
            yield _piece(values, places, known, after[after < len(values)])


def _trailer_begin(stream: Stream, places: IntArray, known: IntArray, period: int, leader: str) -> int:
    """At which byte a trailer too short to be taken for a leader begins: nothing but leader, to the end."""
    lead = stream.symbols.index == stream.symbols.names.index(leader)
    is_lead = np.array([lead[place : place + period].all() for place in places.tolist()])
    other = np.flatnonzero(~is_lead | (known != NOT_KNOWN))
    return int(other[-1]) + 1 if len(other) else 0


def _known_places(
    values: npt.NDArray[np.int16], sent: bytes, at: IntArray, offsets: IntArray, period: int
) -> npt.NDArray[np.bool_]:
    """Which symbols are of known bytes: of the runs found, and as far as the bytes agree beside them."""
    wanted = np.frombuffer(sent, np.uint8).astype(np.int16)
    is_data = np.zeros(len(values), np.bool_)
    for shift in np.unique(at - period * offsets).tolist():
        places = shift + period * np.arange(len(wanted))
        inside = (places >= 0) & (places < len(values))
        agrees = np.zeros(len(wanted), np.bool_)
        agrees[inside] = values[places[inside]] == wanted[inside]
        hits = np.zeros(len(wanted), np.bool_)
        hits[offsets[at - period * offsets == shift]] = True
        for first, end in runs_of(agrees).tolist():
            if hits[first:end].any():
                is_data[places[first] : places[end - 1] + period] = True
    return is_data


def _between_leaders(
    stream: Stream, at: IntArray, is_data: npt.NDArray[np.bool_], period: int, leader: str
) -> Iterator[tuple[int, int, int]]:
    """First and last symbol (exclusive) of every region that is no leader, and its first known byte or -1."""
    bits = stream.bits
    lead = stream.symbols.index == stream.symbols.names.index(leader)
    lead[: len(is_data)] &= ~is_data
    quiet = bits == NO_BIT
    runs = runs_of(lead)
    longest = int(np.diff(runs, axis=1).max(initial=0))
    for first, end in runs:
        if end - first >= min(LEAST_LEADER, longest // 2):
            quiet[first:end] = True
    _open_filling(quiet, quiet | lead, bits, at, period)
    for first, end in runs_of(~quiet).tolist():
        first += int(np.argmin(np.append(lead[first:end], False)))  # after a silence, leaders may be short
        if end - first < period:
            continue
        inside = at[(at >= first) & (at < end)]
        yield first, end, int(inside[0]) if len(inside) else -1


def _open_filling(
    quiet: npt.NDArray[np.bool_], is_leader: npt.NDArray[np.bool_], bits: npt.NDArray[np.int8],
    at: IntArray, period: int,
) -> None:  # fmt: skip
    """Take for data what fills a last block up and looks like leader, if it then ends where full ones do."""
    begins, counts = [], []
    for first, end in runs_of(~quiet).tolist():
        inside = at[(at >= first) & (at < end)]
        if len(inside):
            begins.append(first - (first - int(inside[0])) % period)
            counts.append(-(-(end - begins[-1]) // period))
    full = max(counts, default=0)
    for begin, count in zip(begins, counts, strict=True):
        end = begin + full * period
        if count >= full - MOST_ALIKE or (bits[begin:end] == NO_BIT).any():
            continue
        begins_again = ((at > begin + count * period) & (at < end)).any()
        ends = not is_leader[end - MOST_ALIKE * period : end].all()
        if ends and not begins_again and is_leader[end : end + LEAST_LEADER].all():
            quiet[begin:end], quiet[end : end + LEAST_LEADER] = False, True


def _first_sound(
    bits: npt.NDArray[np.int8], values: npt.NDArray[np.int16], places: IntArray, framing: Framing
) -> int:
    """From which byte on the bytes are such as the framing makes them: a mark before them is not."""
    byte = framing.byte
    head = places[: LONGEST_MARK // byte.bits + 1]
    head = head[head + byte.symbols_per_byte <= len(bits)]
    sound = values[head] >= 0
    if byte.parity in ("even", "odd"):
        ones = sum(bits[head + k].astype(np.int64) for k in range(byte.bits))
        sound &= (ones + bits[head + byte.bits]) % 2 == (byte.parity == "odd")
    for k, symbol in enumerate(byte.stop):
        sound &= bits[head + byte.symbols_per_byte - len(byte.stop) + k] == int(symbol)
    wrong = np.flatnonzero(~sound)
    return int(wrong[-1]) + 1 if len(wrong) else 0


def _with_repetitive(pieces: Sequence[Stretch], sent: bytes) -> list[Stretch]:
    """Find known bytes that do not stand out by where those before them ended and those after them begin."""
    heads = [_head(piece) for piece in pieces if piece.known_count]
    if not heads:
        return list(pieces)
    usual = max(set(heads), key=heads.count)
    counts = [piece.known_count for piece in pieces if piece.known_count]
    size = max(set(counts), key=counts.count)  # a byte after a block may be the next one by chance
    found: list[Stretch] = []
    first, end = -1, 0
    for place, piece in enumerate(pieces):
        if not piece.known_count:
            following = next((_extent(later)[0] for later in pieces[place + 1 :] if later.known_count), end)
            missing = sent[:following] if end < following else sent
            expected = [end] if following > end else []
            if first >= 0:  # the next block, or the same once more; else nothing tells a header from it
                expected = [end, first + size, first]
            ways = [continued(piece.values, missing, n, usual) for n in expected if n < len(missing)]
            piece = max(
                (replace(piece, known=known) for known in ways if known is not None),
                key=lambda way: (_head(way) == usual, _extent(way)[1] == len(missing), way.known_count),
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
        gap = 0.0
        if len(quiet) and k + 1 < len(pieces):
            heard = stream.symbols
            gap = float(heard.end_seconds[quiet[-1]] - heard.start_seconds[quiet[0]])
        yield replace(
            piece,
            mark=mark,
            lead=_turned(leader, stream) if lead_end > lead_first else "",
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
    mark = "".join(_turned(stream.symbols.names[k], stream) for k in index[lead_end:end] if k != GAP)
    if mark and not framing.byte.start and set(mark) <= set("01"):
        taken = min(LEADER_IN_MARK, lead_end - first)
        mark = _turned(stream.symbols.names[lead], stream) * taken + mark
        lead_end -= taken
    return mark, lead_end


def _turned(name: str, stream: Stream) -> str:
    """Name of a symbol after 0 and 1 have changed places, if they have to."""
    return name.translate(_TURN) if stream.swapped else name
