"""A format card told in plain words, for people who decide whether this is their machine's format."""

from __future__ import annotations

from collections.abc import Iterator

from tapewright.cards.alphabet import Alphabet, SymbolShape
from tapewright.cards.checks import check_width_bytes
from tapewright.cards.format import BlockLayout, FormatCard
from tapewright.cards.layout import (
    FIELD_WIDTH,
    WRITER_NAMES,
    Check,
    Coded,
    Data,
    FieldItem,
    Fixed,
    Gap,
    Item,
    Lead,
    Mark,
    Sync,
    TextField,
)
from tapewright.cards.symbols import HalfWaves, Levels, Piece, Tone

__all__ = ["describe_format", "symbol_words"]

_CHECKS = {
    "sum8": "sum of the bytes, 8 bits",
    "sum8-neg": "two's complement of the sum, 8 bits: bytes and check add up to 0",
    "xor8": "exclusive or of the bytes, 8 bits",
    "sum16": "sum of the bytes, 16 bits",
    "fletcher16": "Fletcher's checksum, 16 bits",
}
_PARITY = {
    "none": "no parity",
    "even": "even parity",
    "odd": "odd parity",
    "mark": "a 1 in place of parity",
    "space": "a 0 in place of parity",
}
_BYTE_ORDERS = {"le": "low byte first", "be": "high byte first"}
#: More pieces than this are counted, not listed.
MOST_LISTED = 4


def describe_format(card: FormatCard) -> list[str]:
    """Describe a format in plain words.

    Parameters
    ----------
    card : FormatCard

    Returns
    -------
    list of str
        Lines, in order: name, source, notes, symbols, bit rate, byte, blocks with what stands in them in
        order of time, check, addresses. Items of a list are indented by two spaces.

    Examples
    --------
    >>> from tapewright.cards import load_format
    >>> describe_format(load_format("kcs-300"))[0]
    'kcs-300: Kansas City standard, 300 bit/s'
    """
    alphabet = Alphabet.of(card)
    lines = [f"{card.name}: {card.title}", f"Source: {card.source}"]
    lines += card.notes.strip().splitlines()
    lines.append("Symbols:")
    for shape, pieces in zip(alphabet.shapes, card.symbols.values(), strict=True):
        lines.append(f"  {shape.name} is {_sound(shape, pieces)}")
    lines += [_rate(card, alphabet), _byte(card)]
    for block in card.block:
        lines.append(_block(block))
        lines += [f"  {_item(item, block.data is None)}" for item in block.layout]
        lines += _loading(block, card)
    lines += [_check_summary(card), _address_summary(card)]
    return lines


def _number(value: float, unit: str) -> str:
    return f"{value:.4g} {unit}"


def _milliseconds(seconds: float) -> str:
    return _number(seconds * 1e3, "ms")


def _seconds(seconds: float) -> str:
    return f"{seconds:g} s"


def _sound(shape: SymbolShape, pieces: list[Piece]) -> str:
    return f"{symbol_words(pieces)} ({_milliseconds(shape.seconds)})"


def symbol_words(pieces: list[Piece]) -> str:
    """Say what a symbol sounds like, as part of a sentence."""
    listed = [_piece(piece) for piece in pieces]
    if len(listed) > MOST_LISTED:
        listed = [*listed[:MOST_LISTED], f"{len(listed) - MOST_LISTED} more pieces"]
    return ", then ".join(listed)


def _piece(piece: Piece) -> str:
    if isinstance(piece, Tone):
        if piece.cycles is None:
            return f"a tone of {piece.tone:g} Hz for {_milliseconds(piece.seconds)}"
        return f"{piece.cycles:g} {'cycle' if piece.cycles == 1 else 'cycles'} of {piece.tone:g} Hz"
    if isinstance(piece, HalfWaves):
        lengths = " + ".join(f"{us:.4g}" for us in piece.half_waves[: 2 * MOST_LISTED])
        more = " + ..." if len(piece.half_waves) > 2 * MOST_LISTED else ""
        word = "half-wave" if len(piece.half_waves) == 1 else "half-waves"
        return f"{word} of {lengths}{more} us"
    if isinstance(piece, Levels):
        steps = ", ".join(f"{level:+.2g} for {us:.4g} us" for level, us in piece.levels[: 2 * MOST_LISTED])
        return f"level {steps}{', ...' if len(piece.levels) > 2 * MOST_LISTED else ''}"
    return f"silence for {_milliseconds(piece.silence * 1e-6)}"


def _rate(card: FormatCard, alphabet: Alphabet) -> str:
    rate = 1 / alphabet.mean_bit_seconds
    if alphabet.equal_lengths:
        return f"Bit rate: {rate:.4g} bit/s"
    zero, one = (alphabet.shapes[alphabet.names.index(bit)].seconds for bit in "01")
    longer, shorter = ("0", "1") if zero > one else ("1", "0")
    return f"Bit rate: about {rate:.4g} bit/s on random bytes; a {longer} takes longer than a {shorter}"


def _byte(card: FormatCard) -> str:
    byte = card.byte
    order = "least" if byte.order == "lsb" else "most"
    parts = [f"{byte.bits} bits, {order} significant first", _PARITY[byte.parity]]
    if byte.start:
        parts.insert(0, f"start {byte.start}")
    parts.append(f"stop {byte.stop}" if byte.stop else "no start and stop symbols")
    return f"A byte: {', '.join(parts)}; {byte.symbols_per_byte} symbols in all"


def _block(block: BlockLayout) -> str:
    text = f"Block '{block.kind}'"
    if block.after is not None:
        text += f", after '{block.after}'"
    if block.size is not None:
        text += f", at most {block.size} bytes of data each"
    if block.copies > 1:
        text += f", {block.copies} copies of each"
    return text + ":"


def _item(item: Item, is_header: bool) -> str:
    if isinstance(item, Lead):
        least = f" (a reader wants {_seconds(item.at_least)})" if item.at_least else ""
        return f"leader of {item.lead}, {_seconds(item.seconds)}{least}"
    if isinstance(item, Gap):
        return f"silence, {_seconds(item.gap)}"
    if isinstance(item, Mark):
        return f"mark of symbols {item.mark}"
    if isinstance(item, Sync):
        times = f", {item.times} times" if item.times > 1 else ""
        least = f" (a reader wants {item.at_least})" if item.at_least else ""
        return f"sync {item.sync.hex(' ')}{times}{least}"
    what, meaning = _bytes_item(item, is_header)
    return what + _coding(item) + (f": {meaning}" if meaning else "")


def _bytes_item(item: Fixed | FieldItem | TextField | Data | Check, is_header: bool) -> tuple[str, str]:
    if isinstance(item, Fixed):
        return f"always {item.fixed.hex(' ')}", ""
    if isinstance(item, FieldItem):
        return _field(item, is_header)
    if isinstance(item, TextField):
        if item.end is not None:
            return f"text '{item.text}', at most {item.at_most} characters, ended by {item.end.hex()}", ""
        return f"text '{item.text}', {item.length} characters, filled up with {item.pad!r}", ""
    if isinstance(item, Data):
        return ("data until the leader", "") if item.length is None else ("data", f"{item.length} bytes")
    order = f", {_BYTE_ORDERS[item.order]}" if check_width_bytes(item.check) > 1 else ""
    return f"check{order}", _check(item)


def _field(item: FieldItem, is_header: bool) -> tuple[str, str]:
    order = item.type.partition("-")[2]
    size = f"{FIELD_WIDTH[item.type]} bytes, {_BYTE_ORDERS[order]}" if order else "1 byte"
    what = f"field '{item.field}', {size}"
    if item.value is not None:
        if item.varies:
            return what, f"unknown, written as {item.value}"
        return what, str(item.value) if item.value.names else f"always {item.value}"
    meaning, _, in_header = WRITER_NAMES[item.field].partition(" (for a header: ")
    return what, f"{meaning} {in_header[:-1]}" if is_header and in_header else meaning


def _check(item: Check) -> str:
    if isinstance(item.check, str):
        text = _CHECKS[item.check]
    else:
        crc = item.check.crc
        text = f"CRC of {crc.width} bits, polynomial {crc.poly:x}h"
    text += f", over {', '.join(item.over)}"
    if item.start:
        text += f", starting from {item.start:x}h"
    if item.as_sent:
        text += ", reckoned over the bytes as they are on tape"
    return text


def _coding(item: Coded) -> str:
    text = ", each byte as two hex characters" if item.coding == "hex" else ""
    if item.add:
        text += f", {item.add} added to each byte"
    if item.xor:
        text += ", inverted" if item.xor == 0xFF else f", exclusive-ored with {item.xor:02x}h"
    return text


def _loading(block: BlockLayout, card: FormatCard) -> Iterator[str]:
    if block.load is not None and block.data is not None:
        yield f"  loads at {block.load}"
    elif block.load is not None:
        yield f"  the data after it load at {block.load}"
    elif block.after is not None and card.layout_of(block.after).load is not None:
        yield "  loads where the block before it ended"
    if block.total is not None:
        yield f"  goes on until there are {block.total} bytes"
    if block.last_when is not None:
        yield f"  the last has {block.last_when.field} = {block.last_when.equals}"


def _check_summary(card: FormatCard) -> str:
    checked = [block.kind for block in card.block if block.checks]
    if not checked:
        return "Check: none; a damaged byte shows only in how sure the reading is of it"
    if len(checked) == len(card.block):
        return "Check: every block carries one"
    return f"Check: only in {', '.join(checked)}"


def _address_summary(card: FormatCard) -> str:
    if card.carries_addresses:
        return "Addresses: on the tape"
    return "Addresses: not on the tape; you must know where the program belongs"
