"""Where stretches of bytes begin and end in the bits: between leaders, in step with the known bytes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from tapewright.cards.format import ByteFormat
from tapewright.learn.framing import Framing, frame_places
from tapewright.learn.known import NEEDLE, Needles
from tapewright.learn.matching import NOT_KNOWN, known_offsets
from tapewright.learn.stream import NO_BIT, Stream, byte_values, exchanged
from tapewright.model import GAP
from tapewright.model.runs import runs_of

__all__ = ["FEWEST_BYTES", "LONGEST_MARK", "Stretch", "cut", "leader_of", "turned_name"]

#: So many equal symbols or more, outside the known bytes, are a leader and no data (ten bytes of zeros are).
#: Where leaders are short, most of the longest, but so many: where there is none, zeros are in any bytes.
LEAST_LEADER, LEAST_OF_SHORT = 96, 24
#: To tell which symbol leaders consist of, no run counts for more.
LONGEST_COUNTED = 192
#: Leaders between blocks may be shorter: so many symbols, and then so many like those after long ones, or as
#: many as all of those have in common, but no more than the last number.
SHORT_LEADER, AFTER_LEADER, MOST_AFTER_LEADER = 16, 8, 32
#: They may be shorter still, if so many symbols after them are as after a long one.
SHORTEST_LEADER, SURELY_AFTER_LEADER = 9, 24
#: A mark between leader and bytes has at most so many symbols.
LONGEST_MARK = 24
#: So few symbols before a silence are no byte: a last pulse ends the one before.
LONGEST_END = 2
#: So many bytes at the end of a block may look like leader.
MOST_ALIKE = 2
#: Fewer bytes than this, with no known ones among them, are no block but misheard leader; and so are those
#: of whose symbols the receiver holds more than this share to be wrong: noise.
FEWEST_BYTES, MOST_DOUBT = 2, 0.02
#: Of known bytes that go over into a leader, so many have to stand before it: leaders of 0 go on like zeros.
FEWEST_TOLD = 3
#: So many places of known bytes are in step with one another before a symbol was lost, and after it.
FEWEST_IN_STEP = 8
#: Idle time between bytes of one stretch: this many times the usual, and so many symbols more.
IDLE_FACTOR, IDLE_SLACK = 2.0, 12

IntArray = npt.NDArray[np.int64]


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
        The symbol before that, again and again; empty for none, or where it is another than leaders have.
    lead_seconds : float
        Length of what stands there.
    trail_seconds : float
        Length of what follows of the same symbol, up to the next silence.
    gap_seconds : float
        Silence after that, up to the next stretch; 0 for the last.
    strays : int
        Symbols between the bytes before the known ones that are in none, and not idle: no card has words
        for them.
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
    strays: int = 0

    def __len__(self) -> int:
        return len(self.values)

    @property
    def known_count(self) -> int:
        """How many of the known bytes are in it."""
        return int(np.count_nonzero(self.known != NOT_KNOWN))


def cut(stream: Stream, sent: bytes, framing: Framing, leader: str, full: int = 0) -> Iterator[Stretch]:
    """Cut one save into stretches of bytes; what stands around them is not told yet.

    Parameters
    ----------
    stream : Stream
        Swapped, if 0 and 1 have to change places.
    sent : bytes
        The known bytes, as they stand on tape.
    framing : Framing
    leader : str
        See `leader_of`.
    full : int
        So many bytes are in the largest block of other saves: those of this one may be as large.
    """
    if framing.byte.start:
        return _asynchronous(stream, sent, framing, leader)
    return _synchronous(stream, sent, framing, leader, full)


def leader_of(stream: Stream, sent: bytes, framing: Framing, leader: str) -> str:
    """The symbol leaders consist of in this save, by the name the receiver gives it.

    Between bytes that announce themselves it is the idle one. Else it is the bit that stands longest outside
    the known bytes, in long runs and often: the line code alone may mistake zeros in a program for a leader,
    what fills a block up stands there once, and of absolute levels upside down it is the other bit.
    """
    if leader not in "01":
        return leader
    if framing.byte.start:
        return turned_name(framing.byte.stop[-1], stream)
    values = stream.values(framing.byte.bits, framing.byte.order)
    period = framing.byte.symbols_per_byte
    outside = np.ones(len(stream.bits), np.bool_)
    is_data = _known_places(values, sent, *Needles(sent).find(values, period), period)
    outside[: len(is_data)] = ~is_data
    names, index = stream.symbols.names, stream.symbols.index
    stands = {}
    for name in "01":
        runs = np.diff(runs_of((index == names.index(name)) & outside))
        stands[name] = int(np.minimum(runs[runs >= LEAST_LEADER // 2], LONGEST_COUNTED).sum())
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
    values = stream.values(byte.bits, byte.order)
    needles = Needles(sent)
    known = known_offsets(values[places], sent, needles)
    idle = np.diff(places) - byte.symbols_per_byte
    inside = (known[:-1] != NOT_KNOWN) & (known[1:] == known[:-1] + 1)
    usual = np.quantile(idle[inside], 0.98) if inside.any() else 0.0
    hole = np.cumsum(stream.bits == NO_BIT)
    apart = (idle > IDLE_FACTOR * usual + IDLE_SLACK) | (hole[places[1:]] > hole[places[:-1]])
    follow_closely = bool((idle[inside] <= 0).all())
    for part in np.split(places, np.flatnonzero(apart) + 1):
        if follow_closely:
            part = _in_step(stream.bits, part, framing.byte)
        elif len(part) > 1:
            part = _begun_later(stream.bits, part, framing)
        known = known_offsets(values[part], sent, needles)  # a run may not go on from one block to the next
        if _is_block(stream, part, known, byte):
            strays = _strays(stream.bits, part[: int(np.argmax(known != NOT_KNOWN)) + 1], byte)
            yield replace(_piece(values, part, known), strays=strays)


def _is_block(stream: Stream, places: IntArray, known: IntArray, byte: ByteFormat) -> bool:
    """Whether bytes at these places are a block: with known ones among them, or several that are no noise."""
    if (known != NOT_KNOWN).any():
        return True
    if len(places) < FEWEST_BYTES:
        return False
    return stream.doubt(int(places[0]), int(places[-1]) + byte.bits) <= MOST_DOUBT


def _strays(bits: npt.NDArray[np.int8], places: IntArray, byte: ByteFormat) -> int:
    """Between bytes that announce themselves, how many symbols are not idle."""
    between = np.zeros(len(bits) + 1, np.int64)
    np.add.at(between, places[:-1] + byte.symbols_per_byte - len(byte.start), 1)
    np.add.at(between, places[1:] - len(byte.start), -1)
    return int(np.count_nonzero((np.cumsum(between)[:-1] > 0) & (bits == int(byte.start[-1]))))


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
    is_announced = bits[before - 1] == int(byte.start[-1])
    is_sound = len(before) and is_announced.all() and _sound(bits, before, byte).all()
    if is_sound and before[0] < places[0] + length:
        return np.concatenate((before, places[after:]))
    return places


def _begun_later(bits: npt.NDArray[np.int8], places: IntArray, framing: Framing) -> IntArray:
    """Begin the first byte of a stretch where it may begin as well.

    A mark may end with what looks like the start of a byte, and with idle time between bytes nothing but
    parity tells: `framing` says how many starts to leave out. A first byte may be sent by a tight loop, and
    less idle time be after it than after others. What is left of a byte read too early may make a second one.
    """
    byte = framing.byte.model_copy(update={"stop": framing.byte.stop[:1]})
    begins = places[0] + np.arange(byte.bits + 1)
    begins = begins[bits[begins - 1] == int(byte.start[-1])]
    begins = begins[_sound(bits, begins, byte)]
    if not len(begins):
        return places
    begin = int(begins[min(framing.left_out, len(begins) - 1)])
    until = places[min(len(places) - 1, LONGEST_MARK // byte.bits)]
    some = bits[begin - 1 : until + byte.symbols_per_byte]
    width = byte.bits + (byte.parity != "none")
    again = begin - 1 + frame_places(some, int(byte.start[-1]), width)
    in_step = np.flatnonzero(np.isin(again, places[1:]))
    if not len(in_step):
        return places
    anew = again[: in_step[0]]
    return np.concatenate((anew, places[places >= again[in_step[0]]]))


def _synchronous(stream: Stream, sent: bytes, framing: Framing, leader: str, full: int) -> Iterator[Stretch]:
    """Lay bytes end to end through what lies between leaders, in step with the known ones."""
    bits, byte = stream.bits, framing.byte
    values = byte_values(bits, byte.bits, byte.order)
    period = byte.symbols_per_byte
    needles = Needles(sent)
    at, offsets = needles.find(values, period)
    are_told = _symbols_told(stream, at, NEEDLE * period, leader) >= FEWEST_TOLD * period
    at, offsets = at[are_told], offsets[are_told]
    is_data = _known_places(values, sent, at, offsets, period)
    regions = [
        part
        for region in _between_leaders(stream, at, is_data, period, leader, full)
        for part in _in_step_throughout(region, at, period)
    ]
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
        if len(places) and values[places[-1]] < 0 and end - places[-1] <= LONGEST_END:
            places = places[:-1]
        places = places[_first_sound(bits, places, byte) :]
        if not len(places):
            continue
        known = known_offsets(values[places], sent, needles)
        places = places[: _trailer_begin(stream, places, known, period, leader)]
        known = known[: len(places)]
        if _is_block(stream, places, known, byte):
            after = places[-1] + period * np.arange(1, 5)
            yield _piece(values, places, known, after[after < len(values)])


def _symbols_told(stream: Stream, places: IntArray, length: int, leader: str) -> IntArray:
    """How many of so many symbols at each place are in no run as long as a leader."""
    is_long = np.zeros(len(stream.symbols) + 1, np.int64)
    for first, end in runs_of(stream.symbols.index == stream.symbols.names.index(leader)).tolist():
        if end - first >= LEAST_LEADER:
            is_long[first + 1 : end + 1] = 1
    before = np.cumsum(is_long)
    return np.asarray(length - (before[places + length] - before[places]))


def _in_step_throughout(
    region: tuple[int, int, int], at: IntArray, period: int
) -> Iterator[tuple[int, int, int]]:
    """Cut a region where a symbol was lost: known bytes are out of step with those before from there on."""
    first, end, first_hit = region
    hits = at[(at >= first) & (at < end)]
    others = np.flatnonzero((hits - first_hit) % period)
    if len(others):
        slip = int(others[0])
        stays = len(set(((hits[slip:] - hits[slip]) % period).tolist())) == 1
        if stays and min(slip, len(hits) - slip) >= FEWEST_IN_STEP:
            yield first, int(hits[slip]), first_hit
            yield int(hits[slip]), end, int(hits[slip])
            return
    yield region


def _trailer_begin(stream: Stream, places: IntArray, known: IntArray, period: int, leader: str) -> int:
    """At which byte a trailer too short to be taken for a leader begins: only leader, up to silence."""
    lead = (stream.symbols.index == stream.symbols.names.index(leader)) | (stream.bits == NO_BIT)
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
    stream: Stream, at: IntArray, is_data: npt.NDArray[np.bool_], period: int, leader: str, full: int
) -> Iterator[tuple[int, int, int]]:
    """First and last symbol (exclusive) of every region that is no leader, and its first known byte or -1."""
    bits = stream.bits
    lead = stream.symbols.index == stream.symbols.names.index(leader)
    lead[: len(is_data)] &= ~is_data
    quiet = bits == NO_BIT
    is_mark = quiet & (stream.symbols.index != GAP) & ~lead
    runs = runs_of(lead)
    longest = int(np.diff(runs, axis=1).max(initial=0))
    for first, end in runs:
        if end - first >= min(LEAST_LEADER, max(LEAST_OF_SHORT, 3 * longest // 4)):
            quiet[first:end] = True
    for first, end in _short_leaders(bits, quiet, is_data, runs):
        quiet[first:end] = True
    _open_filling(quiet, quiet | lead, bits, at, period, full)
    for first, end in runs_of(~quiet).tolist():
        if first == 0 or not is_mark[first - 1]:  # after a silence, leaders may be short
            first += int(np.argmin(np.append(lead[first:end], False)))
        if end - first < period:
            continue
        inside = at[(at >= first) & (at < end)]
        yield first, end, int(inside[0]) if len(inside) else -1


def _short_leaders(
    bits: npt.NDArray[np.int8], quiet: npt.NDArray[np.bool_], is_data: npt.NDArray[np.bool_], runs: IntArray
) -> list[tuple[int, int]]:
    """Runs of leader symbols with the same after them as after long leaders, or those after a rest."""

    def after(end: int, count: int) -> tuple[int, ...]:
        symbols = bits[end : end + count]
        return tuple(symbols.tolist()) if len(symbols) == count and (symbols != NO_BIT).all() else ()

    rests = np.append(bits == NO_BIT, True)  # before the first symbol as well
    ends = [end for first, end in runs.tolist() if quiet[first] or rests[first - 1]]
    beginnings = {after(end, AFTER_LEADER) for end in ends} - {()}
    alike = AFTER_LEADER
    long_ones = [sequence for end in ends if (sequence := after(end, MOST_AFTER_LEADER))]
    if len(long_ones) > 1 and len(beginnings) == 1:
        is_same = (np.array(long_ones) == long_ones[0]).all(axis=0)
        alike = max(AFTER_LEADER, int(np.argmin(np.append(is_same, False))))
        beginnings = {after(end, alike) for end in ends} - {()}
    candidates = [
        (first, end)
        for first, end in runs.tolist()
        if end - first >= SHORTEST_LEADER and not quiet[first]
        if not is_data[end : end + AFTER_LEADER].any()
    ]
    short = [
        run for run in candidates if run[1] - run[0] >= SHORT_LEADER and after(run[1], alike) in beginnings
    ]
    surely = {after(end, SURELY_AFTER_LEADER) for end in [*ends, *(end for _, end in short)]} - {()}
    return [run for run in candidates if run in short or after(run[1], SURELY_AFTER_LEADER) in surely]


def _open_filling(
    quiet: npt.NDArray[np.bool_], is_leader: npt.NDArray[np.bool_], bits: npt.NDArray[np.int8],
    at: IntArray, period: int, full: int,
) -> None:  # fmt: skip
    """Take for data what looks like leader, if the block then ends where full ones do.

    Zeros fill a last block up, and there are blocks of nothing else.
    """
    regions = runs_of(~quiet).tolist()
    hits = [at[(at >= first) & (at < end)] for first, end in regions]
    steps = [int(inside[0]) - first for (first, _), inside in zip(regions, hits, strict=True) if len(inside)]
    if not steps:
        return
    begins = [
        first - (first - (int(inside[0]) if len(inside) else first + steps[0])) % period
        for (first, _), inside in zip(regions, hits, strict=True)
    ]
    pulses = [LONGEST_END * int((bits[end : end + 1] == NO_BIT).any()) for _, end in regions]
    counts = [
        -(-(end - pulse - begin) // period)
        for (_, end), pulse, begin in zip(regions, pulses, begins, strict=True)
    ]
    full = max(full, *(count for count, inside in zip(counts, hits, strict=True) if len(inside)))
    for begin, count in zip(begins, counts, strict=True):
        end = begin + full * period
        if count >= full - MOST_ALIKE or (bits[begin:end] == NO_BIT).any():
            continue
        begins_again = ((at > begin + count * period) & (at < end)).any() or any(
            np.array_equal(bits[other : other + period], bits[begin : begin + period])
            for other in begins
            if begin < other < end
        )
        ends = not is_leader[end - MOST_ALIKE * period : end].all()
        last = bits[end : end + LONGEST_END + 1]
        falls_silent = len(last) <= LONGEST_END or (last == NO_BIT).any()
        if ends and not begins_again and (falls_silent or is_leader[end : end + LEAST_LEADER].all()):
            quiet[begin:end] = False
            quiet[end : end + (len(last) if falls_silent else LEAST_LEADER)] = True


def _sound(bits: npt.NDArray[np.int8], places: IntArray, byte: ByteFormat) -> npt.NDArray[np.bool_]:
    """Which bytes are such as the framing makes them: a mark before them is not."""
    length = byte.symbols_per_byte - len(byte.start)  # counted from the first bit
    inside = places[places + length <= len(bits)]
    sound = np.ones(len(inside), np.bool_)
    for k in range(byte.bits):
        sound &= bits[inside + k] != NO_BIT
    if byte.parity in ("even", "odd"):
        ones = sum(bits[inside + k].astype(np.int64) for k in range(byte.bits))
        sound &= (ones + bits[inside + byte.bits]) % 2 == (byte.parity == "odd")
    for k, symbol in enumerate(byte.stop):
        sound &= bits[inside + length - len(byte.stop) + k] == int(symbol)
    return sound


def _first_sound(bits: npt.NDArray[np.int8], places: IntArray, byte: ByteFormat) -> int:
    """From which byte on they are sound, if what is before that is no longer than a mark."""
    most = LONGEST_MARK // byte.symbols_per_byte
    wrong = np.flatnonzero(~_sound(bits, places[: most + 1], byte))
    return int(wrong[-1]) + 1 if len(wrong) and wrong[-1] < most else 0


def turned_name(name: str, stream: Stream) -> str:
    """Name of a symbol after 0 and 1 have changed places, if they have to."""
    return exchanged(name) if stream.swapped else name
