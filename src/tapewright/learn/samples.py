"""Stretches of bytes to blocks: what stands before, between and after the known bytes."""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from tapewright.learn.framing import Framing
from tapewright.learn.known import Known
from tapewright.learn.stretches import MOST_BY_CHANCE, Stretch, known_runs

__all__ = ["Sample", "as_bytes", "find_samples", "once"]

#: So many equal bytes at the beginning of a block are one byte, repeated to be found by.
LEAST_REPEATS = 3


@dataclass(frozen=True)
class Sample:
    """A block as it was heard, once.

    Parameters
    ----------
    save : int
    head : bytes
        Tape bytes before the data; of a block without data, all of them.
    tail : bytes
        Tape bytes after the data.
    first, end : int
        Which of the program's bytes it holds (`end` exclusive); equal where it holds none.
    repeats : int
        How often the first byte of `head` stands on tape; `head` has it once.
    mark, lead : str
        Symbols before it.
    lead_seconds, trail_seconds, gap_seconds : float
    copies : int
        How often the same block stands on tape, one after another.
    spare : bytes
        What would follow if it went on into its trailer: its last bytes may look like that.
    filling : bytes
        Bytes after those of the program that make a last block as long as the others.
    """

    save: int
    head: bytes
    tail: bytes
    first: int
    end: int
    repeats: int = 1
    mark: str = ""
    lead: str = ""
    lead_seconds: float = 0.0
    trail_seconds: float = 0.0
    gap_seconds: float = 0.0
    copies: int = 1
    spare: bytes = b""
    filling: bytes = b""

    @property
    def has_data(self) -> bool:
        """Whether known bytes are in it."""
        return self.end > self.first

    @property
    def count(self) -> int:
        """How many of the program's bytes it holds."""
        return self.end - self.first

    @property
    def room(self) -> int:
        """How many bytes stand where data do, filling among them."""
        return self.count + len(self.filling)


def find_samples(stretches: Sequence[Stretch], knowns: Sequence[Known], framing: Framing) -> list[Sample]:
    """Cut stretches into blocks.

    Parameters
    ----------
    stretches : sequence of Stretch
    knowns : sequence of Known
    framing : Framing

    Returns
    -------
    list of Sample
        In order; a block that stands on tape several times running is there once.
    """
    per_byte = 2 if framing.coding == "hex" else 1
    parts = _told_once([part for stretch in stretches for part in _parts(stretch, per_byte)])
    parts = list(_untorn(parts))
    usual = {  # in each save by itself: a name is as long as it is
        save: _usual(len(part.head) for part in parts if part.has_data and part.save == save)
        for save in {part.save for part in parts}
    }
    parts = [_given_back(part, usual[part.save], knowns[part.save].data, framing) for part in parts]
    parts = [_cut(part, parts, usual[part.save], knowns[part.save].data, framing) for part in parts]
    tail = _usual(len(part.tail) for part in parts if part.has_data)
    parts = [_without_leader(part, tail, framing) for part in parts]
    parts = [_mended(part, parts, usual[part.save], tail, per_byte) for part in parts]
    parts = [
        _aligned(part, usual[part.save], tail, per_byte, knowns[part.save].data, framing) for part in parts
    ]
    parts = [
        _like_leader(place, parts, usual[part.save], knowns[part.save].data, framing)
        for place, part in enumerate(parts)
    ]
    parts = [_with_alike(part, parts, knowns[part.save].data, framing) for part in parts]
    size = max((part.count for part in parts), default=0)
    tail = _usual(len(part.tail) for part in parts if part.has_data and part.count == size)
    parts = [
        _without_filling(part, size, tail, framing) if part.end == len(knowns[part.save].data) else part
        for part in parts
    ]
    tail = _usual(len(part.tail) for part in parts if part.has_data)
    return _collapsed([_with_spare(part, tail) for part in parts])


def _parts(stretch: Stretch, per_byte: int) -> Iterator[Sample]:
    """Cut one stretch at the known bytes in it."""
    values = as_bytes(stretch.values)
    whole = Sample(
        stretch.save, values, b"", 0, 0, mark=stretch.mark, lead=stretch.lead,
        lead_seconds=stretch.lead_seconds, trail_seconds=stretch.trail_seconds,
        gap_seconds=stretch.gap_seconds, spare=as_bytes(stretch.spare),
    )  # fmt: skip
    runs = list(known_runs(stretch, per_byte))
    if not runs:
        yield whole
        return
    # what stands between two runs is the tail of one and the head of the next: as long as the last one's tail
    tail = len(values) - runs[-1][1]
    begins = [0, *(min(end + tail, first) for (_, end), (first, _) in itertools.pairwise(runs)), len(values)]
    own_head = len(runs) > 1 and runs[1][0] - begins[1]
    is_header = 0 < own_head < runs[0][0] and len(set(values[: runs[0][0] - own_head + 1])) > 1
    if is_header:  # stands before the first block's head, which may be a byte repeated for longer at first
        begins[0] = runs[0][0] - own_head
        yield replace(whole, head=values[: begins[0]], trail_seconds=0.0, gap_seconds=0.0, spare=b"")
    for k, (first, end) in enumerate(runs):
        offset = int(stretch.known[first]) // per_byte
        part = replace(
            whole, head=values[begins[k] : first], tail=values[end : begins[k + 1]],
            first=offset, end=offset + (end - first) // per_byte,
        )  # fmt: skip
        if begins[k] > 0:
            part = replace(part, lead="", lead_seconds=0.0, mark="")
        if k + 1 < len(runs):
            part = replace(part, trail_seconds=0.0, gap_seconds=0.0, spare=b"")
        yield part


def as_bytes(values: npt.NDArray[np.int16]) -> bytes:
    """Values of a stretch as bytes; where there is none, 00."""
    return np.maximum(values, 0).astype(np.uint8).tobytes()


def _usual(lengths: Iterable[int]) -> int:
    """The commonest length."""
    counted = Counter(lengths).most_common(1)
    return counted[0][0] if counted else 0


def _untorn(parts: Sequence[Sample]) -> Iterator[Sample]:
    """Put together what misheard symbols have torn in two: together they are as long as blocks are."""
    size = _usual(part.count for part in parts if part.has_data)
    tail = _usual(len(part.tail) for part in parts if part.has_data)
    held: Sample | None = None
    for part in parts:
        ends_early = held is not None and 0 < held.count < size and len(held.tail) < tail
        if held is not None and ends_early and held.save == part.save and part.end - held.first == size:
            part = replace(
                held, end=part.end, tail=part.tail, spare=part.spare, trail_seconds=part.trail_seconds,
                gap_seconds=part.gap_seconds,
            )  # fmt: skip
        elif held is not None:
            yield held
        held = part
    if held is not None:
        yield held


def _given_back(part: Sample, usual: int, data: bytes, framing: Framing) -> Sample:
    """Give back to the head a last byte that by chance is the known one before the block's data."""
    tape_bytes = usual - len(part.head)
    count = tape_bytes // (2 if framing.coding == "hex" else 1)
    if not part.has_data or part.first == 0 or not 0 < count <= MOST_BY_CHANCE or count >= part.count:
        return part
    eaten = framing.sent(data[part.first : part.first + count])
    return replace(part, head=part.head + eaten, first=part.first + count)


def _cut(part: Sample, parts: Sequence[Sample], usual: int, data: bytes, framing: Framing) -> Sample:
    """Give to the tail what the next block holds as well; a longer run only if that block's head is whole."""
    later = [other for other in parts if other.save == part.save and other.first > part.first]
    following = min(later, key=lambda other: other.first, default=part)
    over = part.end - following.first
    is_sure = over <= MOST_BY_CHANCE or len(following.head) == usual
    if not part.has_data or not 0 < over < part.count or not is_sure:
        return part
    return replace(
        part, tail=framing.sent(data[following.first : part.end]) + part.tail, end=following.first
    )  # fmt: skip


def _mended(part: Sample, parts: Sequence[Sample], head: int, tail: int, per_byte: int) -> Sample:
    """Take bytes misread at the edges of the data for what they are: head and tail are as long as usual."""
    if not part.has_data:
        return part
    own = [other for other in parts if other.save == part.save and other.has_data]
    before = part.first - max((other.end for other in own if other.first < part.first), default=0)
    after = min((other.first for other in own if other.first > part.first), default=part.end) - part.end
    if 0 < before <= MOST_BY_CHANCE and len(part.head) == head + before * per_byte:
        part = replace(part, head=part.head[:head], first=part.first - before)
    if 0 < after <= MOST_BY_CHANCE and len(part.tail) == tail + after * per_byte:
        part = replace(part, tail=part.tail[after * per_byte :], end=part.end + after)
    return part


def _aligned(part: Sample, head: int, tail: int, per_byte: int, data: bytes, framing: Framing) -> Sample:
    """Begin data that repeat themselves where head and tail are as long as usual, if they fit there too."""
    whole = part.head + framing.sent(data[part.first : part.end]) + part.tail
    count, rest = divmod(len(whole) - head - tail, per_byte)
    if not part.has_data or len(part.head) == head or count <= 0 or rest:
        return part
    sent = framing.sent(data[part.first : part.first + count])
    if whole[head : head + len(sent)] != sent or len(sent) != count * per_byte:
        return part
    return replace(part, head=whole[:head], tail=whole[head + len(sent) :], end=part.first + count)


def _like_leader(place: int, parts: Sequence[Sample], head: int, data: bytes, framing: Framing) -> Sample:
    """Tell a block whose data look like the leader after them by what is missing between its neighbours."""
    part = parts[place]
    before = [other for other in parts[:place] if other.save == part.save and other.has_data]
    after = [other for other in parts[place + 1 :] if other.save == part.save and other.has_data]
    if framing.byte.start or part.has_data or not before or len(part.head) > head:
        return part
    first, end = before[-1].end, after[0].first if after else len(data)
    leader = _leader_byte(part, framing)
    is_block = 0 < end - first <= max(other.count for other in before)
    if not is_block or framing.sent(data[first:end]).strip(leader):
        return part
    return replace(part, head=part.head.ljust(head, leader), first=first, end=end)


def _with_alike(part: Sample, parts: Sequence[Sample], data: bytes, framing: Framing) -> Sample:
    """Add last bytes of the data that look like the leader after them, where no tail follows."""
    later = [other.first for other in parts if other.save == part.save and other.first > part.first]
    end = min(later, default=len(data))
    is_alike = not framing.sent(data[part.end : end]).strip(_leader_byte(part, framing))
    if framing.byte.start or not part.has_data or part.tail or not is_alike:
        return part
    return replace(part, end=end)


def _leader_byte(part: Sample, framing: Framing) -> bytes:
    return bytes([framing.ones if part.lead == "1" else 0])


def _without_filling(part: Sample, size: int, tail: int, framing: Framing) -> Sample:
    """Tell the bytes that fill a block up to the size of full ones from its tail."""
    missing = size - part.count
    filled = len(part.tail) - tail
    if not part.has_data or not missing or filled != len(framing.sent(bytes(missing))):
        return part
    value = framing.held(part.tail[:filled])[:1]
    if framing.sent(value * missing) != part.tail[:filled]:
        return part
    return replace(part, tail=part.tail[filled:], filling=value * missing)


def _with_spare(part: Sample, usual: int) -> Sample:
    """Make a tail as long as tails are, where its last bytes looked like trailer and were left out."""
    missing = usual - len(part.tail)
    if part.has_data and 0 < missing <= len(part.spare):
        return replace(part, tail=part.tail + part.spare[:missing])
    return part


def _without_leader(part: Sample, usual: int, framing: Framing) -> Sample:
    """Leave out the leader after a block where it looks like known bytes: tails are as long as they are."""
    if framing.byte.start or not part.has_data or part.tail[usual:].strip(_leader_byte(part, framing)):
        return part
    return replace(part, tail=part.tail[:usual])


def _told_once(parts: Sequence[Sample]) -> list[Sample]:
    """Count how often the first byte is there, if it is repeated to be found by.

    Every save has such a byte; some numbers begin with equal bytes as well.
    """
    saves = {part.save for part in parts}
    repeated = {(part.save, part.head[:1]) for part in parts if once(part.head)[1] > 1}
    is_sync = {first for _, first in repeated if all((save, first) in repeated for save in saves)}
    return [
        replace(part, head=once(part.head)[0], repeats=once(part.head)[1])
        if part.head[:1] in is_sync
        else part
        for part in parts
    ]


def _collapsed(parts: Sequence[Sample]) -> list[Sample]:
    """Count the same block several times running once."""
    samples: list[Sample] = []
    for part in parts:
        before = samples[-1] if samples else None
        if before is not None and _content(before) == _content(part):
            samples[-1] = replace(before, copies=before.copies + 1, trail_seconds=part.trail_seconds)
        else:
            samples.append(part)
    return samples


def _content(sample: Sample) -> tuple[object, ...]:
    return sample.save, sample.head, sample.tail, sample.first, sample.end


def once(head: bytes) -> tuple[bytes, int]:
    """A head that begins with one byte many times, with that byte once."""
    repeats = len(head) - len(head.lstrip(head[:1])) if head else 0
    return (head[repeats - 1 :], repeats) if repeats >= LEAST_REPEATS else (head, 1)
