"""The ``layout`` of a block: one item after another, as they stand on tape."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Discriminator, Field, Tag, model_validator

from tapewright.cards.base import CardPart, Expr, HexBytes
from tapewright.cards.checks import CheckKind

__all__ = [
    "FIELD_WIDTH",
    "UNTIL_LEAD",
    "WRITER_NAMES",
    "Check",
    "Data",
    "FieldItem",
    "Fixed",
    "Gap",
    "Item",
    "Lead",
    "Mark",
    "Sync",
    "TextField",
]

SymbolText = Annotated[str, Field(min_length=1, max_length=64)]
Seconds = Annotated[float, Field(ge=0.0, le=120.0)]
FieldName = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]{0,30}$")]
UNTIL_LEAD = "until lead"

FieldType = Literal["u8", "u16-le", "u16-be", "u24-le", "u24-be", "u32-le", "u32-be"]
#: Bytes each field type takes before coding.
FIELD_WIDTH: dict[str, int] = {
    "u8": 1, "u16-le": 2, "u16-be": 2, "u24-le": 3, "u24-be": 3, "u32-le": 4, "u32-be": 4,
}  # fmt: skip


#: What the writer knows about a block when it fills fields in; a field of this name needs no `value`.
WRITER_NAMES: dict[str, str] = {
    "start": "address of the first data byte (for a header: of the whole range)",
    "end": "address of the last data byte, inclusive",
    "length": "number of data bytes (for a header: of the whole range)",
    "run": "where the program starts running; the start address if nobody said",
    "total": "number of data bytes in the whole range",
    "index": "number of this data block, from 0",
    "blocks": "how many data blocks the range is cut into",
    "is_last": "1 in the last data block, 0 before",
    "remaining": "data bytes still to come after this block",
}


class Coded(CardPart):
    """How the bytes of an item are changed on their way to tape.

    Parameters
    ----------
    coding : {"plain", "hex"}
        ``hex``: each byte goes as two hexadecimal characters in ASCII, high one first.
    xor : int
        Exclusive-ored with every byte on tape; 255 inverts.
    add : int
        Added to every byte (mod 256) before `xor`.
    """

    coding: Literal["plain", "hex"] = "plain"
    xor: Annotated[int, Field(ge=0, le=255)] = 0
    add: Annotated[int, Field(ge=0, le=255)] = 0

    def to_tape(self, plain: bytes) -> bytes:
        """Bytes as they go on tape."""
        sent = plain.hex().upper().encode() if self.coding == "hex" else plain
        return bytes(((value + self.add) & 0xFF) ^ self.xor for value in sent)

    def value_from_tape(self, sent: int) -> int:
        """Undo `add` and `xor` for one byte from tape; `coding` is left to the caller."""
        return ((sent ^ self.xor) - self.add) & 0xFF

    @property
    def tape_bytes_per_byte(self) -> int:
        """Bytes on tape for each byte of the item."""
        return 2 if self.coding == "hex" else 1


class Lead(CardPart):
    """A leader or trailer: symbols repeated. ``{ lead = "1", seconds = 5.0, at_least = 0.2 }``.

    `seconds` is what is written, `at_least` what a reader insists on.
    """

    lead: SymbolText
    seconds: Seconds
    at_least: Seconds = 0.0

    @model_validator(mode="after")
    def _least_is_less(self) -> Lead:
        if self.at_least > self.seconds:
            raise ValueError(
                f"at_least = {self.at_least:g} is more than the {self.seconds:g} s that are written"
            )
        return self


class Sync(CardPart):
    """Bytes by which a reader finds its place. ``{ sync = "16", times = 32, at_least = 3 }``."""

    sync: HexBytes
    times: Annotated[int, Field(ge=1, le=10_000)] = 1
    at_least: Annotated[int, Field(ge=1, le=10_000)] | None = None

    @model_validator(mode="after")
    def _least_is_less(self) -> Sync:
        if self.at_least is not None and self.at_least > self.times:
            raise ValueError(f"at_least = {self.at_least} is more than the {self.times} that are written")
        return self


class Mark(CardPart):
    """Symbols outside any byte by which a reader finds its place. ``{ mark = "LS" }``."""

    mark: SymbolText


class Gap(CardPart):
    """Silence. ``{ gap = 0.5 }`` (seconds)."""

    gap: Seconds


class Fixed(Coded):
    """Bytes that are always the same. ``{ fixed = "0d 0a" }``."""

    fixed: HexBytes


class FieldItem(Coded):
    """A number. ``{ field = "start", type = "u16-le" }``.

    `value` says what is written; without it the names start, end, length, run, total, index, blocks,
    is_last and remaining mean what the writer knows of the block (see docs/format-cards.md). A field
    with a `value` of numbers alone is a constant: reading anything else there is a fault, unless it `varies`:
    then nobody knows what it means, and the value is only what to write.
    """

    field: FieldName
    type: FieldType
    value: Expr | None = None
    varies: bool = False


class TextField(Coded):
    """A name of fixed length, or with a byte at its end.

    Written ``{ text = "name", length = 8, pad = " " }`` or ``{ text = "name", end = "0d", at_most = 16 }``.
    """

    text: FieldName
    length: Annotated[int, Field(ge=1, le=255)] | None = None
    pad: Annotated[str, Field(min_length=1, max_length=1)] = " "
    end: HexBytes | None = None
    at_most: Annotated[int, Field(ge=1, le=255)] = 32

    @model_validator(mode="after")
    def _one_end(self) -> TextField:
        if (self.length is None) == (self.end is None):
            raise ValueError("give a text either a fixed 'length' or the bytes at its 'end', and not both")
        if self.end is not None and len(self.end) != 1:
            raise ValueError("the 'end' of a text is one byte")
        useless = "pad" if self.end is not None else "at_most"
        if useless in self.model_fields_set:
            other = "length" if useless == "pad" else "end"
            raise ValueError(f"'{useless}' belongs to a text with '{other}'; leave it out")
        if not self.pad.isascii():
            raise ValueError("'pad' is one ASCII character")
        return self


def _data_kind(value: Any) -> str:
    is_until = isinstance(value, str) and value.strip().startswith("until")
    return "=until" if is_until else "=expression"


class Data(Coded):
    """The program bytes. ``{ data = "end - start + 1" }`` or ``{ data = "until lead" }``."""

    data: Annotated[
        Annotated[Expr, Tag("=expression")] | Annotated[Literal["until lead"], Tag("=until")],
        Discriminator(_data_kind),
    ]

    @property
    def length(self) -> Expr | None:
        """The expression for the number of bytes, or None for "until lead"."""
        return None if isinstance(self.data, str) else self.data


class Check(Coded):
    """A check over earlier items. ``{ check = "sum8", over = ["start", "end", "data"] }``.

    Parameters
    ----------
    check : str or table
        See `tapewright.cards.checks`.
    over : list of str
        Names of fields and texts, or ``data``, ``sync``, ``fixed``, in the order they are added up.
    order : {"le", "be"}
        Byte order on tape where the check is wider than one byte.
    start : int
        Value it starts from.
    as_sent : bool
        Whether it is worked out over the bytes as they stand on tape (after coding, add and xor).
    """

    check: CheckKind
    over: Annotated[list[str], Field(min_length=1, max_length=32)]
    order: Literal["le", "be"] = "be"
    start: Annotated[int, Field(ge=0, le=0xFFFF_FFFF)] = 0
    as_sent: bool = False


ITEM_KINDS: dict[str, type[CardPart]] = {
    "lead": Lead, "sync": Sync, "mark": Mark, "gap": Gap, "fixed": Fixed,
    "field": FieldItem, "text": TextField, "data": Data, "check": Check,
}  # fmt: skip


def _item_kind(value: Any) -> str | None:
    if isinstance(value, dict):
        return next((f"={key}" for key in ITEM_KINDS if key in value), None)
    return next((f"={key}" for key, kind in ITEM_KINDS.items() if isinstance(value, kind)), None)


# Tags begin with = so that nobody takes them for a key when an error says where it is.
Item = Annotated[
    Annotated[Lead, Tag("=lead")]
    | Annotated[Sync, Tag("=sync")]
    | Annotated[Mark, Tag("=mark")]
    | Annotated[Gap, Tag("=gap")]
    | Annotated[Fixed, Tag("=fixed")]
    | Annotated[FieldItem, Tag("=field")]
    | Annotated[TextField, Tag("=text")]
    | Annotated[Data, Tag("=data")]
    | Annotated[Check, Tag("=check")],
    Discriminator(
        _item_kind,
        custom_error_type="item_kind",
        custom_error_message="an item of a layout has one of the keys " + ", ".join(ITEM_KINDS),
    ),
]
