"""Cutting a range of program bytes into the blocks of a card, and what the writer knows of each."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from tapewright.blocks.items import followers
from tapewright.cards import BlockLayout, FormatCard
from tapewright.model import UsageError

__all__ = ["PlannedBlock", "plan_blocks"]


@dataclass(frozen=True)
class PlannedBlock:
    """One block to be written.

    Parameters
    ----------
    layout : BlockLayout
    first, count : int
        Which bytes of the range it holds; a header holds none.
    index : int
        Number of the data block, from 0; for a header, of the next one.
    blocks, total : int
        Data blocks and data bytes in the range.
    """

    layout: BlockLayout
    first: int
    count: int
    index: int
    blocks: int
    total: int

    def writer_names(self, address: int | None, run: int | None) -> dict[str, int]:
        """Give the values of `WRITER_NAMES`; those that need an unknown address are left out."""
        is_header = self.layout.data is None
        length = self.total if is_header else self.count
        names = {
            "length": length,
            "total": self.total,
            "index": self.index,
            "blocks": self.blocks,
            "is_last": int(not is_header and self.index == self.blocks - 1),
            "remaining": self.total - self.first - self.count,
        }
        if address is not None:
            names["start"] = address + self.first
            names["end"] = names["start"] + length - 1
            names["run"] = address if run is None else run
        return names


def plan_blocks(card: FormatCard, total: int) -> list[PlannedBlock]:
    """Cut `total` bytes into blocks, headers first, in the order they stand on tape.

    A block with a `size` (or a data length that is a plain number) takes that many bytes at most and is
    repeated while there are bytes left, unless blocks that also hold data follow it; one without takes all
    there are.

    Raises
    ------
    UsageError
        If bytes are left over.
    """
    pieces = list(_pieces(card, card.block[0], 0, total))
    blocks = sum(layout.data is not None for layout, _, _ in pieces)
    held = sum(count for _, _, count in pieces)
    if held < total:
        raise UsageError(
            f"a program in format {card.name} holds {held} bytes at most, not {total}; give a shorter one"
        )
    planned, index = [], 0
    for layout, first, count in pieces:
        planned.append(PlannedBlock(layout, first, count, index, blocks, total))
        index += layout.data is not None
    return planned


def _pieces(
    card: FormatCard, layout: BlockLayout, first: int, total: int
) -> Iterator[tuple[BlockLayout, int, int]]:
    if layout.data is None:
        yield layout, first, 0
    else:
        size = _largest(layout) or total
        while first < total:
            count = min(size, total - first)
            yield layout, first, count
            first += count
            if _data_follows(card, layout):
                break
    for follower in followers(card, layout):
        for piece in _pieces(card, follower, first, total):
            yield piece
            first = max(first, piece[1] + piece[2])


def _largest(layout: BlockLayout) -> int | None:
    length = layout.data.length if layout.data is not None else None
    fixed = length.value({}) if length is not None and not length.names else None
    return min((size for size in (layout.size, fixed) if size), default=None)


def _data_follows(card: FormatCard, layout: BlockLayout) -> bool:
    return any(block.data is not None or _data_follows(card, block) for block in followers(card, layout))
