"""What all cards share: strictness, and the small value types written in them."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, GetCoreSchemaHandler
from pydantic_core import CoreSchema, core_schema

from tapewright.cards.expression import LARGEST_VALUE, Expression
from tapewright.model import CardError

__all__ = [
    "CardName",
    "CardPart",
    "Expr",
    "HexBytes",
    "PartValue",
    "Text",
    "near_word",
    "parse_hex",
    "parse_part_value",
]


class CardPart(BaseModel):
    """A table in a card. Unknown keys are errors, values are not converted, nothing changes later."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, strict=True, arbitrary_types_allowed=True, defer_build=True
    )


CardName = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]{0,62}$")]
Text = Annotated[str, Field(max_length=2000)]


def near_word(word: Any, known: Iterable[str]) -> str:
    """Give a hint such as ``"; did you mean 'seconds'?"``, or nothing where no word is near."""
    near = difflib.get_close_matches(str(word)[:60], list(known), n=1)
    return f"; did you mean '{near[0]}'?" if near else ""


MOST_HEX_BYTES = 256


def parse_hex(text: Any) -> bytes:
    """Turn ``"a5 5a"`` into bytes."""
    if isinstance(text, bytes):
        return text
    if not isinstance(text, str):
        raise ValueError('write bytes as hexadecimal text, such as "a5 5a"')
    digits = re.sub(r"\s+", "", text)
    if not re.fullmatch(r"(?:[0-9a-fA-F]{2})+", digits):
        raise ValueError('write bytes as pairs of hexadecimal digits, such as "a5 5a"')
    if len(digits) > 2 * MOST_HEX_BYTES:
        raise ValueError(f"{MOST_HEX_BYTES} bytes are the most that can be written out in one place")
    return bytes.fromhex(digits)


HexBytes = Annotated[bytes, BeforeValidator(parse_hex)]


class Expr(Expression):
    """An `Expression` as a pydantic type: written as text, or as a whole number."""

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        def build(value: Any) -> Expression:
            if isinstance(value, Expression):
                return value
            is_number = isinstance(value, int) and not isinstance(value, bool)
            if is_number and abs(value) > LARGEST_VALUE:
                raise ValueError("this number is more than any address or length")
            if not is_number and not isinstance(value, str):
                raise ValueError('write an expression as text, such as "end - start + 1"')
            try:
                return Expression.parse(str(value))  # a minus sign in front is part of the language
            except CardError as error:
                raise ValueError(str(error)) from None

        return core_schema.no_info_plain_validator_function(build)


#: More than any resistor.
LARGEST_PART = 1e15
_MULTIPLE = {
    "": 1.0,
    "p": 1e-12,
    "n": 1e-9,
    "u": 1e-6,
    "\u00b5": 1e-6,  # micro sign
    "\u03bc": 1e-6,  # Greek mu, which looks the same
    "m": 1e-3,
    "k": 1e3,
    "M": 1e6,
    "G": 1e9,
}
_PART_VALUE = re.compile(r"([0-9]+(?:\.[0-9]*)?|\.[0-9]+)\s*([pnu\u00b5\u03bcmkMG]?)(?:F|V|A|Hz|ohm|s|H)?")


def parse_part_value(value: Any) -> float:
    """Turn ``"22k"``, ``"100n"`` or a plain number into ohms, farads, volts ... as the key says."""
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        if not abs(value) <= LARGEST_PART:  # nor NaN
            raise ValueError(f"a part has at most {LARGEST_PART:g}, in ohms, farads or whatever its key says")
        return float(value)
    match = _PART_VALUE.fullmatch(value.strip()) if isinstance(value, str) and len(value) < 40 else None
    if match is None:
        raise ValueError('write a part as a number with an optional p n u m k M, such as "22k" or "100n"')
    return parse_part_value(float(match.group(1)) * _MULTIPLE[match.group(2)])


PartValue = Annotated[float, BeforeValidator(parse_part_value)]
