"""Numbers as people write them: addresses in hexadecimal, refused where they could mean something else."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

__all__ = ["ADDRESS_RULE", "parse_address", "parse_hex", "to_address", "to_byte", "to_whole"]

#: Said in the help of every command that takes an address.
ADDRESS_RULE = (
    "Hexadecimal: 0x200, 200h or '$200' (in quotes, as a shell takes the $ for itself);"
    " four digits that cannot be decimal, such as 0200 or C000, need no mark."
)
HIGHEST_ADDRESS = 0xFFFF_FFFF
_MARKED = re.compile(r"(?:0x|\$)(?P<after>[0-9a-f]+)|(?P<before>[0-9a-f]+)h", re.IGNORECASE)
_DIGITS = re.compile(r"[0-9a-f]+", re.IGNORECASE)


def parse_address(text: str, what: str = "the address") -> int:
    """Read a memory address.

    Parameters
    ----------
    text : str
        ``0x200``, ``$200`` or ``200h``; or exactly four digits that begin with 0 or hold a letter.
    what : str
        What to call it in an error.

    Raises
    ------
    UsageError
        If it is no such number, or could be decimal as well: 512 would mean two things.
    """
    return parse_hex(text, what, digits=4, highest=HIGHEST_ADDRESS)


def parse_hex(text: str, what: str, *, digits: int, highest: int) -> int:
    """Read a hexadecimal number that is marked as one, or clearly is one; errors as `parse_address`.

    Parameters
    ----------
    text, what : str
    digits : int
        How many an unmarked number must have.
    highest : int
    """
    from tapewright.model import UsageError

    text = text.strip()
    marked = _MARKED.fullmatch(text)
    if marked:
        value = int(marked["after"] or marked["before"], 16)
    elif not _DIGITS.fullmatch(text):
        example = "0x" + "20".ljust(digits - 1, "0")
        raise UsageError(f"{what} {text!r} is not hexadecimal; write it as {example} or {example[2:]}h")
    elif len(text) == digits and (text[0] == "0" or not text.isdecimal()):
        value = int(text, 16)
    elif text.isdecimal() and text[0] != "0":
        raise UsageError(
            f"{what} {text} could be decimal or hexadecimal; write 0x{int(text):X} if it is decimal,"
            f" 0x{text} if it is hexadecimal"
        )
    else:
        raise UsageError(
            f"{what} {text} is not clearly marked as hexadecimal; write 0x{text}"
            " (if you wrote a $, put it in quotes: a shell takes it for itself)"
        )
    if value > highest:
        raise UsageError(f"{what} {text} is beyond {highest:X}h, the highest there can be; correct it")
    return value


def to_address(_type: Any, tokens: Sequence[Any]) -> int:
    """Convert the word after an option that takes an address."""
    return parse_address(tokens[0].value, tokens[0].keyword or "the address")


def to_whole(_type: Any, tokens: Sequence[Any]) -> int:
    """Convert the word after an option that takes a decimal whole number; 1.5 is not cut to 1."""
    from tapewright.model import UsageError

    text = tokens[0].value
    if not re.fullmatch(r"[+-]?[0-9]{1,9}", text, re.ASCII):
        raise UsageError(f"{tokens[0].keyword} {text!r} is not a whole number; correct it")
    return int(text)


def to_byte(_type: Any, tokens: Sequence[Any]) -> int:
    """Convert the word after an option that takes a byte."""
    return parse_hex(tokens[0].value, tokens[0].keyword or "the byte", digits=2, highest=0xFF)
