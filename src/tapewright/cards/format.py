"""The format card: how one kind of machine puts bytes on tape."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Literal

from pydantic import Field, model_validator

from tapewright.cards.base import CardName, CardPart, Expr, Text
from tapewright.cards.expression import Expression
from tapewright.cards.layout import (
    FIELD_WIDTH,
    Check,
    Data,
    FieldItem,
    Fixed,
    Item,
    Lead,
    Mark,
    Sync,
    TextField,
)
from tapewright.cards.symbols import HalfWaves, Levels, Piece, Silence, Tone

__all__ = ["WRITER_NAMES", "BlockLayout", "ByteFormat", "FormatCard", "LastWhen"]

LONGEST_SYMBOL_SECONDS = 2.0

#: What the writer knows about a block when it fills fields in; a field of this name needs no `value`.
WRITER_NAMES: dict[str, str] = {
    "start": "address of the block's first data byte (for a header: of the whole range)",
    "end": "address of the last data byte, inclusive",
    "length": "number of data bytes (for a header: of the whole range)",
    "run": "where the program starts running; the start address if nobody said",
    "total": "number of data bytes in the whole range",
    "index": "number of this data block, from 0",
    "blocks": "how many data blocks the range is cut into",
    "is_last": "1 in the last data block, 0 before",
    "remaining": "data bytes still to come after this block",
}


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
        Memory address of the first data byte, from the fields. Without it a block after a header goes on
        where the one before it ended; elsewhere the address is not known.
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
        for problem in _symbol_problems(self):
            raise ValueError(problem)
        for problem in _block_problems(self):
            raise ValueError(problem)
        return self


def _piece_seconds(piece: Tone | HalfWaves | Levels | Silence) -> float:
    if isinstance(piece, Tone):
        return piece.seconds
    if isinstance(piece, HalfWaves):
        return sum(piece.half_waves) * 1e-6
    if isinstance(piece, Levels):
        return sum(us for _, us in piece.levels) * 1e-6
    return piece.silence * 1e-6


def _symbol_problems(card: FormatCard) -> Iterator[str]:
    names = card.symbols
    for name, pieces in names.items():
        if len(name) != 1 or not name.isprintable() or name in " .":
            yield f"symbols: {name!r} is not a symbol name; use one printable character other than '.'"
        seconds = sum(_piece_seconds(piece) for piece in pieces)
        if seconds > LONGEST_SYMBOL_SECONDS:
            yield f'symbols."{name}": it lasts {seconds:g} s; {LONGEST_SYMBOL_SECONDS:g} s is the most'
        if all(isinstance(piece, Silence) for piece in pieces) and len(names) == 1:
            yield f'symbols."{name}": the only symbol cannot be silence'
    for bit in "01":
        if bit not in names:
            yield f'symbols: "{bit}" is missing; every card says what a 0 and a 1 sound like'
    for where, text in _symbol_texts(card):
        for character in text:
            if character not in names:
                yield f'{where}: symbol "{character}" is not in [symbols]; it has {", ".join(names)}'


def _symbol_texts(card: FormatCard) -> Iterator[tuple[str, str]]:
    yield "byte.start", card.byte.start
    yield "byte.stop", card.byte.stop
    for number, block in enumerate(card.block):
        for place, item in enumerate(block.layout):
            if isinstance(item, Lead):
                yield f"block[{number}].layout[{place}].lead", item.lead
            elif isinstance(item, Mark):
                yield f"block[{number}].layout[{place}].mark", item.mark


def _block_problems(card: FormatCard) -> Iterator[str]:
    byte = card.byte
    if byte.is_asynchronous and not byte.stop:
        yield "byte.stop: a byte with start symbols needs stop symbols, or no byte can be told from the next"
    if byte.start and byte.stop and byte.start[0] == byte.stop[-1]:
        yield "byte.start: it begins with the symbol that stop ends with, so no byte could be told from idle tape"
    if byte.bits + (byte.parity != "none") > 9:
        yield "byte.bits: 8 bits with parity is the most"
    earlier: dict[str, BlockLayout] = {}
    for number, block in enumerate(card.block):
        where = f"block[{number}]"
        if block.kind in earlier:
            yield f"{where}.kind: '{block.kind}' is used twice"
        if block.after is not None and block.after not in earlier:
            known = ", ".join(earlier) or "none"
            yield f"{where}.after: no earlier block is of kind '{block.after}' (earlier: {known})"
        if number > 0 and block.after is None:
            yield f"{where}.after: say which kind of block this one follows"
        yield from _layout_problems(card, where, block, earlier)
        earlier[block.kind] = block
    if not any(block.data is not None for block in card.block):
        yield "block: no block has a { data = ... } item, so no program could be stored"


def _layout_problems(
    card: FormatCard, where: str, block: BlockLayout, earlier: dict[str, BlockLayout]
) -> Iterator[str]:
    inherited = (
        set(earlier[block.after].field_names)
        if block.after in earlier and block.after
        else set()
    )
    numbers: set[str] = set(inherited)
    coverable: set[str] = set()
    anchored = card.byte.is_asynchronous
    for place, item in enumerate(block.layout):
        at = f"{where}.layout[{place}]"
        if isinstance(item, (Sync, Mark)):
            anchored = True
        if isinstance(item, Sync):
            coverable.add("sync")
        elif isinstance(item, Fixed):
            coverable.add("fixed")
        if (
            isinstance(item, (Fixed, FieldItem, TextField, Data, Check))
            and not anchored
        ):
            yield (
                f"{at}: bytes without start symbols need a {{ sync = ... }} or {{ mark = ... }} before them,"
                " or nobody can tell where the first byte begins"
            )
        if isinstance(item, FieldItem):
            if item.field in coverable or item.field in ("data", "sync", "fixed"):
                yield f"{at}.field: the name '{item.field}' is taken"
            if item.value is None and item.field not in WRITER_NAMES:
                yield (
                    f"{at}.value: '{item.field}' is not a name the writer knows ({', '.join(WRITER_NAMES)});"
                    " say what to write"
                )
            if item.value is not None:
                yield from _unknown(
                    f"{at}.value", item.value, numbers | set(WRITER_NAMES)
                )
            numbers.add(item.field)
            coverable.add(item.field)
        elif isinstance(item, TextField):
            coverable.add(item.text)
        elif isinstance(item, Data):
            if "data" in coverable:
                yield f"{at}.data: a block holds its data in one place"
            coverable.add("data")
            if item.length is not None:
                yield from _unknown(f"{at}.data", item.length, numbers)
            elif not card.byte.is_asynchronous:
                yield f'{at}.data: "until lead" needs bytes with start symbols, or the end cannot be told'
            elif any(
                isinstance(later, (Fixed, FieldItem, TextField, Check))
                for later in block.layout[place + 1 :]
            ):
                yield f'{at}.data: nothing but leads and gaps can follow data "until lead"'
        elif isinstance(item, Check):
            for name in item.over:
                if name not in coverable:
                    known = ", ".join(sorted(coverable)) or "none"
                    yield f"{at}.over: '{name}' is not an earlier item of this block (earlier: {known})"
    for key in ("load", "total"):
        expression = getattr(block, key)
        if expression is not None:
            yield from _unknown(f"{where}.{key}", expression, numbers)
    if block.last_when is not None and block.last_when.field not in block.field_names:
        yield f"{where}.last_when.field: '{block.last_when.field}' is not a field of this block"
    if block.size is not None and block.data is None:
        yield f"{where}.size: a block without data has no size"
    if (
        block.size is not None
        and block.after is not None
        and block.total is None
        and block.last_when is None
    ):
        yield f"{where}: blocks cut by size need 'total' or 'last_when', or a reader cannot tell the last"


def _unknown(where: str, expression: Expression, known: set[str]) -> Iterator[str]:
    for name in sorted(expression.names - known):
        yield f"{where}: '{name}' is not known here; known are {', '.join(sorted(known)) or 'no names'}"


def tape_width(item: FieldItem) -> int:
    """Bytes a field takes on tape."""
    return FIELD_WIDTH[item.type] * item.tape_bytes_per_byte
