"""Copies of a block of which none passes its check, put together so that the whole does."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import islice, product

import numpy as np
import numpy.typing as npt

from tapewright.blocks.combine import CopiedBytes
from tapewright.blocks.items import Covered, number_to_bytes
from tapewright.cards import BlockLayout, FormatCard, check_width_bytes
from tapewright.cards.layout import FIELD_WIDTH, Check, Data, FieldItem, Fixed, Sync, TextField
from tapewright.model import Block, Fault
from tapewright.model.reading import FieldValue, unvouched

__all__ = ["mended"]

Fields = Mapping[str, FieldValue]

#: Combinations of fields and checks tried where copies differ in those; each could pass by chance.
MOST_TRIED = 4
#: A combination that passes is believed if it is wrong with less than this probability.
MOST_FALSE = 1e-3


def mended(blocks: Sequence[Block], card: FormatCard) -> tuple[Block, ...]:
    """Try the bytes of several bad copies together against the check of the block.

    Of each byte the value is taken that the copies together make likeliest. Where the check then agrees, the
    copy that gave most of the bytes is returned as repaired, with those of the others in
    `repaired_offsets` and a fault of kind ``combined`` that says how many came from where.

    Parameters
    ----------
    blocks : sequence of Block
        Of one recording, or of several of the same save, one after the other.
    card : FormatCard

    Returns
    -------
    tuple of Block
        The same blocks in the same order, repaired ones in the place of bad ones.
    """
    out = list(blocks)
    for copies in _copies(unvouched(blocks), card):
        repaired = _together(copies, card)
        if repaired is not None:
            base, block = repaired
            out[next(k for k, other in enumerate(out) if other is base)] = block
    return tuple(out)


def _copies(blocks: Sequence[Block], card: FormatCard) -> list[list[Block]]:
    """Sort out which blocks are copies of one another; those without any are left out."""
    groups: list[list[Block]] = []
    for block in blocks:
        if not (block.complete and block.data and block.check == "bad"):
            continue
        for group in groups:
            first = group[0]
            is_same = first.kind == block.kind and first.address == block.address
            if is_same and CopiedBytes.of(block).is_copy_of(CopiedBytes.of(first)):
                group.append(block)
                break
        else:
            groups.append([block])
    return [group for group in groups if len(group) > 1]


def _together(copies: Sequence[Block], card: FormatCard) -> tuple[Block, Block] | None:
    """Give the copy with most of the bytes, and what became of it; None if the check does not agree."""
    layout = card.layout_of(copies[0].kind)
    held = CopiedBytes.of(copies[0])
    for block in copies[1:]:
        held.add(CopiedBytes.of(block), 0)
    if np.any(held.weight <= 0):
        return None
    data = held.value.tobytes()
    tried = list(islice(product(_field_sets(copies), _said_sets(copies, layout)), MOST_TRIED))
    for fields, said in tried:
        if check_values(layout, fields, data) == said:
            break
    else:
        return None
    passes = len(tried) * 2.0 ** -max(8 * check_width_bytes(item.check) for item in layout.checks)
    right = float(np.prod(held.confidence))
    wrong = (1.0 - right) * passes / max(right + (1.0 - right) * passes, 1e-300)
    if wrong > MOST_FALSE:
        return None
    return _repaired(copies, held.value, 1.0 - wrong, fields, len(tried))


def _repaired(
    copies: Sequence[Block], value: npt.NDArray[np.uint8], sure: float, fields: Fields, tried: int
) -> tuple[Block, Block]:
    agrees = np.stack([np.frombuffer(b.data, np.uint8) == value for b in copies])
    agrees &= np.stack([b.byte_confidence > 0 for b in copies])
    base = copies[int(np.argmax(agrees.sum(axis=1)))]
    kept = agrees[[block is base for block in copies]][0]
    source = np.argmax(agrees, axis=0)
    seconds = np.where(
        kept, base.byte_seconds, np.stack([b.byte_seconds for b in copies])[source, range(len(value))]
    )
    given = [int(np.count_nonzero(~kept & (source == k))) for k in range(len(copies))]
    parts = [f"{int(kept.sum())} bytes are its own"]
    for block, count in zip(copies, given, strict=True):
        if block is not base and count:
            are = "1 comes" if count == 1 else f"{count} come"
            parts.append(f"{are} from the copy at {block.span.start_seconds:.3f} s")
    combinations = "1 combination was tried" if tried == 1 else f"{tried} combinations were tried at most"
    text = (
        f"of {len(copies)} bad copies of this block one good one was made, and its check agrees:"
        f" {', '.join(parts)} ({combinations})"
    )
    return base, replace(
        base,
        fields=dict(fields),
        data=value.tobytes(),
        byte_confidence=np.full(len(value), sure),
        byte_seconds=seconds,
        check="repaired",
        repaired_offsets=tuple(int(k) for k in np.flatnonzero(~kept)),
        faults=(Fault("combined", text, base.span),),
    )


def _field_sets(copies: Sequence[Block]) -> Iterator[Fields]:
    """Every choice among the values that copies have for a field, those of most copies first."""
    names = list(dict.fromkeys(name for block in copies for name in block.fields))
    choices = []
    for name in names:
        seen = [block.fields[name] for block in copies if name in block.fields]
        choices.append(sorted(dict.fromkeys(seen), key=lambda value, seen=seen: -seen.count(value)))  # type: ignore[misc]
    for values in product(*choices):
        yield dict(zip(names, values, strict=True))


def _said_sets(copies: Sequence[Block], layout: BlockLayout) -> list[tuple[int, ...]]:
    """What the checks say in any of the copies that could read them."""
    wanted = len(layout.checks)
    said = [block.check_said for block in copies]
    return [each for each in dict.fromkeys(said) if len(each) == wanted and min(each) >= 0]


def check_values(layout: BlockLayout, fields: Fields, data: bytes) -> tuple[int, ...] | None:
    """Work out what the checks of a block must say.

    Returns
    -------
    tuple of int or None
        None if a field is not known, or the block was filled up with bytes that are not.
    """
    covered, found = Covered(), []
    for item in layout.layout:
        if isinstance(item, Sync):
            covered.add("sync", item.sync, item.sync)
        elif isinstance(item, Fixed):
            covered.add("fixed", item.fixed, item.to_tape(item.fixed))
        elif isinstance(item, FieldItem):
            value = fields.get(item.field)
            if not isinstance(value, int) or value.bit_length() > 8 * FIELD_WIDTH[item.type]:
                return None
            plain = number_to_bytes(value, item.type)
            covered.add(item.field, plain, item.to_tape(plain))
        elif isinstance(item, TextField):
            text = fields.get(item.text)
            if not isinstance(text, str) or not text.isascii():
                return None
            shown = text.ljust(item.length, item.pad) if item.length is not None else text
            plain = shown.encode("ascii") + (item.end or b"")
            covered.add(item.text, plain, item.to_tape(plain))
        elif isinstance(item, Data):
            if item.length is not None and not item.length.names and item.length.value({}) != len(data):
                return None
            covered.add("data", data, item.to_tape(data))
        elif isinstance(item, Check):
            found.append(covered.check(item))
    return tuple(found)
