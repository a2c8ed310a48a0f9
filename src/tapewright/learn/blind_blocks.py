"""Which bytes of a tape may be the program's: where heads end and tails begin, by what they tell of lengths.

Every block of a kind has a head and a tail as long as the others'. If a number in the head, or in the
header before it, is always as much smaller than the block as head and tail are long, it is a length, and
what lies between is the data. Where no number tells, all that differs from block to block is taken for
data.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import numpy.typing as npt

from tapewright.cards.layout import FIELD_WIDTH
from tapewright.learn.framing import Framing
from tapewright.learn.known import HEX_DIGITS, Known
from tapewright.learn.plausible import surprise_bits
from tapewright.learn.samples import Sample, as_bytes, once
from tapewright.learn.stretches import Stretch

__all__ = ["Supposed", "suppose"]

#: Heads are looked through so far, and tails are at most so long, in bytes on tape.
LONGEST_HEAD, LONGEST_TAIL = 32, 4
#: A length may leave out or count in so many bytes.
OFFSETS = (0, -1, 1, *range(-8, -1), *range(2, 9))
#: What a byte costs that is no data, and what it costs to suppose that one which differs tells something,
#: that an odd number of them does (an address has two), and a header.
BYTE_BITS, FIELD_BITS, ODD_BITS, HEADER_BITS = 8.0, 2.0, 2.0, 4.0
#: Every different length that a number agrees with is worth the bits of the number. The choice costs: of
#: a place and of how long head and tail are, of an offset, of the difference of two numbers.
NUMBER_BITS = {"u8": 8.0, "u16-le": 16.0, "u16-be": 16.0}
CHOICE_BITS, OFFSET_BITS, PAIR_BITS = 10.0, 9.0, 2.0
#: A check has one byte, or two, or four; what it costs to suppose so many after the data.
TAIL_BITS = (3.0, 0.0, 3.0, 12.0, 9.0)
#: Longer differences are no lengths.
LONGEST_BLOCK = 0x4000
#: So many lengths are followed up.
MOST_LENGTHS = 6
#: Stretches of fewer bytes are misheard leader.
FEWEST_BYTES = 3
#: Data are hexadecimal characters if this share of them looks like it.
MOSTLY_HEX = 0.95
_HEX = np.frombuffer(HEX_DIGITS, np.uint8)

IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Supposed:
    """A way to tell blocks, heads and data apart.

    Parameters
    ----------
    framing : Framing
    samples : list of Sample
    knowns : list of Known
        What each save would hold.
    bits : float
        How much speaks for it; comparable between suppositions about the same saves.
    key : tuple of int
        Suppositions with the same key differ in nothing but where head and tail meet the data.
    """

    framing: Framing
    samples: list[Sample]
    knowns: list[Known]
    bits: float
    key: tuple[int, ...]


@dataclass(frozen=True)
class _Block:
    """A stretch that stands on tape so many times running."""

    stretch: Stretch
    copies: int

    @property
    def save(self) -> int:
        return self.stretch.save

    @property
    def values(self) -> npt.NDArray[np.int16]:
        return self.stretch.values

    def __len__(self) -> int:
        return len(self.stretch)


@dataclass(frozen=True)
class _Split:
    """Each save's header, if they have one, and all blocks with data."""

    headers: dict[int, _Block]
    data: list[_Block]

    def of(self, save: int) -> list[_Block]:
        """The blocks with data of one save."""
        return [block for block in self.data if block.save == save]


@dataclass(frozen=True)
class _Length:
    """That head and tail of every block with data are `around` bytes together, because a number says so."""

    around: int
    least_head: int
    bits: float


def suppose(stretches: Sequence[Stretch], framing: Framing) -> Iterator[Supposed]:
    """Suppose which bytes are data.

    Parameters
    ----------
    stretches : sequence of Stretch
        Of all saves.
    framing : Framing

    Yields
    ------
    Supposed
    """
    blocks = _without_copies([stretch for stretch in stretches if len(stretch) >= FEWEST_BYTES])
    for has_header in (False, True):
        split = _split(blocks, has_header)
        if split is None:
            continue
        sent = replace(framing, coding="hex") if _is_hex(split.data) else framing
        per_byte = sent.per_byte
        for length in _lengths(split, sent):
            for tail in range(0, LONGEST_TAIL * per_byte + 1):
                head = length.around - tail
                if head < length.least_head:
                    break
                found = _cut(split, head, tail, sent)
                if found is not None:
                    bits = found.bits + length.bits - HEADER_BITS * has_header - _tail_bits(tail, per_byte)
                    yield replace(found, bits=bits, key=(int(has_header), length.around))


def _without_copies(stretches: Sequence[Stretch]) -> list[_Block]:
    blocks: list[_Block] = []
    for stretch in stretches:
        last = blocks[-1] if blocks else None
        if last is not None and last.save == stretch.save and np.array_equal(last.values, stretch.values):
            blocks[-1] = replace(last, copies=last.copies + 1)
        else:
            blocks.append(_Block(stretch, 1))
    return blocks


def _split(blocks: Sequence[_Block], has_header: bool) -> _Split | None:
    headers: dict[int, _Block] = {}
    data: list[_Block] = []
    for save in sorted({block.save for block in blocks}):
        own = [block for block in blocks if block.save == save]
        if has_header:
            if len(own) < 2:
                return None
            headers[save] = own.pop(0)
        data += own
    return _Split(headers, data) if data else None


def _is_hex(data: Sequence[_Block]) -> bool:
    """Whether blocks consist of hexadecimal characters, apart from a few bytes before them."""
    return all(
        bool(np.isin(block.values[min(LONGEST_HEAD, len(block) // 3) :], _HEX).mean() > MOSTLY_HEX)
        for block in data
    )


# ---- lengths


def _lengths(split: _Split, framing: Framing) -> Iterator[_Length]:
    """How long head and tail may be together, by what numbers tell; and the supposition that none tells."""
    per_byte = framing.per_byte
    found: dict[tuple[int, int], float] = {}
    own = np.array([len(block) for block in split.data], np.int64)
    places = [(split.data, own, np.ones_like(own))]
    if split.headers:
        totals = np.array([sum(map(len, split.of(save))) for save in split.headers], np.int64)
        blocks_each = np.array([len(split.of(save)) for save in split.headers], np.int64)
        places.append((list(split.headers.values()), totals, blocks_each))
    for blocks, sizes, counts in places:
        for end, bits, price, is_difference, numbers in _told(blocks, framing.coding):
            without = sizes - per_byte * numbers
            if (counts == counts[0]).all() and (without != without[0]).any():
                continue  # no offset mends that
            distinct = len(np.unique(numbers))
            for offset in OFFSETS:
                around = without - per_byte * offset
                each = around // counts
                if (each * counts != around).any() or (each != each[0]).any():
                    continue
                least = end if blocks is split.data else 0
                if not least <= each[0] <= LONGEST_HEAD + per_byte * LONGEST_TAIL:
                    continue
                worth = bits * distinct - price - _offset_bits(offset, is_difference)
                key = int(each[0]), least
                found[key] = max(found.get(key, -np.inf), worth)
    best: dict[int, _Length] = {}
    for (around, end), worth in sorted(found.items(), key=lambda item: -item[1]):
        best.setdefault(around, _Length(around, end, worth))
    yield from list(best.values())[:MOST_LENGTHS]
    same = _constant_head(split.data)
    for tail in range(LONGEST_TAIL + 1):
        if same + tail * per_byte not in best:
            yield _Length(same + tail * per_byte, same, 0.0)


def _offset_bits(offset: int, is_difference: bool) -> float:
    """What an offset costs: last addresses are mostly inclusive, lengths now and then one less."""
    if offset in (0, 1):
        return 2.0 * (offset == 1 and not is_difference)
    return OFFSET_BITS + 0.5 * abs(offset)


def _told(blocks: Sequence[_Block], coding: str) -> Iterator[tuple[int, float, float, bool, IntArray]]:
    """Yield numbers in heads: end, bits, price of the choice, whether it is a difference of two, values."""
    for kind, bits in NUMBER_BITS.items():
        rows = [_numbers(block, kind, coding) for block in blocks]
        count = min(map(len, rows))
        width = FIELD_WIDTH[kind] * (2 if coding == "hex" else 1)
        table = np.array([row[:count] for row in rows])
        good = np.flatnonzero((table >= 0).all(axis=0)).tolist()
        for place in good:
            yield place + width, bits, CHOICE_BITS, False, table[:, place]
        for one, other in combinations(good, 2) if kind != "u8" else ():
            for first, last in ((one, other), (other, one)):
                apart = table[:, last] - table[:, first]
                if other - one >= width and (apart > 0).all() and (apart < LONGEST_BLOCK).all():
                    yield other + width, bits, CHOICE_BITS + PAIR_BITS + 2.0 * (last < first), True, apart


def _numbers(block: _Block, kind: str, coding: str) -> IntArray:
    """The number that would begin at each byte of a head; -1 where there is none."""
    values = block.values[:LONGEST_HEAD].astype(np.int64)
    step = 1
    if coding == "hex":
        digit = np.full(257, -1, np.int64)
        digit[_HEX] = np.arange(16)
        digits = digit[values]  # -1 takes the last entry, which is none
        values = np.where((digits[:-1] >= 0) & (digits[1:] >= 0), 16 * digits[:-1] + digits[1:], -1)
        step = 2
    width = FIELD_WIDTH[kind]
    count = max(len(values) - step * (width - 1), 0)
    columns = [values[step * k : step * k + count] for k in range(width)]
    if kind.endswith("be"):
        columns.reverse()
    number = sum((column << (8 * k) for k, column in enumerate(columns)), np.zeros(count, np.int64))
    return np.where(np.min(columns, axis=0) >= 0, number, -1) if count else number


def _constant_head(data: Sequence[_Block]) -> int:
    """How many bytes at the beginning are the same in all blocks."""
    if len(data) < 2:
        return 0
    shortest = min(LONGEST_HEAD, *(len(block) for block in data))
    table = np.array([block.values[:shortest] for block in data])
    differ = np.flatnonzero((table != table[0]).any(axis=0))
    return int(differ[0]) if len(differ) else 0


# ---- heads, data and tails


def _tail_bits(tail: int, per_byte: int) -> float:
    return TAIL_BITS[tail // per_byte] if tail % per_byte == 0 else 2.0 * max(TAIL_BITS)


def _cut(split: _Split, head: int, tail: int, framing: Framing) -> Supposed | None:
    """Blocks with so many bytes before and after the data, and how likely such data are."""
    samples: list[Sample] = []
    contents: dict[int, bytes] = {}
    for save in sorted({block.save for block in split.data}):
        if save in split.headers:
            samples.append(_sample(split.headers[save], None, 0, 0))
        content = b""
        for block in split.of(save):
            body = _body(block, head, tail, framing)
            if not body:
                return None
            samples.append(_sample(block, (head, tail), len(content), len(content) + len(body)))
            content += body
        contents[save] = content
    per_byte = framing.per_byte
    told = sum(surprise_bits(np.frombuffer(content, np.uint8)) for content in set(contents.values()))
    knowns = [Known(contents[save]) for save in sorted(contents)]
    return Supposed(framing, samples, knowns, -told - _beside_bits(split, head, tail) / per_byte, ())


def _body(block: _Block, head: int, tail: int, framing: Framing) -> bytes:
    body = as_bytes(block.values[head : len(block) - tail])
    if framing.coding == "plain":
        return body
    try:
        return bytes.fromhex(body.decode("ascii"))
    except ValueError:
        return b""


def _beside_bits(split: _Split, head: int, tail: int) -> float:
    """What the bytes that are no data cost: the same one in the same place once."""
    bits = BYTE_BITS * _columns([block.values for block in split.headers.values()])
    bits += BYTE_BITS * _columns([block.values[:head] for block in split.data])
    bits += _fields_bits([block.values[:head] for block in split.data])
    return bits + BYTE_BITS * tail * len({block.values.tobytes() for block in split.data})


def _fields_bits(rows: Sequence[npt.NDArray[np.int16]]) -> float:
    """What it costs to suppose that bytes which differ tell something; an address has two."""
    shortest = min(map(len, rows), default=0)
    differing = sum(len({int(row[k]) for row in rows}) > 1 for k in range(shortest))
    return FIELD_BITS * differing + ODD_BITS * (differing % 2)


def _columns(rows: Sequence[npt.NDArray[np.int16]]) -> float:
    """Bytes that it takes to tell all places: one for a constant, one a block for what always differs."""
    longest = max(map(len, rows), default=0)
    return sum(_column_bytes([int(row[k]) for row in rows if k < len(row)]) for k in range(longest))


def _column_bytes(values: Sequence[int]) -> float:
    kinds = len(set(values))
    return min(len(values), kinds + len(values) * float(np.log2(kinds)) / BYTE_BITS)


def _sample(block: _Block, around: tuple[int, int] | None, first: int, end: int) -> Sample:
    values, stretch = as_bytes(block.values), block.stretch
    head, tail = around if around is not None else (len(values), 0)
    told, repeats = once(values[:head])
    return Sample(
        block.save, told, values[len(values) - tail :], first, end, repeats, stretch.mark, stretch.lead,
        stretch.lead_seconds, stretch.trail_seconds, stretch.gap_seconds, block.copies,
        as_bytes(stretch.spare),
    )  # fmt: skip
