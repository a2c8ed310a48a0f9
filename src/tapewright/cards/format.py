"""The format card: how one kind of machine puts bytes on tape."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError

from tapewright.cards.base import CardName, CardPart, Expr, Text
from tapewright.cards.layout import (
    FIELD_WIDTH,
    WRITER_NAMES,
    Check,
    Data,
    FieldItem,
    Item,
    TextField,
)
from tapewright.cards.rules import card_problems
from tapewright.cards.symbols import Piece

__all__ = ["WRITER_NAMES", "BlockLayout", "ByteFormat", "FormatCard", "LastWhen"]


class ByteFormat(CardPart):
    """The ``[byte]`` table: how a byte becomes symbols."""

    bits: Annotated[int, Field(ge=5, le=8)] = 8
    order: Literal["lsb", "msb"] = "lsb"
    start: Annotated[str, Field(max_length=8)] = ""
    stop: Annotated[str, Field(max_length=8)] = ""
    parity: Literal["none", "even", "odd", "mark", "space"] = "none"

    @property
    def symbols_per_byte(self) -> int:
        """Symbols from the start of a byte to the end of its stop."""
        return len(self.start) + self.bits + (self.parity != "none") + len(self.stop)

    @property
    def is_asynchronous(self) -> bool:
        """Whether every byte announces itself, so that idle time may stand between bytes."""
        return bool(self.start)


class LastWhen(CardPart):
    """The mark of the last block: a field of it has this value."""

    field: str
    equals: Annotated[int, Field(ge=0)]


class BlockLayout(CardPart):
    """One ``[[block]]`` table: a kind of block and what stands in it, in order.

    Parameters
    ----------
    kind : str
    after : str, optional
        The kind of block this one follows; its fields can be used in expressions here.
    size : int, optional
        The writer cuts the data into blocks of at most this many bytes.
    total : expression, optional
        How many bytes all blocks of this kind after one header hold: a reader goes on until it has them.
    last_when : table, optional
        The other way to end: ``last_when = { field = "flag", equals = 255 }``.
    copies : int
        How many times each block stands on tape.
    load : expression, optional
        Memory address of the first data byte, from the fields; in a header without data, of the first data
        block after it. Without it a block after a header goes on where the one before it ended; elsewhere
        the address is not known.
    """

    kind: Annotated[str, Field(pattern=r"^[a-z][a-z0-9-]{0,30}$")]
    layout: Annotated[list[Item], Field(min_length=1, max_length=64)]
    after: str | None = None
    size: Annotated[int, Field(ge=1, le=65_536)] | None = None
    total: Expr | None = None
    last_when: LastWhen | None = None
    copies: Annotated[int, Field(ge=1, le=8)] = 1
    load: Expr | None = None

    @property
    def data(self) -> Data | None:
        """The item that holds program bytes, or None for a pure header."""
        return next((item for item in self.layout if isinstance(item, Data)), None)

    @property
    def field_names(self) -> list[str]:
        """Names of the numbers in this block, in order."""
        return [item.field for item in self.layout if isinstance(item, FieldItem)]

    @property
    def text_names(self) -> list[str]:
        """Names of the texts in this block, in order."""
        return [item.text for item in self.layout if isinstance(item, TextField)]

    @property
    def checks(self) -> list[Check]:
        """All checks of the block."""
        return [item for item in self.layout if isinstance(item, Check)]


class FormatCard(CardPart):
    """A whole format card.

    Load one with :func:`tapewright.cards.load_format`; see docs/format-cards.md for how to write one.
    """

    card: Literal["format"]
    name: CardName
    title: Text
    source: Text
    notes: Text = ""
    symbols: Annotated[
        dict[str, Annotated[list[Piece], Field(min_length=1, max_length=64)]],
        Field(max_length=16),
    ]
    byte: ByteFormat = Field(default_factory=ByteFormat)
    block: Annotated[list[BlockLayout], Field(min_length=1, max_length=8)]

    def layout_of(self, kind: str) -> BlockLayout:
        """The block layout of that kind."""
        return next(block for block in self.block if block.kind == kind)

    @property
    def carries_addresses(self) -> bool:
        """Whether a reader learns where the data loads."""
        return any(block.load is not None for block in self.block)

    @model_validator(mode="after")
    def _consistent(self) -> FormatCard:
        for key, problem in card_problems(self):
            raise PydanticCustomError("card_rule", "{key}: {problem}", {"key": key, "problem": problem})
        return self


def tape_width(item: FieldItem) -> int:
    """Bytes a field takes on tape."""
    return FIELD_WIDTH[item.type] * item.tape_bytes_per_byte
