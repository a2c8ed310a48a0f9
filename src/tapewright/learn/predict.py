"""Saving a program in thought: what would stand on tape if the blocks are what they were taken for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Literal

from tapewright.cards.layout import FIELD_WIDTH
from tapewright.learn.checks import Message
from tapewright.learn.facts import numbers_of
from tapewright.learn.fields import RIVAL_BITS
from tapewright.learn.framing import Framing
from tapewright.learn.kinds import Kind
from tapewright.learn.messages import Named, messages_of
from tapewright.learn.parts import Part, Rival
from tapewright.learn.programs import Program
from tapewright.learn.samples import Sample

__all__ = ["block_numbers", "part_bytes", "predicted_messages", "with_exchanged", "without_equals"]

#: Programs are saved in thought in so many blocks at most.
MOST_BLOCKS = 400
#: Programs that are saved in thought to see whether two descriptions ever differ: of lengths and at addresses
#: such as machines with sixteen address lines have, and under names of all lengths.
_PROBES = [
    Program(bytes(length), start, name)
    for length, start, name in (
        (1, 0x0102, "A"), (2, 0xFEDC, "Q X"), (255, 0x8000, "LONGER THAN ANY NAME IS"),
        (256, 0x1200, ""), (1027, 0x00FF, "ABC"), (5000, 0x4321, "Z"), (20_001, 0xA0B1, "NAME"),
    )
]  # fmt: skip


@lru_cache(maxsize=64)
def block_numbers(program: Program, size: int | None, *, has_data: bool) -> list[dict[str, int]]:
    """Give the numbers a writer would know of each block.

    Parameters
    ----------
    program : Program
    size : int or None
        Into how large blocks programs are cut.
    has_data : bool
        Whether it is about the blocks that hold the program, or about the one before or after them.
    """
    total = len(program.data)
    cuts = _cuts(total, size)
    numbers = []
    for cut in cuts if has_data else [Sample(0, b"", b"", 0, 0)]:
        known = numbers_of(cut, cuts, total)
        if program.start is not None:
            start = program.start + cut.first
            known |= {"start": start, "end": start + known["length"] - 1, "run": program.start}
        numbers.append(known)
    return numbers


def _cuts(total: int, size: int | None) -> list[Sample]:
    step = size or max(total, 1)
    return [Sample(0, b"", b"", first, min(first + step, total)) for first in range(0, total, step)]


def part_bytes(part: Part, numbers: dict[str, int], program: Program) -> bytes:
    """Bytes of an item as they stand on tape; of one that is not known, those of the first block heard."""
    plain = _plain(part, numbers, program)
    return plain.hex().upper().encode() if part.coding == "hex" else plain


def _plain(part: Part, numbers: dict[str, int], program: Program) -> bytes:
    if part.kind in ("constant", "unknown"):
        return part.value
    if part.kind == "text":
        name = (program.name or "").encode("ascii", "replace")
        width = part.widths[0] // (2 if part.coding == "hex" else 1)
        return name + part.value if part.is_ended else name[:width].ljust(width, part.value)
    if part.kind == "check":
        return bytes(part.widths[0])
    width = FIELD_WIDTH[part.type]
    number = part.two[1 - numbers["is_last"]] if part.fact == "two" else numbers[part.fact] + part.offset
    order: Literal["big", "little"] = "big" if part.type.endswith("be") else "little"
    return (number % (1 << 8 * width)).to_bytes(width, order)


def without_equals(kind: Kind, size: int | None) -> Kind:
    """Drop rivals that would stand on tape as the description does, whatever is saved: they are the same.

    Parameters
    ----------
    kind : Kind
    size : int or None
        Into how large blocks programs are cut.
    """
    return replace(
        kind,
        head=tuple(Named(item.name, _told_apart(item.part, kind, size)) for item in kind.head),
        tail=tuple(Named(item.name, _told_apart(item.part, kind, size)) for item in kind.tail),
    )


def _told_apart(part: Part, kind: Kind, size: int | None) -> Part:
    others = tuple(rival for rival in part.others if not _is_equal(rival, kind, size))
    if len(others) == len(part.others):
        return part
    return replace(part, others=others, lead_bits=min((rival.bits for rival in others), default=RIVAL_BITS))


def with_exchanged(kind: Kind, size: int | None) -> Kind:
    """Hold open which of two fields is which that are the same in all the blocks, and need not be in others.

    Of programs of two blocks each, the number of a block and whether it is the last are 0 and 1 alike.

    Parameters
    ----------
    kind : Kind
    size : int or None
        Into how large blocks programs are cut.
    """
    items = (*kind.head, *kind.tail)
    return replace(
        kind,
        head=tuple(Named(item.name, _held_open(item.part, items, kind, size)) for item in kind.head),
        tail=tuple(Named(item.name, _held_open(item.part, items, kind, size)) for item in kind.tail),
    )


def _held_open(part: Part, items: Sequence[Named], kind: Kind, size: int | None) -> Part:
    for other in (item.part for item in items):
        if not _are_the_same_here(part, other, kind):
            continue
        rival = Rival((part,), (replace(part, fact=other.fact),), 0.0)
        if not _is_equal(rival, kind, size):
            part = replace(part, others=(rival, *part.others), lead_bits=0.0)
    return part


def _are_the_same_here(part: Part, other: Part, kind: Kind) -> bool:
    """Whether two fields, written alike, tell different numbers that are the same in all blocks heard."""
    alike = (part.kind, part.type, part.coding, part.offset) == (
        other.kind, other.type, other.coding, other.offset
    )  # fmt: skip
    groups = ({fact, *same} for fact, same in kind.facts.same.items())
    return alike and part.fact != other.fact and any({part.fact, other.fact} <= group for group in groups)


def _is_equal(rival: Rival, kind: Kind, size: int | None) -> bool:
    if any(part.kind == "unknown" for part in (*rival.mine, *rival.other)):
        return False
    return all(
        b"".join(part_bytes(part, numbers, probe) for part in rival.mine)
        == b"".join(part_bytes(part, numbers, probe) for part in rival.other)
        for probe in _PROBES
        if size is None or len(probe.data) <= MOST_BLOCKS * size
        for numbers in block_numbers(probe, size, has_data=kind.has_data)
    )


def predicted_messages(
    kind: Kind, items: Sequence[Named], program: Program, size: int | None, framing: Framing
) -> list[Message]:
    """Blocks of a kind as messages that a check may cover.

    Parameters
    ----------
    kind : Kind
    items : sequence of Named
        What stands before the check, data apart.
    program : Program
    size : int or None
    framing : Framing
    """
    numbers = block_numbers(program, size, has_data=kind.has_data)
    columns = [[part_bytes(item.part, known, program) for known in numbers] for item in items]
    fitted = [
        Named(item.name, replace(item.part, widths=tuple(map(len, column))))
        for item, column in zip(items, columns, strict=True)
    ]
    heads = [b"".join(parts) for parts in zip(*columns, strict=True)] if columns else [b""] * len(numbers)
    cuts = _cuts(len(program.data), size) if kind.has_data else []
    data = [program.data[cut.first : cut.end] for cut in cuts] or [b""] * len(numbers)
    return messages_of(fitted, heads, data, [b""] * len(numbers), framing, kind.sync_bytes)
