"""Where every block goes in the end, and the blocks that others tell of but that were not heard."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from tapewright.blocks.evidence import Parsed
from tapewright.blocks.items import followers
from tapewright.blocks.placing import MISSING_SHARE, Unit
from tapewright.blocks.sequence import Group, Sequence, is_fixed, lead_seconds
from tapewright.cards import BlockLayout
from tapewright.cards.layout import FieldItem
from tapewright.model import Block, CardError, Fault, Span
from tapewright.model.words import byte_count

__all__ = ["Missing", "Placed", "missing_blocks", "places"]

#: No machine of the time holds a program of more bytes; a header that says so is not believed.
MOST_MISSING_BYTES = 1 << 20
#: Where the recording goes on for less than this, nothing could have stood.
SHORTEST_SECONDS = 0.01
REMEDY = "read another recording of the same save together with this one, or play the tape again"


@dataclass(frozen=True)
class Placed:
    """Where a block's data goes.

    Parameters
    ----------
    address : int or None
    count : int
        How many of its bytes are program (a last block may be filled up).
    """

    address: int | None
    count: int


@dataclass(frozen=True)
class Missing:
    """Blocks in a row that were not heard.

    Parameters
    ----------
    layout : BlockLayout
    address : int or None
    count : int
        Program bytes in them; 0 where nobody knows.
    span : Span
        Between the blocks that were heard.
    text : str
    """

    layout: BlockLayout
    address: int | None
    count: int
    span: Span
    text: str

    def block(self) -> Block:
        """Give a block that holds the place: bytes that were not read are 0 with confidence 0."""
        count = self.count if self.count <= MOST_MISSING_BYTES else 0
        return Block(
            kind=self.layout.kind,
            span=self.span,
            fields={},
            address=self.address if count else None,
            data=bytes(count),
            byte_confidence=np.zeros(count),
            byte_seconds=np.linspace(self.span.start_seconds, self.span.end_seconds, count, endpoint=False),
            check="bad" if self.layout.checks else "none",
            faults=(Fault("missing-block", self.text, self.span, REMEDY),),
            complete=False,
        )


def places(sequence: Sequence) -> list[Placed]:
    """Say where the data of every block goes, in the order they were taken in."""
    where: dict[int, int | None] = {}
    for group in {id(group): group for _, group in sequence.taken if group is not None}.values():
        for unit, place in zip(group.units, sequence.settled(group), strict=True):
            where |= {id(parsed): place for parsed in unit.all_copies}
    return [_placed(sequence, parsed, group, where.get(id(parsed))) for parsed, group in sequence.taken]


def _placed(sequence: Sequence, parsed: Parsed, group: Group | None, place: int | None) -> Placed:
    layout = parsed.layout
    count = len(parsed.data.plain) + parsed.lost if parsed.data is not None else 0
    if group is None:
        return Placed(sequence.load(parsed, {}), count)
    address = sequence.load(parsed, group.numbers)
    if address is None and layout.data is not None and group.address is not None and place is not None:
        address = group.address + place
    total = sequence.total(group, layout)
    if is_fixed(layout.data) and total is not None and place is not None and place < total:
        count = min(count, total - place)
    return Placed(address, count)


def missing_blocks(sequence: Sequence) -> list[Block]:
    """List the blocks that were not heard, as far as others tell of them, in order of time."""
    found: list[Missing] = []
    for group in sequence.groups:
        found += _between(sequence, group)
        found += _after_last(sequence, group)
    found += _headers(sequence)
    found += _among_roots(sequence)
    return [missing.block() for missing in sorted(found, key=lambda missing: missing.span)]


def _between(sequence: Sequence, group: Group) -> Iterator[Missing]:
    end: int | None = group.base
    ended = group.end_seconds
    for unit, place in zip(group.units, sequence.settled(group), strict=True):
        layout, span = unit.parsed.layout, _span(ended, unit.start_seconds)
        if place is None and end is not None:
            yield Missing(layout, None, 0, span, f"an unknown number of blocks is missing in {span}")
        elif place is not None and end is not None and place > end:
            address = _at(sequence.origin(group, layout), end)
            yield Missing(layout, address, place - end, span, _text(unit.size, place - end, span))
        ended = unit.end_seconds
        end = None if place is None else place + unit.step


def _after_last(sequence: Sequence, group: Group) -> Iterator[Missing]:
    """Look for blocks a header promises that did not come."""
    ended = group.units[-1].end_seconds if group.units else group.end_seconds
    end_of_recording = float(sequence.symbols.end_seconds[-1])
    span = _span(ended, min(group.until_seconds, end_of_recording))
    for layout in followers(sequence.card, group.parsed.layout):
        own = [unit for unit in group.units if unit.parsed.layout is layout]
        if _is_over(layout, own):
            continue
        total = _promised(sequence, group, layout, own)
        if own and total is None and layout.last_when is None:
            continue  # nobody knows how many there should be
        if own and sequence.settled(group)[-1] is None:
            continue  # what is missing may be among the blocks before
        left = None if total is None else total - sequence.done(group)
        if left is None:
            which = (
                f"the last '{layout.kind}' block" if own else f"the '{layout.kind}' block after the header"
            )
            yield Missing(
                layout, None, 0, span, f"{which} could not be found {_where(span, end_of_recording)}"
            )
        elif left > 0:
            address = _at(sequence.origin(group, layout), sequence.done(group))
            where = _where(span, end_of_recording)
            text = f"the last {byte_count(left)} the header promises could not be found {where}"
            yield Missing(layout, address, left, span, text)


def _is_over(layout: BlockLayout, own: list[Unit]) -> bool:
    """Whether a block said that it is the last, or is the only one there can be."""
    if layout.last_when is not None:
        name, value = layout.last_when.field, layout.last_when.equals
        return any(parsed.numbers.get(name) == value for unit in own for parsed in unit.all_copies)
    return layout.total is None and bool(own)


def _promised(sequence: Sequence, group: Group, layout: BlockLayout, own: list[Unit]) -> int | None:
    """Say how many bytes a header promises; None if it does not, or cannot be trusted."""
    if group.parsed.check == "bad" or not group.parsed.complete:
        return None
    total = sequence.total(group, layout)
    if total is None and "total" in group.parsed.layout.field_names:
        total = group.numbers.get("total")
    if total is None and not own and layout.size is None and layout.data is not None and layout.data.length:
        try:
            total = layout.data.length.value(group.numbers)
        except CardError:
            return None
    return total


def _headers(sequence: Sequence) -> Iterator[Missing]:
    """Look for headers that were not heard, though blocks that follow one were."""
    ended, was_lost = 0.0, False
    for parsed, group in sequence.taken:
        after = parsed.layout.after
        if after is not None and group is None and not was_lost:
            span = _span(ended, sequence.start_seconds(parsed))
            text = f"the '{after}' block before the '{parsed.layout.kind}' block at {span.end_seconds:.3f} s"
            header = sequence.card.layout_of(after)
            yield Missing(header, None, 0, span, f"{text} could not be found")
        ended, was_lost = sequence.end_seconds(parsed), after is not None and group is None


def _among_roots(sequence: Sequence) -> Iterator[Missing]:
    """Look for holes among blocks that follow no header: by their numbers, or by address and time."""
    before: Parsed | None = None
    for parsed, _ in sequence.taken:
        layout = parsed.layout
        if layout.after is not None or layout.size is None or layout.data is None:
            continue
        if parsed.check == "bad" or not parsed.complete or parsed.data is None:
            before = None
            continue
        blocks = _roots_skipped(sequence, before, parsed)
        if blocks:
            count = blocks * layout.size
            address = sequence.load(parsed, {})
            start = None if address is None or address < count else address - count
            ended = sequence.end_seconds(before) if before is not None else 0.0
            span = _span(ended, sequence.start_seconds(parsed))
            yield Missing(layout, start, count, span, _text(layout.size, count, span))
        before = parsed


def _roots_skipped(sequence: Sequence, before: Parsed | None, parsed: Parsed) -> int:
    layout = parsed.layout
    size = layout.size or 0
    plain = {i.field for i in layout.layout if isinstance(i, FieldItem) and i.value is None}
    if "index" in plain and "index" in parsed.numbers:
        expected = 0
        if before is not None and before.layout is layout:
            expected = before.numbers["index"] + 1
        return max(0, parsed.numbers["index"] - expected)
    if before is None or before.layout is not layout or before.data is None or len(before.data.plain) != size:
        return 0
    here, there = sequence.load(parsed, {}), sequence.load(before, {})
    if here is None or there is None or here <= there + size or (here - there) % size:
        return 0
    blocks = (here - there) // size - 1
    start, end = sequence.start_seconds(before), sequence.end_seconds(before)
    between = lead_seconds(layout.layout) + lead_seconds(reversed(layout.layout))
    passed = sequence.start_seconds(parsed) - end - between
    return blocks if passed >= (blocks - 1 + MISSING_SHARE) * (end - start + between) else 0


def _at(origin: int | None, offset: int) -> int | None:
    return None if origin is None else origin + offset


def _span(start_seconds: float, end_seconds: float) -> Span:
    return Span(min(start_seconds, end_seconds), end_seconds)


def _where(span: Span, end_of_recording: float) -> str:
    """Say where something should be that nothing follows; at the end of a recording no time is left."""
    if span.start_seconds > end_of_recording - SHORTEST_SECONDS:
        return f"as the recording ends at {span.end_seconds:.3f} s"
    return f"in {span}"


def _text(size: int | None, count: int, span: Span) -> str:
    blocks = -(-count // (size or count))
    what = "a block" if blocks == 1 else f"{blocks} blocks"
    return f"{what} of {byte_count(count)} could not be found in {span}"
