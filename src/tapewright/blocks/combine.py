"""Blocks to a program: the best copy of every byte, by address where there is one."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tapewright.cards import FormatCard
from tapewright.model import Block, Image, Range
from tapewright.model.image import HIGHEST_ADDRESS

__all__ = ["CopiedBytes", "assemble", "left_out"]

Floats = npt.NDArray[np.float64]

#: Two stretches of bytes are copies of one if this share of them agree.
ALIKE = 0.75
#: One value against 255 others.
RIVALS = 255.0
#: Surer than this nobody is.
MOST_CONFIDENCE = 1.0 - 1e-12


@dataclass(eq=False)
class CopiedBytes:
    """Bytes being put together.

    ``weight`` is the natural log of the odds of each value against any other, 0 where nothing was read;
    ``vouched`` says whether a block's check stands for it.
    """

    value: npt.NDArray[np.uint8]
    weight: Floats
    vouched: npt.NDArray[np.bool_]

    @classmethod
    def empty(cls, count: int) -> CopiedBytes:
        """Nothing read yet."""
        return cls(np.zeros(count, np.uint8), np.zeros(count), np.zeros(count, np.bool_))

    @classmethod
    def of(cls, block: Block) -> CopiedBytes:
        """The bytes of a block, with what each is worth."""
        sure = np.clip(block.byte_confidence, 0.0, MOST_CONFIDENCE)
        read = sure > 0
        weight = np.zeros(len(sure))
        weight[read] = np.maximum(np.log(sure[read] * RIVALS / (1.0 - sure[read])), 1e-6)
        return cls(np.frombuffer(block.data, np.uint8).copy(), weight, np.full(len(sure), block.verified))

    def __len__(self) -> int:
        return len(self.value)

    def add(self, other: CopiedBytes, offset: int) -> None:
        """Weigh in another copy of the bytes from `offset` on: agreement adds up, the surer value wins.

        Bytes a check vouches for are never outvoted by bytes that none does.
        """
        part = slice(offset, offset + len(other))
        value, weight, vouched = self.value[part], self.weight[part], self.vouched[part]
        agree = (value == other.value) & (weight > 0) & (other.weight > 0)
        takes = np.where(vouched == other.vouched, other.weight > weight, other.vouched & (other.weight > 0))
        same_rank = vouched == other.vouched
        together = np.where(agree, weight + other.weight, np.abs(weight - other.weight))
        alone = np.where(takes, other.weight, weight)
        together = np.where((weight > 0) & (other.weight > 0), np.maximum(together, 1e-6), alone)
        self.weight[part] = np.where(same_rank | agree, together, alone)
        self.value[part] = np.where(takes, other.value, value)
        self.vouched[part] = np.where(takes, other.vouched, vouched)

    def part(self, offset: int, count: int) -> CopiedBytes:
        """Return some of the bytes."""
        chosen = slice(offset, offset + count)
        return CopiedBytes(self.value[chosen], self.weight[chosen], self.vouched[chosen])

    def is_free(self, offset: int, count: int) -> bool:
        """Whether nothing was read there yet."""
        return not np.any(self.weight[offset : offset + count] > 0)

    @property
    def confidence(self) -> Floats:
        """Probability of each byte."""
        odds = np.exp(np.minimum(self.weight, 60.0))
        confidence: Floats = np.where(self.weight > 0, odds / (odds + RIVALS), 0.0)
        return confidence

    def is_copy_of(self, other: CopiedBytes) -> bool:
        """Whether the bytes both could read mostly agree, and there are as many."""
        return len(self) == len(other) and self.agrees_with(other)

    def agrees_with(self, other: CopiedBytes) -> bool:
        """Whether the bytes both could read mostly agree, as far as the shorter goes."""
        n = min(len(self), len(other))
        both = (self.weight[:n] > 0) & (other.weight[:n] > 0)
        alike = np.count_nonzero(both & (self.value[:n] == other.value[:n]))
        return bool(alike > 0 and alike >= ALIKE * np.count_nonzero(both))


def assemble(blocks: Iterable[Block], card: FormatCard) -> tuple[Image, tuple[Floats, ...]]:
    """Put a program together from its blocks, and from several copies of them.

    Blocks may come from one recording or from several of the same save, one after the other.

    Parameters
    ----------
    blocks : iterable of Block
        In order of time.
    card : FormatCard

    Returns
    -------
    image : Image
        By address where blocks carry one. Blocks without are joined in order; several copies of the same
        bytes count once.
    confidence : tuple of ndarray of float64
        One array a range: probability that each byte is right, 0 where none could be read.
    """
    given = list(blocks)
    with_data = [block for block in given if block.data]
    placed = [
        b for b in with_data if b.address is not None and 0 <= b.address <= HIGHEST_ADDRESS - len(b.data)
    ]
    loose = [b for b in with_data if not any(b is p for p in placed)]
    ranges = _by_address(_without_misplaced(placed, _placed_by_bad_headers(given, card)))
    # a block whose header was lost is known by its bytes where another copy has its address
    loose = [b for b in loose if not _is_known(b, placed)]
    ranges += _in_order([b for b in given if not b.data or any(b is x for x in loose)], card)
    image = Image(
        tuple(Range(address, held.value.tobytes()) for address, held in ranges),
        run=next((int(b.fields["run"]) for b in given if isinstance(b.fields.get("run"), int)), None),
        name=next((str(b.fields["name"]) for b in given if b.fields.get("name")), None),
    )
    return image, tuple(held.confidence for _, held in ranges)


def left_out(blocks: Iterable[Block], image: Image) -> tuple[Block, ...]:
    """List good blocks that are not in the program, as it has other bytes at their addresses.

    Parameters
    ----------
    blocks : iterable of Block
    image : Image
        What was put together from them.
    """
    return tuple(
        b for b in blocks if b.verified and b.data and b.address is not None and not _holds(image, b)
    )


def _holds(image: Image, block: Block) -> bool:
    address, n = block.address or 0, len(block.data)
    return any(
        piece.data[address - piece.address :][:n] == block.data
        for piece in image
        if piece.address is not None and piece.address <= address
    )


def _placed_by_bad_headers(given: Sequence[Block], card: FormatCard) -> list[Block]:
    """List the blocks whose address comes from a header that no check vouches for."""
    out, is_good = [], True
    for block in given:
        layout = card.layout_of(block.kind)
        if any(other.after == block.kind for other in card.block):
            is_good = block.verified
        elif layout.after is not None and not is_good:
            needs_header = layout.load is None or not set(layout.load.names) <= set(layout.field_names)
            out += [block] if needs_header else []
    return out


def _without_misplaced(placed: Sequence[Block], unsure: Sequence[Block]) -> list[Block]:
    """Leave out bad or wrongly placed copies of blocks that are good and where they belong."""
    good = [b for b in placed if b.verified and not any(b is other for other in unsure)]
    return [
        block
        for block in placed
        if any(block is other for other in good) or not any(_is_useless(block, other) for other in good)
    ]


def _is_useless(block: Block, good: Block) -> bool:
    if block.address == good.address and block.kind == good.kind:
        return CopiedBytes.of(block).agrees_with(CopiedBytes.of(good))
    return CopiedBytes.of(block).is_copy_of(CopiedBytes.of(good))


def _is_known(block: Block, placed: Sequence[Block]) -> bool:
    mine = CopiedBytes.of(block)
    return any(o.kind == block.kind and mine.is_copy_of(CopiedBytes.of(o)) for o in placed)


def _by_address(blocks: Sequence[Block]) -> list[tuple[int | None, CopiedBytes]]:
    """Lay blocks over one another where they touch or overlap."""
    order = sorted(blocks, key=lambda block: block.address or 0)
    ranges: list[tuple[int | None, CopiedBytes]] = []
    while order:
        first, end, group = order[0].address or 0, order[0].address or 0, []
        while order and (order[0].address or 0) <= end:
            block = order.pop(0)
            group.append(block)
            end = max(end, (block.address or 0) + len(block.data))
        held = CopiedBytes.empty(end - first)
        for block in sorted(group, key=lambda block: not block.verified):
            piece, offset = CopiedBytes.of(block), (block.address or 0) - first
            # another program for the same place is not a copy: bytes of two programs are never mixed
            if held.is_free(offset, len(piece)) or piece.agrees_with(held.part(offset, len(piece))):
                held.add(piece, offset)
        ranges.append((first, held))
    return ranges


@dataclass(eq=False)
class _Program:
    """Blocks without addresses that follow one another."""

    pieces: list[CopiedBytes]
    heard: list[int]
    complete: bool = True

    @property
    def whole(self) -> CopiedBytes:
        return CopiedBytes(
            np.concatenate([piece.value for piece in self.pieces]),
            np.concatenate([piece.weight for piece in self.pieces]),
            np.concatenate([piece.vouched for piece in self.pieces]),
        )


def _in_order(blocks: Sequence[Block], card: FormatCard) -> list[tuple[int | None, CopiedBytes]]:
    """Join blocks without addresses, each program once."""
    different: list[tuple[CopiedBytes, bool]] = []
    for program in _programs(blocks, card):
        whole, complete = program.whole, program.complete
        for place, (known, known_complete) in enumerate(different):
            shorter_is_whole = known_complete if len(known) < len(whole) else complete
            if (len(whole) != len(known) and shorter_is_whole) or not whole.agrees_with(known):
                continue
            longer, other = (known, whole) if len(known) >= len(whole) else (whole, known)
            longer.add(other, 0)
            different[place] = (longer, complete or known_complete)
            break
        else:
            different.append((whole, complete))
    if not different:
        return []
    return [(None, _Program([held for held, _ in different], []).whole)]


def _programs(blocks: Sequence[Block], card: FormatCard) -> list[_Program]:
    """Split blocks where a new program begins: at a header, or after a block that was not full."""
    root = card.block[0]
    programs: list[_Program] = []
    last_root: Block | None = None
    for block in blocks:
        layout = card.layout_of(block.kind)
        if block.kind == root.kind:
            goes_on = last_root is not None and root.size is not None and len(last_root.data) == root.size
            if not programs or not goes_on:
                programs.append(_Program([], []))
            last_root = block
        if not block.data:
            continue
        if not programs:
            programs.append(_Program([], []))
        program, piece = programs[-1], CopiedBytes.of(block)
        program.complete &= block.complete and not block.is_open
        if (
            layout.copies > 1
            and program.pieces
            and program.heard[-1] < layout.copies
            and piece.is_copy_of(program.pieces[-1])
        ):
            program.pieces[-1].add(piece, 0)
            program.heard[-1] += 1
        else:
            program.pieces.append(piece)
            program.heard.append(1)
    return [program for program in programs if program.pieces]
