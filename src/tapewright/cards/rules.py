"""What must hold in a format card as a whole: names that exist, bytes that can be found, times that end."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from tapewright.cards.base import near_word
from tapewright.cards.checks import check_width_bytes
from tapewright.cards.expression import Expression
from tapewright.cards.layout import (
    FIELD_WIDTH,
    WRITER_NAMES,
    Check,
    Data,
    FieldItem,
    Fixed,
    Gap,
    Lead,
    Mark,
    Sync,
    TextField,
)
from tapewright.cards.symbols import HalfWaves, Levels, Piece, Silence, Tone
from tapewright.model import CardError
from tapewright.model.words import byte_count

if TYPE_CHECKING:
    from tapewright.cards.format import BlockLayout, FormatCard

__all__ = ["card_problems"]

#: Limits, chosen: wider than any format on tape, narrow enough that writing a block always comes to an end.
LONGEST_SYMBOL_SECONDS = 2.0
LONGEST_BIT_SECONDS = 0.2
LONGEST_FRAME_SECONDS = 600.0

#: Where in the card, and what is wrong there.
Problem = tuple[str, str]
RESERVED_NAMES = ("data", "sync", "fixed")


def card_problems(card: FormatCard) -> Iterator[Problem]:
    """Yield what is wrong with a card whose parts are each well formed, most basic first."""
    yield from _symbol_problems(card)
    yield from _byte_problems(card)
    yield from _block_problems(card)


def piece_seconds(piece: Piece) -> float:
    """Length of a piece of a symbol."""
    if isinstance(piece, Tone):
        return piece.seconds
    if isinstance(piece, HalfWaves):
        return sum(piece.half_waves) * 1e-6
    if isinstance(piece, Levels):
        return sum(us for _, us in piece.levels) * 1e-6
    return piece.silence * 1e-6


def _symbol_seconds(card: FormatCard) -> dict[str, float]:
    return {name: sum(map(piece_seconds, pieces)) for name, pieces in card.symbols.items()}


def _symbol_problems(card: FormatCard) -> Iterator[Problem]:
    names = card.symbols
    for name, seconds in _symbol_seconds(card).items():
        where = f'symbols."{name[:20]}"'
        if len(name) != 1 or not name.isprintable() or name in " .":
            yield (
                where,
                "this is not a symbol name; use one printable character other than '.' and the space",
            )
        longest = LONGEST_BIT_SECONDS if name in "01" else LONGEST_SYMBOL_SECONDS
        if seconds > longest:
            yield where, f"it lasts {seconds:g} s; {longest:g} s is the most"
    for bit in "01":
        if bit not in names:
            yield "symbols", f'"{bit}" is missing; every card says what a 0 and a 1 sound like'
    earlier: dict[str, list[Piece]] = {}
    for name, pieces in names.items():
        for other, its_pieces in earlier.items():
            if pieces == its_pieces:
                yield (
                    f'symbols."{name}"',
                    f'it sounds the same as "{other}", so nobody could tell which it is',
                )
        earlier[name] = pieces
    for where, text in _symbol_texts(card):
        for character in text:
            if character not in names:
                yield where, f'symbol "{character}" is not in [symbols], which has {", ".join(names)}'


def _symbol_texts(card: FormatCard) -> Iterator[tuple[str, str]]:
    yield "byte.start", card.byte.start
    yield "byte.stop", card.byte.stop
    for number, block in enumerate(card.block):
        for place, item in enumerate(block.layout):
            if isinstance(item, Lead):
                yield f"block[{number}].layout[{place}].lead", item.lead
            elif isinstance(item, Mark):
                yield f"block[{number}].layout[{place}].mark", item.mark


def _byte_problems(card: FormatCard) -> Iterator[Problem]:
    byte = card.byte
    if byte.is_asynchronous and not byte.stop:
        yield (
            "byte.stop",
            "a byte with start symbols needs stop symbols, or no byte can be told from the next",
        )
    if byte.start and byte.stop and byte.start[0] == byte.stop[-1]:
        yield (
            "byte.start",
            "it begins with the symbol that stop ends with, so no byte could be told from idle tape",
        )


def _block_problems(card: FormatCard) -> Iterator[Problem]:
    earlier: dict[str, BlockLayout] = {}
    for number, block in enumerate(card.block):
        where = f"block[{number}]"
        if block.kind in earlier:
            yield f"{where}.kind", f"'{block.kind}' is used twice"
        if block.after is not None and block.after not in earlier:
            hint = near_word(block.after, earlier) or f"; earlier are {', '.join(earlier) or 'none'}"
            yield f"{where}.after", f"no earlier block is of kind '{block.after[:40]}'{hint}"
        if number > 0 and block.after is None:
            yield (
                f"{where}.after",
                "this key is missing; say which kind of block this one follows",
            )
        yield from _layout_problems(card, where, block, earlier.get(block.after or ""))
        yield from _length_problems(card, where, block)
        earlier[block.kind] = block
    if not any(block.data is not None for block in card.block):
        yield (
            "block",
            "no block has a { data = ... } item, so no program could be stored",
        )


def _layout_problems(
    card: FormatCard, where: str, block: BlockLayout, header: BlockLayout | None
) -> Iterator[Problem]:
    numbers = set(header.field_names) if header else set()
    coverable: set[str] = set()
    anchored = card.byte.is_asynchronous
    for place, item in enumerate(block.layout):
        at = f"{where}.layout[{place}]"
        if isinstance(item, (Sync, Mark)):
            anchored = True
        if not anchored and isinstance(item, (Fixed, FieldItem, TextField, Data, Check)):
            yield (
                at,
                "bytes without start symbols need a { sync = ... } or { mark = ... } before them,"
                " or nobody can tell where the first byte begins",
            )
        if isinstance(item, Lead):
            if all(isinstance(piece, Silence) for name in item.lead for piece in card.symbols[name]):
                yield f"{at}.lead", "this leader is silent; write { gap = ... } for silence"
        elif isinstance(item, (Sync, Fixed)):
            sent = item.sync if isinstance(item, Sync) else item.to_tape(item.fixed)
            key = "sync" if isinstance(item, Sync) else "fixed"
            if max(sent) >> card.byte.bits:
                yield f"{at}.{key}", f"byte {max(sent):02x} does not fit in {card.byte.bits} bits"
            coverable.add(key)
        elif isinstance(item, FieldItem):
            if item.field in coverable or item.field in RESERVED_NAMES:
                yield f"{at}.field", f"the name '{item.field}' is taken"
            yield from _field_value_problems(at, item, numbers)
            numbers.add(item.field)
            coverable.add(item.field)
        elif isinstance(item, TextField):
            if item.text in coverable or item.text in RESERVED_NAMES:
                yield f"{at}.text", f"the name '{item.text}' is taken"
            coverable.add(item.text)
        elif isinstance(item, Data):
            if "data" in coverable:
                yield f"{at}.data", "a block holds its data in one place"
            coverable.add("data")
            yield from _data_problems(card, at, block, place, numbers)
        elif isinstance(item, Check):
            yield from _check_problems(at, item, coverable)
    yield from _block_key_problems(where, block, numbers)


def _field_value_problems(at: str, item: FieldItem, numbers: set[str]) -> Iterator[Problem]:
    if item.varies and (item.value is None or item.value.names):
        yield f"{at}.varies", "it belongs to a field whose 'value' is a plain number; leave it out"
    if item.value is None:
        if item.field not in WRITER_NAMES:
            yield (
                f"{at}.value",
                f"this key is missing; say what to write, as '{item.field}' is none of the names the writer"
                f" knows ({', '.join(WRITER_NAMES)})",
            )
        return
    yield from _unknown(f"{at}.value", item.value, numbers | set(WRITER_NAMES))
    if not item.value.names:
        yield from _constant_problems(f"{at}.value", item.value, 8 * FIELD_WIDTH[item.type])


def _constant_problems(where: str, expression: Expression, bits: int) -> Iterator[Problem]:
    try:
        value = expression.value({})
    except CardError as error:
        yield where, str(error)
        return
    if value < 0 or value >> bits:
        yield where, f"{value} does not fit in {bits} bits"


def _data_problems(
    card: FormatCard, at: str, block: BlockLayout, place: int, numbers: set[str]
) -> Iterator[Problem]:
    data = block.layout[place]
    if isinstance(data, Data) and data.length is not None:
        yield from _unknown(f"{at}.data", data.length, numbers)
        if not data.length.names:
            yield from _constant_problems(f"{at}.data", data.length, 24)
    elif not card.byte.is_asynchronous:
        yield f"{at}.data", '"until lead" needs bytes with start symbols, or the end cannot be told'
    elif not all(isinstance(later, (Lead, Gap)) for later in block.layout[place + 1 :]):
        yield f"{at}.data", 'nothing but leads and gaps can follow data "until lead"'


def _check_problems(at: str, item: Check, coverable: set[str]) -> Iterator[Problem]:
    for name in item.over:
        if name not in coverable:
            hint = near_word(name, coverable) or f"; earlier are {', '.join(sorted(coverable)) or 'none'}"
            yield f"{at}.over", f"'{name[:40]}' is not an earlier item of this block{hint}"
    width = check_width_bytes(item.check)
    if item.start >> 8 * width:
        yield f"{at}.start", f"it does not fit in the {byte_count(width)} of the check"


def _block_key_problems(where: str, block: BlockLayout, numbers: set[str]) -> Iterator[Problem]:
    for key, expression in (("load", block.load), ("total", block.total)):
        if expression is not None:
            yield from _unknown(f"{where}.{key}", expression, numbers)
    if block.last_when is not None and block.last_when.field not in block.field_names:
        yield f"{where}.last_when.field", f"'{block.last_when.field[:40]}' is not a field of this block"
    for key in ("size", "total", "last_when"):
        if block.data is None and getattr(block, key) is not None:
            yield f"{where}.{key}", "it has no meaning in a block without data"
    if block.size is not None and block.after is not None and block.total is None and block.last_when is None:
        yield where, "blocks cut by size need 'total' or 'last_when', or a reader cannot tell the last"


def _length_problems(card: FormatCard, where: str, block: BlockLayout) -> Iterator[Problem]:
    """Refuse blocks whose leads, gaps, marks and fixed bytes alone would take hours."""
    symbol = _symbol_seconds(card)
    byte_seconds = card.byte.symbols_per_byte * max(
        symbol[name] for name in {*"01", *card.byte.start, *card.byte.stop}
    )
    seconds = 0.0
    for item in block.layout:
        if isinstance(item, Lead):
            # a lead is made of whole rounds of its symbols
            seconds += item.seconds + sum(symbol[name] for name in item.lead)
        elif isinstance(item, Gap):
            seconds += item.gap
        elif isinstance(item, Mark):
            seconds += sum(symbol[name] for name in item.mark)
        elif isinstance(item, Sync):
            seconds += item.times * len(item.sync) * byte_seconds
        elif isinstance(item, Fixed):
            seconds += len(item.fixed) * item.tape_bytes_per_byte * byte_seconds
    if seconds * block.copies > LONGEST_FRAME_SECONDS:
        yield (
            f"{where}.layout",
            f"leads, gaps, sync and marks take {seconds * block.copies:.0f} s;"
            f" {LONGEST_FRAME_SECONDS:g} s is the most",
        )


def _unknown(where: str, expression: Expression, known: set[str]) -> Iterator[Problem]:
    for name in sorted(expression.names - known):
        hint = near_word(name, known) or f"; known are {', '.join(sorted(known)) or 'no names'}"
        yield where, f"'{name[:40]}' is not known here{hint}"
