"""Bytes to symbols: start, bits in the card's order, parity, stop."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from functools import lru_cache

from tapewright.cards import ByteFormat, FormatCard
from tapewright.model import TapePart, UsageError

__all__ = ["byte_symbols", "encode", "parity_bit"]


def encode(parts: Iterable[TapePart], card: FormatCard) -> Iterator[TapePart]:
    """Turn every part made of bytes into one made of symbols; leave the others as they are.

    Parameters
    ----------
    parts : iterable of TapePart
    card : FormatCard

    Yields
    ------
    TapePart
        Of kind ``symbols``, ``lead`` or ``gap``.

    Raises
    ------
    UsageError
        If a byte has more bits than the card's bytes.
    """
    table = byte_symbols(card.byte)
    for part in parts:
        if part.kind != "bytes":
            yield part
            continue
        wide = next((value for value in part.data if value >= len(table)), None)
        if wide is not None:
            raise UsageError(
                f"format {card.name} sends {card.byte.bits} bits of each byte, and byte {wide:02X}h needs"
                f" more; give a program with bytes up to {len(table) - 1:02X}h or another format"
            )
        yield replace(part, kind="symbols", data=b"", symbols="".join(table[value] for value in part.data))


def parity_bit(value: int, parity: str) -> int:
    """Give the parity bit sent with a byte; `parity` is even, odd, mark or space."""
    ones = value.bit_count() & 1
    return {"even": ones, "odd": 1 - ones, "mark": 1, "space": 0}[parity]


@lru_cache(maxsize=32)
def byte_symbols(byte: ByteFormat) -> tuple[str, ...]:
    """List the symbols of every byte value, from start to stop.

    Examples
    --------
    >>> byte_symbols(ByteFormat(start="0", stop="11"))[0x41]
    '01000001011'
    """
    return tuple(_one_byte(value, byte) for value in range(1 << byte.bits))


def _one_byte(value: int, byte: ByteFormat) -> str:
    bits = f"{value:0{byte.bits}b}"
    if byte.order == "lsb":
        bits = bits[::-1]
    parity = "" if byte.parity == "none" else str(parity_bit(value, byte.parity))
    return byte.start + bits + parity + byte.stop
