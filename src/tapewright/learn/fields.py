"""What the bytes before and after the data are: the shortest description of them, in a card's own words.

Every byte can be a constant (paid for once), or unknown (paid for in every program anew). A field that tells
what the writer knows of the block is paid for with the surprise of its being there, a name with its
characters. The cheapest way through all bytes is what the card will say; by how much it is cheaper than any
other is how sure that is.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from tapewright.cards.layout import FIELD_WIDTH
from tapewright.learn.certainty import CERTAIN_BITS
from tapewright.learn.facts import PRICE_BITS, Facts
from tapewright.learn.known import CODINGS, HEX_DIGITS, as_held

__all__ = ["RIVAL_BITS", "Part", "Rival", "explain_bytes"]

#: Bits a constant byte costs; 00 and FF stand as constants oftener than others.
CONSTANT_BITS, USUAL_CONSTANT_BITS = 8.0, 6.0
#: An unknown byte costs its eight bits in every block, and this.
UNKNOWN_BITS = 4.0
#: A name costs this, and for each character; and how long it is, or what ends it: usual bytes or others.
TEXT_BITS, CHARACTER_BITS, PAD_BITS = 8.0, 6.0, 0.5
LENGTH_BITS, USUAL_END_BITS, OTHER_END_BITS = 3.0, 2.0, 5.0
#: It is filled up with spaces or zeros, or with something else.
PAD_KIND_BITS, OTHER_PAD_BITS = 1.0, 5.0
#: A name of fixed length that is cut off, and then goes on behind it, is hardly one.
GOES_ON_BITS = 8.0
SHORTEST_TEXT, LONGEST_TEXT = 2, 32
USUAL_ENDS, OTHER_ENDS = (0x0D, 0x00), (0x0A, 0x03, 0x04, 0x1A, 0x22, 0xFF)
#: What two arbitrary numbers cost, one for the last block and one for those before it; if one of them is 00;
#: if the other is FF besides. And an arbitrary offset.
TWO_NUMBERS_BITS, ONE_NUMBER_BITS, FLAG_BITS, OFFSET_BITS = 16.0, 9.0, 3.0, 6.0
#: Machines count what else is in a block, or up to the byte before it: one less or more, or a small number.
NEXT_BITS, FEW_BITS, MOST_FEW = 2.0, 8.5, 16
#: Addresses need not be written as the data are: in seven bits they cannot be.
OTHER_CODING_BITS = 2.0
#: A constant that is one character where all else is written with two each.
LONE_CHARACTER_BITS = 4.0
#: Which byte of a number comes first: as in most of the block's numbers, or not.
SAME_ORDER_BITS, OTHER_ORDER_BITS = 0.5, 4.0
#: What it costs that blocks are of different lengths and nothing says why.
LENGTHS_BITS = 24.0
#: Small numbers agree with a constant by chance: where they are the same in all blocks, they cost this more;
#: but larger ones than this are as rare as any other constant.
COUNTS, COUNT_BITS, LARGEST_SMALL = ("index", "blocks", "is_last", "remaining"), 4.0, 3
#: Where a program is cut into blocks, a byte tells how many bytes are in each as often as two.
SMALL_LENGTH_BITS = 0.5
#: How far below the best path others are still told, and how many of them.
RIVAL_BITS, MOST_RIVALS = CERTAIN_BITS, 8

IntArray = npt.NDArray[np.int64]
#: Where a name begins, which byte ends it, how it is written, and the names.
_EndedText = tuple[int, int, str, list[bytes]]


@dataclass(frozen=True)
class Part:
    """One item of a block's layout, as found.

    Parameters
    ----------
    kind : {"constant", "unknown", "field", "text"}
    first : int
        Where it begins among the bytes explained.
    widths : tuple of int
        Bytes on tape it takes in each block.
    type : str
        Of a field: as in a card.
    coding : {"plain", "hex"}
    fact : str
        Of a field: the name the writer knows it by, or ``two`` for the two numbers of a flag.
    offset : int
        What is added to that number.
    two : (int, int)
        Of a flag: the number in the last block and in those before it.
    value : bytes
        Of a constant or unknown: the bytes of the first block. Of a text: its end or its padding.
    is_ended : bool
        Whether a text is ended by `value`, and not filled up with it.
    lead_bits : float
        By how many bits the description gets longer without it.
    others : tuple of Rival
        What else may stand here, the likeliest first.
    """

    kind: str
    first: int
    widths: tuple[int, ...]
    type: str = ""
    coding: str = "plain"
    fact: str = ""
    offset: int = 0
    two: tuple[int, int] = (0, 0)
    value: bytes = b""
    is_ended: bool = False
    lead_bits: float = math.inf
    others: tuple[Rival, ...] = ()

    @property
    def rivals(self) -> tuple[str, ...]:
        """What else it may be, in plain words."""
        return tuple(rival.words for rival in self.others)

    @property
    def words(self) -> str:
        """What it is, for people."""
        if self.kind == "constant":
            return f"always {self.value.hex(' ').upper()}"
        if self.kind == "unknown":
            return "not known"
        if self.kind == "text":
            return "a name ended by " + self.value.hex().upper() if self.is_ended else "a name filled up"
        if self.fact == "two":
            return f"{self.two[0]} in the last block, {self.two[1]} before"
        change = f" {'+' if self.offset > 0 else '-'} {abs(self.offset)}" if self.offset else ""
        return f"{self.fact}{change} ({self.type})"


@dataclass(frozen=True)
class Rival:
    """Another description of the same bytes.

    Parameters
    ----------
    mine, other : tuple of Part
        The parts of the shortest description, and those that may stand in their place.
    bits : float
        By how much the whole description is longer with the others.
    """

    mine: tuple[Part, ...]
    other: tuple[Part, ...]
    bits: float

    @property
    def words(self) -> str:
        """The others, for people."""
        return ", ".join(part.words for part in self.other)


@dataclass
class _Option:
    part: Part
    cost: float
    end: int = field(default=0)


def explain_bytes(
    runs: Sequence[bytes], facts: Facts, coding: str = "plain", *, may_have_text: bool = True
) -> tuple[list[Part], float]:
    """Describe bytes that stand in the same place of several blocks.

    Parameters
    ----------
    runs : sequence of bytes
        Of each block, as they stand on tape.
    facts : Facts
        What is known of the blocks.
    coding : {"plain", "hex"}
        ``hex``: fields may be written as hexadecimal characters.
    may_have_text : bool
        Whether a name may stand there.

    Returns
    -------
    parts : list of Part
    bits : float
        Length of the description.
    """
    texts = list(_ended_texts(runs, coding)) if may_have_text else []
    orders = (facts.order,) if facts.order else ("le", "be")
    found = [_explained(_Bytes(runs, facts, coding, order, may_have_text), texts) for order in orders]
    return min(found, key=lambda pair: pair[1])


def _explained(seen: _Bytes, texts: Sequence[_EndedText]) -> tuple[list[Part], float]:
    """The shortest description if most numbers have one byte order, perhaps with one of the texts."""
    runs = seen.runs
    best = _cheapest(seen) if _are_equal(map(len, runs)) else None
    for text in texts:
        found = _with_ended_text(seen, *text)
        if found is not None and (best is None or found[1] < best[1]):
            best = found
    if best is None:  # lengths differ, and no name explains it: what they have in common is told
        shortest = min(map(len, runs))
        common = replace(seen, runs=[run[:shortest] for run in runs], may_have_text=False)
        parts, bits = _cheapest(common)
        return parts, bits + LENGTHS_BITS + 8.0 * sum(len(run) - shortest for run in runs)
    return best


def _are_equal(values: object) -> bool:
    return len(set(values)) <= 1  # type: ignore[call-overload]


@dataclass(frozen=True)
class _Bytes:
    """Bytes of equal length to be explained, and what with."""

    runs: Sequence[bytes]
    facts: Facts
    coding: str
    order: str
    may_have_text: bool

    def __len__(self) -> int:
        return len(self.runs[0])

    @cached_property
    def constants(self) -> int:
        """How many bytes at the beginning are the same in all blocks: a sync may be among them."""
        columns = zip(*self.runs, strict=True)
        return next((place for place, column in enumerate(columns) if len(set(column)) > 1), len(self))


def _cheapest(seen: _Bytes) -> tuple[list[Part], float]:
    """The cheapest way through, and for each part on it what the ways without it are."""
    options = [list(_options(seen, place)) for place in range(len(seen))]
    ways = _Ways(options)
    path = ways.through(None)
    chosen = {id(option) for option in path}
    detours = [(ways.bits_through(o), o) for some in options for o in some if id(o) not in chosen]
    detours.sort(key=lambda detour: detour[0])
    told = []
    for option in path:
        mine = [(bits, other) for bits, other in detours if _overlap(option, other)]
        rivals = [
            _rival(path, ways.through(other), option, bits - ways.bits)
            for bits, other in mine
            if bits - ways.bits < RIVAL_BITS
        ]
        told.append(
            replace(
                option.part,
                lead_bits=min((bits for bits, _ in mine), default=math.inf) - ways.bits,
                others=tuple({rival.words: rival for rival in reversed(rivals)}.values())[::-1][:MOST_RIVALS],
            )
        )
    return _joined(told), ways.bits


class _Ways:
    """The cheapest way through all bytes, and through any option."""

    def __init__(self, options: Sequence[Sequence[_Option]]) -> None:
        length = len(options)
        self._before = [0.0] + [math.inf] * length
        self._after = [math.inf] * length + [0.0]
        self._back: list[_Option | None] = [None] * (length + 1)
        self._forth: list[_Option | None] = [None] * (length + 1)
        for place in range(length):
            for option in options[place]:
                bits = self._before[place] + option.cost
                if bits < self._before[option.end]:
                    self._before[option.end], self._back[option.end] = bits, option
        for place in reversed(range(length)):
            for option in options[place]:
                bits = option.cost + self._after[option.end]
                if bits < self._after[place]:
                    self._after[place], self._forth[place] = bits, option
        self.bits = self._before[length]

    def bits_through(self, option: _Option) -> float:
        """Length of the shortest description that has this in it."""
        return self._before[option.part.first] + option.cost + self._after[option.end]

    def through(self, option: _Option | None) -> list[_Option]:
        """The shortest description that has this in it."""
        path: list[_Option] = []
        place = len(self._back) - 1
        if option is not None:
            place = option.end
            while (following := self._forth[place]) is not None:
                path.append(following)
                place = following.end
            path = [option, *path]
            place = option.part.first
        while (before := self._back[place]) is not None:
            path = [before, *path]
            place = before.part.first
        return path


def _overlap(one: _Option, other: _Option) -> bool:
    return one.part.first < other.end and other.part.first < one.end


def _rival(path: Sequence[_Option], other: Sequence[_Option], option: _Option, bits: float) -> Rival:
    """Two ways through, cut to where they part and meet again around an option."""
    common = {0, *(o.end for o in path)} & {0, *(o.end for o in other)}
    first = max(place for place in common if place <= option.part.first)
    end = min(place for place in common if place >= option.end)
    mine, others = (
        tuple(_joined([o.part for o in way if o.part.first >= first and o.end <= end]))
        for way in (path, other)
    )
    return Rival(mine, others, bits)


def _joined(parts: Sequence[Part]) -> list[Part]:
    """Put neighbouring constants together, and neighbouring unknown bytes."""
    joined: list[Part] = []
    for part in parts:
        last = joined[-1] if joined else None
        is_alike = last is not None and (part.kind, part.coding) == (last.kind, last.coding)
        if last is not None and is_alike and part.kind in ("constant", "unknown"):
            joined[-1] = replace(
                last, widths=tuple(a + b for a, b in zip(last.widths, part.widths, strict=True)),
                value=last.value + part.value, lead_bits=min(last.lead_bits, part.lead_bits),
                others=last.others + part.others,
            )  # fmt: skip
        else:
            joined.append(part)
    return joined


def _options(seen: _Bytes, place: int) -> Iterator[_Option]:
    count = len(seen.runs)
    column = {run[place] for run in seen.runs}
    ones = (1,) * count
    if len(column) == 1:
        cost = USUAL_CONSTANT_BITS if column <= {0x00, 0xFF} else CONSTANT_BITS
        if seen.coding == "hex" and place >= seen.constants:
            cost += LONE_CHARACTER_BITS
        yield _Option(Part("constant", place, ones, value=seen.runs[0][place : place + 1]), cost, place + 1)
    if seen.coding == "hex" and place + 2 <= len(seen):
        pairs = {run[place : place + 2] for run in seen.runs}
        digits = _from_digits(pairs.pop()) if len(pairs) == 1 else None
        if digits is not None:
            part = Part("constant", place, (2,) * count, coding="hex", value=digits)
            yield _Option(part, CONSTANT_BITS + 1.0, place + 2)
    distinct = len({(save, run[place]) for save, run in zip(seen.facts.saves, seen.runs, strict=True)})
    yield _Option(
        Part("unknown", place, ones, value=seen.runs[0][place : place + 1]),
        8.0 * distinct + UNKNOWN_BITS, place + 1,
    )  # fmt: skip
    for coding in CODINGS:
        for kind, width in FIELD_WIDTH.items():
            yield from _fields(seen, place, kind, width, coding)
    if seen.may_have_text:
        yield from _padded_texts(seen, place, "plain")
        if seen.coding == "hex":
            yield from _padded_texts(seen, place, "hex")


def _fields(seen: _Bytes, place: int, kind: str, width: int, coding: str) -> Iterator[_Option]:
    size = width * (2 if coding == "hex" else 1)
    value = _numbers(seen.runs, place, size, kind, coding)
    if value is None:
        return
    base = _type_bits(kind, seen.order) + (OTHER_CODING_BITS if coding != seen.coding else 0.0)
    sizes = (size,) * len(seen.runs)
    two = _two_numbers(value, seen.facts.is_last) if width == 1 else None
    if two is not None:
        price = TWO_NUMBERS_BITS if 0 not in two else FLAG_BITS if 255 in two else ONE_NUMBER_BITS
        part = Part("field", place, sizes, kind, coding, "two", two=two)
        yield _Option(part, base + PRICE_BITS["is_last"] + price, place + size)
    for fact, numbers in seen.facts.numbers.items():
        offsets = value - numbers
        if not _are_equal(offsets.tolist()):
            continue
        offset = int(offsets[0])
        if abs(offset) > MOST_FEW and _are_equal(value.tolist()):
            continue  # a constant says the same in fewer words
        price = _offset_bits(fact, abs(offset))
        if fact in COUNTS and _are_equal(value.tolist()) and int(value[0]) <= LARGEST_SMALL:
            price += COUNT_BITS
        part = Part("field", place, sizes, kind, coding, fact, offset)
        is_cut = "index" in seen.facts.numbers
        yield _Option(part, base + _meaning_bits(fact, width, is_cut) + price, place + size)


def _numbers(runs: Sequence[bytes], place: int, size: int, kind: str, coding: str) -> IntArray | None:
    order = "big" if kind.endswith("be") else "little"
    numbers = []
    for run in runs:
        taken = run[place : place + size]
        if len(taken) < size:
            return None
        if coding == "hex":
            plain = _from_digits(taken)
            if plain is None:
                return None
            taken = plain
        numbers.append(int.from_bytes(taken, order))  # type: ignore[arg-type]
    return np.array(numbers, np.int64)


def _from_digits(text: bytes) -> bytes | None:
    """Bytes from their two hexadecimal characters each, or None where they are none."""
    if len(text) % 2 or any(character not in HEX_DIGITS for character in text):
        return None
    return bytes.fromhex(text.decode("ascii"))


def _two_numbers(value: IntArray, is_last: IntArray) -> tuple[int, int] | None:
    last, before = set(value[is_last == 1].tolist()), set(value[is_last == 0].tolist())
    if len(last) == 1 and len(before) == 1 and (last, before) != ({1}, {0}) and last != before:
        return last.pop(), before.pop()
    return None


def _offset_bits(fact: str, offset: int) -> float:
    """Memory may be counted from anywhere; there is no such reason for other numbers."""
    if offset <= 1:
        return NEXT_BITS * offset
    any_number = OFFSET_BITS if fact in ("start", "end", "run") else 2.0 * OFFSET_BITS
    return min(any_number + _digits(offset), FEW_BITS if offset <= MOST_FEW else math.inf)


def _digits(number: int) -> int:
    """Binary digits it takes to tell a number: round ones take few."""
    return (number // (number & -number)).bit_length() + number.bit_length() // 4


def _type_bits(kind: str, order: str) -> float:
    """Surprise of which byte comes first: mostly the same throughout a machine's formats."""
    return 0.0 if kind == "u8" else SAME_ORDER_BITS if kind.endswith(order) else OTHER_ORDER_BITS


def _meaning_bits(fact: str, width: int, is_cut: bool) -> float:
    """Surprise of a field of this meaning and size, in a block of many or not."""
    if (fact, width, is_cut) == ("length", 1, True):
        return PRICE_BITS[fact] + SMALL_LENGTH_BITS
    if fact in ("start", "end", "run"):
        size = {1: 6.0, 2: 0.5, 3: 4.0, 4: 4.0}[width]
    elif fact in ("length", "total", "remaining"):
        size = {1: 2.5, 2: 0.5, 3: 5.0, 4: 5.0}[width]
    else:
        size = {1: 0.5, 2: 3.0, 3: 7.0, 4: 7.0}[width]
    return PRICE_BITS[fact] + size


def _is_text(run: bytes) -> bool:
    return all(0x20 <= byte < 0x7F for byte in run)


def _padded_texts(seen: _Bytes, place: int, coding: str) -> Iterator[_Option]:
    """A name of fixed length, filled up."""
    each = 2 if coding == "hex" else 1
    for length in range(SHORTEST_TEXT, min(LONGEST_TEXT, (len(seen) - place) // each) + 1):
        end = place + length * each
        taken = [run[place:end] if each == 1 else _from_digits(run[place:end]) for run in seen.runs]
        for pad, pad_bits in _pads(taken, seen.facts.names):
            names = [text.rstrip(pad) for text in taken if text is not None]
            if len(names) < len(taken) or not all(_is_text(name) for name in names):
                continue
            if max(map(len, names)) < SHORTEST_TEXT:
                continue
            cost = TEXT_BITS + LENGTH_BITS + pad_bits + sum(
                _text_bits(name, length - len(name), known) for name, known in _apart(names, seen.facts)
            )  # fmt: skip
            rests = zip(seen.runs, seen.facts.names, strict=True)
            if each == 1 and any(_goes_on(run[place:], length, known) for run, known in rests):
                cost += GOES_ON_BITS
            widths = (length * each,) * len(seen.runs)
            yield _Option(Part("text", place, widths, coding=coding, value=pad), cost, end)


def _goes_on(run: bytes, length: int, known: str | None) -> bool:
    """Whether a known name goes on where a text of this length would end."""
    if known is None or len(known) <= length:
        return False
    return run.startswith(known[: length + 1].encode("ascii", "replace"))


def _pads(texts: Sequence[bytes | None], known: Sequence[str | None]) -> Iterator[tuple[bytes, float]]:
    """What names may be filled up with, and how much of a surprise that is."""
    usual = b" ", b"\0"
    yield from ((pad, PAD_KIND_BITS) for pad in usual)
    ends = {text[-1:] for text in texts if text is not None and text[-1:] == text[-2:-1]}
    ends |= {
        text[-1:]
        for text, name in zip(texts, known, strict=True)
        if text is not None and name and text[:-1] == name.encode("ascii", "replace")
    }
    yield from ((pad, OTHER_PAD_BITS) for pad in sorted(ends.difference(usual)) if pad.isascii())


def _apart(names: Sequence[bytes], facts: Facts) -> set[tuple[bytes, str | None]]:
    """Different names: the same one is paid for once a recording."""
    return {(name, known) for name, known, _ in zip(names, facts.names, facts.saves, strict=True)}


def _text_bits(name: bytes, pads: int, known: str | None) -> float:
    if known and name.decode("ascii") == known[: len(name)] and len(name) >= min(len(known), 3):
        return 0.0
    return CHARACTER_BITS * len(name) + PAD_BITS * pads


def _ended_texts(runs: Sequence[bytes], coding: str) -> Iterator[_EndedText]:
    """Where a name may begin, which byte may end it, how it is written, and the names then."""
    for begin in range(min([LONGEST_TEXT, *map(len, runs)])):
        for written in ("plain",) if coding == "plain" else CODINGS:
            rests = [as_held(run[begin:], written) for run in runs]
            for end in USUAL_ENDS + OTHER_ENDS:
                names = [rest[: rest.find(end)] for rest in rests if 0 < rest.find(end) <= LONGEST_TEXT]
                if len(names) < len(runs) or not all(map(_is_text, names)):
                    continue
                if max(map(len, names)) >= SHORTEST_TEXT:
                    yield begin, end, written, names


def _with_ended_text(
    seen: _Bytes, begin: int, end: int, written: str, names: Sequence[bytes]
) -> tuple[list[Part], float] | None:
    runs = seen.runs
    widths = tuple((len(name) + 1) * (2 if written == "hex" else 1) for name in names)
    rests = [run[begin + width :] for run, width in zip(runs, widths, strict=True)]
    if not _are_equal(map(len, rests)):
        return None
    before, before_bits = _cheapest(replace(seen, runs=[run[:begin] for run in runs], may_have_text=False))
    after, after_bits = _cheapest(replace(seen, runs=rests, may_have_text=False))
    bits = TEXT_BITS + (USUAL_END_BITS if end in USUAL_ENDS else OTHER_END_BITS)
    bits += sum(_text_bits(name, 0, known) for name, known in _apart(names, seen.facts))
    # places after the name are counted from the end of the shortest
    shift = begin + min(widths)
    text = Part("text", begin, widths, coding=written, value=bytes([end]), is_ended=True)
    moved = [replace(part, first=part.first + shift) for part in after]
    return [*before, text, *moved], before_bits + bits + after_bits
