"""What belongs together: which header a block follows, where its data goes, when a program is complete."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np

from tapewright.blocks.evidence import Parsed
from tapewright.blocks.items import followers
from tapewright.blocks.placing import Unit, settled
from tapewright.cards import BlockLayout, FormatCard
from tapewright.cards.layout import Data, FieldItem, Gap, Item, Lead
from tapewright.model import GAP, CardError, Symbols

__all__ = ["Group", "Sequence", "is_fixed", "lead_seconds"]

#: Two blocks are copies of one if this share of their bytes agree.
ALIKE = 0.75
#: A leader longer than written by this factor is a pause of the writer, not a block that was not heard.
LONG_LEAD = 1.3


@dataclass
class Group:
    """One header (or first block) and what has followed it so far.

    Parameters
    ----------
    parsed : Parsed
        The header.
    numbers : dict of str to int
        Its fields, and those of the blocks it follows itself.
    address : int or None
        Of the first byte after it.
    base : int
        Program bytes in the header itself.
    end_seconds : float
        When its last copy ended.
    parent : Group or None
        What it follows.
    units : list of Unit
        The blocks after it.
    finished : set of str
        Kinds of block of which no more can come.
    until_seconds : float
        When another header took its place, or the recording ended.
    """

    parsed: Parsed
    numbers: dict[str, int]
    address: int | None
    base: int
    end_seconds: float
    parent: Group | None = None
    units: list[Unit] = field(default_factory=list)
    finished: set[str] = field(default_factory=set)
    until_seconds: float = np.inf


class Sequence:
    """Keeps track of the headers heard, in order of time.

    Parameters
    ----------
    symbols : Symbols
    card : FormatCard
    """

    def __init__(self, symbols: Symbols, card: FormatCard) -> None:
        self.symbols, self.card = symbols, card
        self._groups: dict[str, Group] = {}
        self._latest: tuple[BlockLayout, int] | None = None
        #: Every header, each once, and every block with the header it follows, in order of time.
        self.groups: list[Group] = []
        self.taken: list[tuple[Parsed, Group | None]] = []

    def inherited(self, layout: BlockLayout) -> Mapping[str, int]:
        """Fields a block of this kind can use from the one it follows; none if that was not heard."""
        group = self._group_for(layout)
        return {} if group is None else group.numbers

    def expected(self) -> list[BlockLayout]:
        """List the kinds of block that may come next."""
        if self._latest is None:
            return []
        layout, copies = self._latest
        kinds = [layout] if copies < layout.copies else []
        group = self._group_for(layout)
        repeats = layout.total is not None or layout.last_when is not None
        if layout.after and repeats and group is not None and layout not in kinds:
            kinds.append(layout)
        kinds += [block for block in followers(self.card, layout) if block not in kinds]
        if layout.after:
            order = [block for block in self.card.block if block.after == layout.after]
            kinds += [block for block in order[order.index(layout) + 1 :] if block not in kinds]
        return kinds

    # -- while blocks are found --------------------------------------------------------------------------

    def take(self, parsed: Parsed) -> None:
        """Take in a block that was found."""
        layout = parsed.layout
        group = self._group_for(layout)
        if group is not None and self._is_too_much(group, parsed):
            group.finished.add(layout.kind)
            group.until_seconds = min(group.until_seconds, self.start_seconds(parsed))
            group = None
        copies = 1
        if group is not None:
            unit = self._unit_copied(group, parsed)
            if unit is None:
                group.units.append(self._unit(group, parsed))
            else:
                unit.end_seconds = self.end_seconds(parsed)
                unit.all_copies.append(parsed)
            copies = len(group.units[-1].all_copies)
            self._note_end(group, layout, parsed, copies)
        elif self._latest is not None and self._latest[0] is layout and layout.copies > 1:
            copies = self._latest[1] % layout.copies + 1
        self.taken.append((parsed, group))
        self._open(parsed, group, is_copy=copies > 1)
        self._latest = (layout, copies)

    def _open(self, parsed: Parsed, group: Group | None, *, is_copy: bool) -> None:
        """Let the block be one that others follow."""
        layout = parsed.layout
        old = self._groups.get(layout.kind)
        if is_copy and old is not None and old.parsed.check != "bad":
            old.end_seconds = self.end_seconds(parsed)
            return
        numbers = {**(group.numbers if group else {}), **parsed.numbers}
        address = self.load(parsed, numbers)
        if address is None and group is not None:
            address = group.address
        count = len(parsed.data.plain) if parsed.data is not None else 0
        opened = Group(parsed, numbers, address, count, self.end_seconds(parsed), group)
        if old is not None and (is_copy or (group is not None and old.parent is group)):
            # one header in several copies, or a block among several: what follows comes after the last
            self.groups = [other for other in self.groups if other is not old]
        elif old is not None:
            old.until_seconds = min(old.until_seconds, self.start_seconds(parsed))
        self._groups[layout.kind] = opened
        if followers(self.card, layout):
            self.groups.append(opened)

    def _group_for(self, layout: BlockLayout) -> Group | None:
        group = self._groups.get(layout.after) if layout.after else None
        return None if group is None or layout.kind in group.finished else group

    def _is_too_much(self, group: Group, parsed: Parsed) -> bool:
        """Whether a block holds more than its header still owes, and so belongs to one that was not heard."""
        total = self.total(group, parsed.layout)
        if total is None or parsed.check != "ok" or parsed.data is None or is_fixed(parsed.layout.data):
            return False
        if self._unit_copied(group, parsed) is not None:
            return False
        return self.done(group) + len(parsed.data.plain) > total

    def done(self, group: Group) -> int:
        """Count the bytes from the first after a header to the end of the last block found."""
        if not group.units:
            return group.base
        place = self.settled(group)[-1]
        return (
            sum(u.step for u in group.units) + group.base if place is None else place + group.units[-1].step
        )

    def _unit_copied(self, group: Group, parsed: Parsed) -> Unit | None:
        """Give the block this one is another copy of."""
        layout = parsed.layout
        if layout.copies < 2 or not group.units:
            return None
        unit = group.units[-1]
        if unit.parsed.layout is not layout or len(unit.all_copies) >= layout.copies:
            return None
        return unit if _is_copy(parsed, unit.parsed) else None

    def _unit(self, group: Group, parsed: Parsed) -> Unit:
        layout = parsed.layout
        count = len(parsed.data.plain) if parsed.data is not None else 0
        before = group.units[-1].parsed.layout if group.units else group.parsed.layout
        between = lead_seconds(reversed(before.layout)) + lead_seconds(layout.layout)
        start, end = self.start_seconds(parsed), self.end_seconds(parsed)
        size = layout.size if layout.data is not None else None
        full = end - start
        if size is not None and parsed.data is not None and count:
            first, last = int(parsed.data.first_symbol[0]), int(parsed.data.end_symbol[-1])
            full += (size - count) * self._seconds(first, last) / count
        lead = self._heard_seconds(parsed.first_symbol, parsed.core_first)
        return Unit(
            parsed,
            count,
            is_sure=parsed.complete and parsed.check != "bad",
            known=self._own_place(group, parsed, count),
            address=self._own_address(parsed) if size is not None else None,
            start_seconds=start,
            end_seconds=end if parsed.complete else max(end, start + full),
            between_seconds=between + max(0.0, lead - LONG_LEAD * between),
            each_seconds=full + lead_seconds(layout.layout) + lead_seconds(reversed(layout.layout)),
            size=size,
            is_fixed=is_fixed(layout.data),
            copies=layout.copies,
            all_copies=[parsed],
        )

    def _own_place(self, group: Group, parsed: Parsed, count: int) -> int | None:
        """Say how many bytes stand before a block by its own number or count of what remains."""
        layout, numbers = parsed.layout, parsed.numbers
        if layout.size is None or parsed.check == "bad" or not parsed.complete:
            return None
        plain = {i.field for i in layout.layout if isinstance(i, FieldItem) and i.value is None}
        if "index" in plain and "index" in numbers:
            return numbers["index"] * layout.size
        total = self.total(group, layout)
        if total is None and group.parsed.check != "bad":
            total = group.numbers.get("total")
        if "remaining" in plain and total is not None and "remaining" in numbers:
            return max(0, total - numbers["remaining"] - count)
        return None

    def _own_address(self, parsed: Parsed) -> int | None:
        """Give the address a block says of itself, without its header."""
        load = parsed.layout.load
        is_own = load is not None and set(load.names) <= set(parsed.layout.field_names)
        return self.load(parsed, {}) if is_own and parsed.check != "bad" else None

    def origin(self, group: Group, layout: BlockLayout) -> int | None:
        """Give the address of the first byte after a header, from the header or from a block after it."""
        if group.address is not None:
            return group.address
        for unit, place in zip(group.units, self.settled(group), strict=True):
            address = self.load(unit.parsed, group.numbers) if unit.is_sure else None
            if address is not None and place is not None and address >= place:
                return address - place
        if layout.load is None or group.parsed.check == "bad":
            return None
        try:
            return layout.load.value({"index": 0, **group.numbers})
        except CardError:
            return None

    def load(self, parsed: Parsed, inherited: Mapping[str, int]) -> int | None:
        """Work out the address a block's own `load` gives."""
        if parsed.layout.load is None:
            return None
        try:
            return parsed.layout.load.value({**inherited, **parsed.numbers})
        except CardError:
            return None

    def total(self, group: Group, layout: BlockLayout) -> int | None:
        """Say how many bytes a header promises, if it does and can be trusted."""
        if layout.total is None or group.parsed.check == "bad":
            return None
        try:
            return layout.total.value(group.numbers)
        except CardError:
            return None

    def _note_end(self, group: Group, layout: BlockLayout, parsed: Parsed, copies: int) -> None:
        """Remember when no more blocks of this kind belong to the header."""
        if copies < layout.copies:
            return
        total = self.total(group, layout)
        if layout.last_when is not None:
            if parsed.numbers.get(layout.last_when.field) == layout.last_when.equals:
                group.finished.add(layout.kind)
        elif total is not None:
            if self.done(group) >= total:
                group.finished.add(layout.kind)
        elif layout.total is None:
            group.finished.add(layout.kind)

    def settled(self, group: Group) -> list[int | None]:
        """Say where the blocks after a header belong."""
        total = self.total(group, group.units[-1].parsed.layout) if group.units else None
        return settled(group.units, group.end_seconds, group.base, total, group.address)

    # -- times -------------------------------------------------------------------------------------------

    def start_seconds(self, parsed: Parsed) -> float:
        """When the first byte of a block starts."""
        return float(self.symbols.start_seconds[parsed.core_first])

    def end_seconds(self, parsed: Parsed) -> float:
        """When the last byte of a block ends."""
        return float(self.symbols.end_seconds[max(parsed.core_end - 1, parsed.core_first)])

    def _seconds(self, first: int, end: int) -> float:
        if end <= first:
            return 0.0
        return float(self.symbols.end_seconds[end - 1] - self.symbols.start_seconds[first])

    def _heard_seconds(self, first: int, end: int) -> float:
        """How long there was a signal among some symbols."""
        chosen = slice(first, end)
        seconds = self.symbols.end_seconds[chosen] - self.symbols.start_seconds[chosen]
        return float(np.sum(seconds[self.symbols.index[chosen] != GAP]))


def _is_copy(a: Parsed, b: Parsed) -> bool:
    """Whether two blocks could be copies of one: bytes and fields alike, as far as they can be trusted."""
    if a.data is None or b.data is None:
        return True
    one, other = a.data.plain, b.data.plain
    n = min(len(one), len(other))
    if not n or abs(len(one) - len(other)) > (1 - ALIKE) * max(len(one), len(other)):
        return False
    both = np.frombuffer(one[:n], np.uint8) == np.frombuffer(other[:n], np.uint8)
    numbers_alike = a.numbers == b.numbers or a.check == "bad" or b.check == "bad"
    return bool(np.mean(both) >= ALIKE) and numbers_alike


def is_fixed(data: Data | None) -> bool:
    """Whether every block is full, filled up where the program has ended."""
    return data is not None and data.length is not None and not data.length.names


def lead_seconds(items: Iterable[Item]) -> float:
    """Length of the leaders and gaps that come first."""
    seconds = 0.0
    for item in items:
        if not isinstance(item, (Lead, Gap)):
            break
        seconds += item.seconds if isinstance(item, Lead) else item.gap
    return seconds
