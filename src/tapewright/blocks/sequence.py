"""What belongs together: which header a block follows, where its data goes, when a program is complete."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from tapewright.blocks.evidence import Parsed
from tapewright.blocks.items import followers
from tapewright.cards import BlockLayout, FormatCard
from tapewright.cards.layout import Data
from tapewright.model import CardError, Fault, Symbols

__all__ = ["Placed", "Sequence"]

#: Two blocks are copies of one if this share of their bytes agree.
ALIKE = 0.75
#: A missing block leaves this share of its time, or more, between its neighbours.
MISSING_SHARE = 0.7


@dataclass(frozen=True)
class Placed:
    """Where a block's data goes.

    Parameters
    ----------
    address : int or None
    count : int
        How many of its bytes are program (a last block may be filled up).
    faults : tuple of Fault
    """

    address: int | None
    count: int
    faults: tuple[Fault, ...] = ()


@dataclass
class _Group:
    """One header (or first block) and what has followed it so far."""

    numbers: dict[str, int]
    address: int | None
    end_symbol: int
    bytes_done: int = 0
    blocks: dict[str, int] = field(default_factory=dict)
    finished: set[str] = field(default_factory=set)
    last: dict[str, tuple[Parsed, int]] = field(default_factory=dict)
    copies: dict[str, int] = field(default_factory=dict)


class Sequence:
    """Keeps track of the headers heard, in order of time.

    Parameters
    ----------
    symbols : Symbols
    card : FormatCard
    """

    def __init__(self, symbols: Symbols, card: FormatCard) -> None:
        self.symbols, self.card = symbols, card
        self._groups: dict[str, _Group] = {}
        self._latest: tuple[BlockLayout, int] | None = None

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

    def place(self, parsed: Parsed) -> Placed:
        """Take in a block that was found, and say where its data goes."""
        layout = parsed.layout
        group = self._group_for(layout)
        count = len(parsed.data.plain) if parsed.data is not None else 0
        faults: tuple[Fault, ...] = ()
        is_copy = group is not None and self._is_copy(group, parsed)
        if group is None:
            address = self._load(parsed, {})
        elif is_copy:
            address = self._load(parsed, group.numbers)
            if address is None and group.address is not None:
                address = group.address + group.last[layout.kind][1]
        else:
            faults = self._skip_missing(group, parsed, count)
            count = self._meant(group, parsed, count)
            address = self._load(parsed, group.numbers)
            if address is None and group.address is not None and layout.data is not None:
                address = group.address + group.bytes_done
            group.last[layout.kind] = (parsed, group.bytes_done)
            group.copies[layout.kind] = 0
            group.bytes_done += count
            group.blocks[layout.kind] = group.blocks.get(layout.kind, 0) + 1
        copies = 1
        if group is not None:
            group.copies[layout.kind] = copies = group.copies.get(layout.kind, 0) + 1
            group.end_symbol = parsed.core_end
            self._note_end(group, parsed, copies)
            if is_copy:
                count = min(count, self._meant_of_copy(group, parsed, count))
        elif self._latest is not None and self._latest[0] is layout and layout.copies > 1:
            copies = self._latest[1] % layout.copies + 1
        self._groups[layout.kind] = _Group(
            {**(group.numbers if group else {}), **parsed.numbers},
            address if address is not None or group is None else group.address,
            parsed.core_end,
            count,
        )
        self._latest = (layout, copies)
        return Placed(address, count, faults)

    def _group_for(self, layout: BlockLayout) -> _Group | None:
        group = self._groups.get(layout.after) if layout.after else None
        return None if group is None or layout.kind in group.finished else group

    def _load(self, parsed: Parsed, inherited: Mapping[str, int]) -> int | None:
        if parsed.layout.load is None:
            return None
        try:
            return parsed.layout.load.value({**inherited, **parsed.numbers})
        except CardError:
            return None

    def _is_copy(self, group: _Group, parsed: Parsed) -> bool:
        kind = parsed.layout.kind
        if parsed.layout.copies < 2 or kind not in group.last or group.copies[kind] >= parsed.layout.copies:
            return False
        other = group.last[kind][0]
        if parsed.data is None or other.data is None:
            return True
        a, b = parsed.data.plain, other.data.plain
        n = min(len(a), len(b))
        if not n or abs(len(a) - len(b)) > (1 - ALIKE) * max(len(a), len(b)):
            return False
        both = np.frombuffer(a[:n], np.uint8) == np.frombuffer(b[:n], np.uint8)
        numbers_alike = parsed.numbers == other.numbers or parsed.check == "bad" or other.check == "bad"
        return bool(np.mean(both) >= ALIKE) and numbers_alike

    def _skip_missing(self, group: _Group, parsed: Parsed, count: int) -> tuple[Fault, ...]:
        """Leave room for blocks that were not heard, by their number or by the time they would have taken."""
        layout = parsed.layout
        size = layout.size
        if size is None or parsed.data is None:
            return ()
        done, number = group.bytes_done, parsed.numbers.get("index")
        has_number = any(getattr(i, "field", None) == "index" and i.value is None for i in layout.layout)  # type: ignore[union-attr]
        total = self._total(group, layout)
        if has_number and number is not None and parsed.check != "bad":
            skipped = number - done // size
        else:
            one = self._seconds(parsed.first_symbol, parsed.core_end) * size / max(1, count) * layout.copies
            silent = self._seconds(group.end_symbol, parsed.first_symbol)
            skipped = int(silent / one + 1 - MISSING_SHARE) if count >= size // 2 and one > 0 else 0
        if skipped <= 0 or (total is not None and done + skipped * size >= total):
            return ()
        group.bytes_done += skipped * size
        what = "1 block is" if skipped == 1 else f"{skipped} blocks are"
        at = float(self.symbols.start_seconds[parsed.core_first])
        return (Fault("missing", f"{what} missing before the one at {at:.3f} s"),)

    def _meant(self, group: _Group, parsed: Parsed, count: int) -> int:
        """How many bytes are program: a block of fixed length may be filled up beyond the total."""
        data = parsed.layout.data
        total = self._total(group, parsed.layout)
        if not _is_fixed(data) or total is None or not group.bytes_done < total:
            return count
        return min(count, total - group.bytes_done)

    def _meant_of_copy(self, group: _Group, parsed: Parsed, count: int) -> int:
        total = self._total(group, parsed.layout)
        if not _is_fixed(parsed.layout.data) or total is None:
            return count
        return max(0, min(count, total - group.last[parsed.layout.kind][1]))

    def _total(self, group: _Group, layout: BlockLayout) -> int | None:
        if layout.total is None:
            return None
        try:
            return layout.total.value(group.numbers)
        except CardError:
            return None

    def _note_end(self, group: _Group, parsed: Parsed, copies: int) -> None:
        """Remember when no more blocks of this kind belong to the header."""
        layout = parsed.layout
        if copies < layout.copies:
            return
        total = self._total(group, layout)
        if layout.last_when is not None:
            if parsed.numbers.get(layout.last_when.field) == layout.last_when.equals:
                group.finished.add(layout.kind)
        elif total is not None:
            if group.bytes_done >= total:
                group.finished.add(layout.kind)
        elif layout.total is None:
            group.finished.add(layout.kind)

    def _seconds(self, first: int, end: int) -> float:
        if end <= first:
            return 0.0
        return float(self.symbols.end_seconds[end - 1] - self.symbols.start_seconds[first])


def _is_fixed(data: Data | None) -> bool:
    return data is not None and data.length is not None and not data.length.names
