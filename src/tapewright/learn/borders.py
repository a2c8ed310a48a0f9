"""Where the data of a block begin and end: borders moved to where those of other blocks are.

Known bytes alone do not tell. A byte before the data may be like the one before it in the program, one after
it like the next; bytes are misread; what repeats itself begins anywhere. But heads are as long as heads are,
tails as tails, and each block goes on where the one before it ended.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import takewhile

from tapewright.learn.framing import Framing
from tapewright.learn.known import Known
from tapewright.learn.samples import Sample
from tapewright.learn.stretches import MOST_BY_CHANCE

__all__ = ["MOVES", "Around", "arounds", "usual"]


@dataclass(frozen=True)
class Around:
    """What the borders of a block are judged by.

    Parameters
    ----------
    before, after : sequence of Sample
        The other blocks of its save.
    data : bytes
        All known bytes of the save.
    framing : Framing
    head, tail, last_tail : int
        Bytes that usually stand before the data of this save, after the data of all, and after those of
        blocks as long as the longest: the last of a program may be filled up.
    size : int
        Known bytes in the longest block.
    """

    before: Sequence[Sample]
    after: Sequence[Sample]
    data: bytes
    framing: Framing
    head: int
    tail: int
    last_tail: int
    size: int

    @property
    def others(self) -> Iterator[Sample]:
        """The blocks of the same save that hold data."""
        return (other for other in (*self.before, *self.after) if other.has_data)


def arounds(parts: Sequence[Sample], knowns: Sequence[Known], framing: Framing) -> Iterator[Around]:
    """Gather what is around each block.

    Parameters
    ----------
    parts : sequence of Sample
        Of all saves, in order.
    knowns : sequence of Known
    framing : Framing
    """
    holding = [part for part in parts if part.has_data]
    size = max((part.count for part in holding), default=0)
    # of lengths that are equally common the longest: last bytes may have looked like trailer
    tail = usual(sorted((len(part.tail) for part in holding), reverse=True))
    last_tail = usual(len(part.tail) for part in holding if part.count == size)
    heads = {  # in each save by itself: a name is as long as it is
        save: usual(len(part.head) for part in holding if part.save == save)
        for save in {part.save for part in parts}
    }
    for place, part in enumerate(parts):
        before = [other for other in parts[:place] if other.save == part.save]
        after = [other for other in parts[place + 1 :] if other.save == part.save]
        data = knowns[part.save].data
        yield Around(before, after, data, framing, heads[part.save], tail, last_tail, size)


def usual(lengths: Iterable[int]) -> int:
    """The commonest length; of equally common ones the first."""
    counted = Counter(lengths).most_common(1)
    return counted[0][0] if counted else 0


def _given_back(part: Sample, around: Around) -> Sample:
    """Give back to the head a last byte that by chance is the known one before the block's data."""
    count = (around.head - len(part.head)) // around.framing.per_byte
    if not part.has_data or part.first == 0 or not 0 < count <= MOST_BY_CHANCE or count >= part.count:
        return part
    eaten = around.framing.sent(around.data[part.first : part.first + count])
    return replace(part, head=part.head + eaten, first=part.first + count)


def _cut(part: Sample, around: Around) -> Sample:
    """Give to the tail what the next block holds as well; a longer run only if that block's head is whole."""
    later = [other for other in around.others if other.first > part.first]
    following = min(later, key=lambda other: other.first, default=part)
    over = part.end - following.first
    is_sure = over <= MOST_BY_CHANCE or len(following.head) == around.head
    if not part.has_data or not 0 < over < part.count or not is_sure:
        return part
    given = around.framing.sent(around.data[following.first : part.end])
    return replace(part, tail=given + part.tail, end=following.first)


def _without_leader(part: Sample, around: Around) -> Sample:
    """Leave out the leader after a block where it looks like known bytes: tails are as long as they are."""
    usual, framing = around.tail, around.framing
    if framing.byte.start or not part.has_data or part.tail[usual:].strip(_leader_byte(part, framing)):
        return part
    return replace(part, tail=part.tail[:usual])


def _mended(part: Sample, around: Around) -> Sample:
    """Take bytes misread at the edges of the data for what they are: head and tail are as long as usual."""
    if not part.has_data:
        return part
    own, head, each = list(around.others), around.head, around.framing.per_byte
    before = part.first - max((other.end for other in own if other.first < part.first), default=0)
    after = min((other.first for other in own if other.first > part.first), default=part.end) - part.end
    if 0 < before <= MOST_BY_CHANCE and len(part.head) == head + before * each:
        part = replace(part, head=part.head[:head], first=part.first - before)
    if 0 < after <= MOST_BY_CHANCE and len(part.tail) == around.tail + after * each:
        part = replace(part, tail=part.tail[after * each :], end=part.end + after)
    return part


def _aligned(part: Sample, around: Around) -> Sample:
    """Begin data that repeat themselves where head and tail are as long as usual, if they fit there too."""
    head, framing = around.head, around.framing
    whole = part.head + framing.sent(around.data[part.first : part.end]) + part.tail
    count, rest = divmod(len(whole) - head - around.tail, framing.per_byte)
    if not part.has_data or len(part.head) == head or count <= 0 or rest:
        return part
    sent = framing.sent(around.data[part.first : part.first + count])
    if whole[head : head + len(sent)] != sent or len(sent) != count * framing.per_byte:
        return part
    return replace(part, head=whole[:head], tail=whole[head + len(sent) :], end=part.first + count)


def _like_leader(part: Sample, around: Around) -> Sample:
    """Tell a block whose data look like the leader after them by what is missing between its neighbours.

    Of several such blocks one after another, all but the last are full.
    """
    framing = around.framing
    before = [other for other in around.before if other.has_data]
    if framing.byte.start or part.has_data or not before or len(part.head) > around.head:
        return part
    earlier = list(takewhile(lambda other: not other.has_data, reversed(around.before)))
    later = list(takewhile(lambda other: not other.has_data, around.after))
    end = next((other.first for other in around.after if other.has_data), len(around.data))
    size, leader = max(other.count for other in before), _leader_byte(part, framing)
    missing = end - before[-1].end
    if not (len(earlier) + len(later)) * size < missing <= (len(earlier) + 1 + len(later)) * size:
        return part
    if framing.sent(around.data[before[-1].end : end]).strip(leader):
        return part
    first = before[-1].end + len(earlier) * size
    return replace(
        part, head=part.head.ljust(around.head, leader), first=first, end=min(first + size, end)
    )  # fmt: skip


def _with_alike(part: Sample, around: Around) -> Sample:
    """Add last bytes of the data that look like the leader after them, where no tail follows."""
    framing = around.framing
    if framing.byte.start or not part.has_data or part.tail:
        return part
    end = min((other.first for other in around.others if other.first > part.first), default=len(around.data))
    is_alike = not framing.sent(around.data[part.end : end]).strip(_leader_byte(part, framing))
    return replace(part, end=end) if is_alike else part


def _without_filling(part: Sample, around: Around) -> Sample:
    """Tell the bytes that fill a last block up to the size of full ones from its tail."""
    framing, missing = around.framing, around.size - part.count
    filled = len(part.tail) - around.last_tail
    is_last = part.has_data and part.end == len(around.data)
    if not is_last or not missing or filled != missing * framing.per_byte:
        return part
    value = framing.held(part.tail[:filled])[:1]
    if framing.sent(value * missing) != part.tail[:filled]:
        return part
    return replace(part, tail=part.tail[filled:], filling=value * missing)


def _with_spare(part: Sample, around: Around) -> Sample:
    """Make a tail as long as tails are, where its last bytes looked like trailer and were left out."""
    missing = around.tail - len(part.tail)
    if part.has_data and 0 < missing <= len(part.spare):
        return replace(part, tail=part.tail + part.spare[:missing])
    return part


def _leader_byte(part: Sample, framing: Framing) -> bytes:
    return bytes([framing.ones if part.lead == "1" else 0])


#: In this order: what the data took from their neighbours is given back first, what they lack comes later.
MOVES: tuple[Callable[[Sample, Around], Sample], ...] = (
    _given_back, _cut, _without_leader, _mended, _aligned, _like_leader, _with_alike, _without_filling,
    _with_spare,
)  # fmt: skip
