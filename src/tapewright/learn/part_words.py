"""Items of a block in plain words."""

from __future__ import annotations

from collections.abc import Sequence

from tapewright.cards.layout import FIELD_WIDTH
from tapewright.learn.parts import Part
from tapewright.model.words import byte_count

__all__ = ["part_words", "parts_words"]

#: What a field tells, by the name the writer knows it by.
_MEANING = {
    "start": "address of the first byte", "end": "address of the last byte", "length": "number of bytes",
    "run": "address where it starts running", "total": "number of bytes in all blocks",
    "index": "number of the block", "blocks": "number of blocks", "is_last": "whether it is the last block",
    "remaining": "number of bytes still to come",
}  # fmt: skip


def part_words(part: Part, fact: str | None = None) -> str:
    """Say what an item is.

    Parameters
    ----------
    part : Part
    fact : str, optional
        What it tells, if not what it was taken to tell.

    Examples
    --------
    >>> part_words(Part("field", 0, (2,), type="u16-le", fact="end", offset=1))
    'address of the last byte plus 1, 2 bytes, low byte first'
    """
    if part.kind == "constant":
        return f"always {part.value.hex(' ').upper()}"
    if part.kind == "unknown":
        return f"{byte_count(part.widths[0])} that may differ"
    if part.kind == "text" and part.is_ended:
        return f"a name, ended by {part.value.hex().upper()}"
    if part.kind == "text":
        return f"a name of {part.widths[0]} characters, filled up with {part.value.hex().upper()}"
    told = fact or part.fact
    if told == "two":
        meaning = f"{part.two[0]:02X} in the last block, {part.two[1]:02X} before"
    else:
        sign = "plus" if part.offset > 0 else "minus"
        size = abs(part.offset)
        number = f"{size:X}h" if size > 9 else str(size)
        meaning = _MEANING[told] + (f" {sign} {number}" if part.offset else "")
    order = {"le": ", low byte first", "be": ", high byte first"}.get(part.type.partition("-")[2], "")
    hexadecimal = " as hexadecimal characters" if part.coding == "hex" else ""
    return f"{meaning}, {byte_count(FIELD_WIDTH[part.type])}{order}{hexadecimal}"


def parts_words(parts: Sequence[Part]) -> str:
    """Say what several items are, one after another."""
    return "; then ".join(part_words(part) for part in parts)
