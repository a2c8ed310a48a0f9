"""What may begin at each byte before or after the data: the words a card has for it, and their cost."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from tapewright.cards.layout import FIELD_WIDTH
from tapewright.learn.facts import PRICE_BITS, Facts
from tapewright.learn.known import CODINGS
from tapewright.learn.names import filled_names, from_digits
from tapewright.learn.parts import Option, Part

__all__ = ["OTHER_ORDER_BITS", "UNKNOWN_BITS", "Bytes", "are_equal", "order_bits"]

#: Bits a constant byte costs; 00 and FF stand as constants oftener than others.
CONSTANT_BITS, USUAL_CONSTANT_BITS = 8.0, 6.0
#: An unknown byte costs its eight bits in every block, and this.
UNKNOWN_BITS = 4.0
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
#: Small numbers agree with a constant by chance: where they are the same in all blocks, they cost this more;
#: but larger ones than this are as rare as any other constant. Of several blocks, their number is no rarer.
COUNTS, COUNT_BITS, LARGEST_SMALL = ("index", "blocks", "is_last", "remaining"), 4.0, 3
BLOCKS_BITS = 2.0
#: Where a program is cut into blocks, a byte tells how many bytes are in each as often as two.
SMALL_LENGTH_BITS = 0.5

IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Bytes:
    """Bytes to be explained, and what with.

    Parameters
    ----------
    runs : sequence of bytes
        Of each block, as they stand on tape.
    facts : Facts
    coding : {"plain", "hex"}
        ``hex``: fields may be written as hexadecimal characters.
    may_have_text : bool
        Whether a name may stand there.
    is_anchor : bool
        Whether the first byte, if it is always the same, is what a reader finds the others by, and no number.
    """

    runs: Sequence[bytes]
    facts: Facts
    coding: str
    may_have_text: bool
    is_anchor: bool = False

    @property
    def are_even(self) -> bool:
        """Whether all runs are equally long."""
        return are_equal(map(len, self.runs))

    @cached_property
    def constants(self) -> int:
        """How many bytes at the beginning are the same in all blocks: a sync may be among them."""
        columns = zip(*self.runs, strict=True)
        equal = (len(set(column)) == 1 for column in columns)
        return next((place for place, is_equal in enumerate(equal) if not is_equal), len(self.runs[0]))

    @cached_property
    def options(self) -> list[list[Option]]:
        """What may begin at each place, of runs that are equally long."""
        return [list(_options(self, place)) for place in range(len(self.runs[0]))]


def are_equal(values: Iterable[object]) -> bool:
    """Whether all are the same."""
    return len(set(values)) <= 1


def order_bits(kind: str, order: str) -> float:
    """Surprise of which byte of a number comes first: mostly the same throughout a machine's formats."""
    return 0.0 if kind in ("", "u8") else SAME_ORDER_BITS if kind.endswith(order) else OTHER_ORDER_BITS


def _options(seen: Bytes, place: int) -> Iterator[Option]:
    count = len(seen.runs)
    column = {run[place] for run in seen.runs}
    ones = (1,) * count
    if len(column) == 1:
        cost = USUAL_CONSTANT_BITS if column <= {0x00, 0xFF} else CONSTANT_BITS
        if seen.coding == "hex" and place >= seen.constants:
            cost += LONE_CHARACTER_BITS
        yield Option(Part("constant", place, ones, value=seen.runs[0][place : place + 1]), cost, place + 1)
        if seen.is_anchor and place == 0:
            return
    if seen.coding == "hex" and place + 2 <= len(seen.runs[0]):
        pairs = {run[place : place + 2] for run in seen.runs}
        digits = from_digits(pairs.pop()) if len(pairs) == 1 else None
        if digits is not None:
            part = Part("constant", place, (2,) * count, coding="hex", value=digits)
            yield Option(part, CONSTANT_BITS + 1.0, place + 2)
        written = [from_digits(run[place : place + 2]) for run in seen.runs]
        if written[0] is not None and None not in written:
            part = Part("unknown", place, (2,) * count, coding="hex", value=written[0])
            yield Option(part, _unknown_bits(seen, place, 2), place + 2)
    yield Option(
        Part("unknown", place, ones, value=seen.runs[0][place : place + 1]),
        _unknown_bits(seen, place, 1), place + 1,
    )  # fmt: skip
    for coding in CODINGS:
        for kind, width in FIELD_WIDTH.items():
            yield from _fields(seen, place, kind, width, coding)
    if seen.may_have_text:
        for coding in ("plain",) if seen.coding == "plain" else CODINGS:
            yield from filled_names(seen.runs, seen.facts, place, coding)


def _unknown_bits(seen: Bytes, place: int, size: int) -> float:
    """A byte that nobody knows, in one character or in two; the same one is paid for once a recording."""
    runs = zip(seen.facts.saves, seen.runs, strict=True)
    return 8.0 * len({(save, run[place : place + size]) for save, run in runs}) + UNKNOWN_BITS


def _fields(seen: Bytes, place: int, kind: str, width: int, coding: str) -> Iterator[Option]:
    size = width * (2 if coding == "hex" else 1)
    value = _numbers(seen.runs, place, size, kind, coding)
    if value is None:
        return
    base = OTHER_CODING_BITS if coding != seen.coding else 0.0
    sizes = (size,) * len(seen.runs)
    two = _two_numbers(value, seen.facts.is_last) if width == 1 else None
    if two is not None:
        price = TWO_NUMBERS_BITS if 0 not in two else FLAG_BITS if 255 in two else ONE_NUMBER_BITS
        part = Part("field", place, sizes, kind, coding, "two", two=two)
        yield Option(part, base + PRICE_BITS["is_last"] + price, place + size)
    for fact, numbers in seen.facts.numbers.items():
        offsets = value - numbers
        if not are_equal(offsets.tolist()):
            continue
        offset = int(offsets[0])
        if abs(offset) > MOST_FEW and are_equal(value.tolist()):
            continue  # a constant says the same in fewer words
        price = _offset_bits(fact, abs(offset))
        if fact in COUNTS and are_equal(value.tolist()) and int(value[0]) <= LARGEST_SMALL:
            price += BLOCKS_BITS if fact == "blocks" and value[0] > 1 else COUNT_BITS
        part = Part("field", place, sizes, kind, coding, fact, offset)
        is_cut = "index" in seen.facts.numbers
        yield Option(part, base + _meaning_bits(fact, width, is_cut) + price, place + size)


def _numbers(runs: Sequence[bytes], place: int, size: int, kind: str, coding: str) -> IntArray | None:
    order = "big" if kind.endswith("be") else "little"
    numbers = []
    for run in runs:
        taken = run[place : place + size]
        if len(taken) < size:
            return None
        if coding == "hex":
            plain = from_digits(taken)
            if plain is None:
                return None
            taken = plain
        numbers.append(int.from_bytes(taken, order))  # type: ignore[arg-type]
    return np.array(numbers, np.int64)


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
