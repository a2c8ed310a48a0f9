"""What all cards share: strictness, and the small value types written in them."""

from __future__ import annotations

import re
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, GetCoreSchemaHandler
from pydantic_core import CoreSchema, core_schema

from tapewright.cards.expression import Expression
from tapewright.model import CardError

__all__ = [
    "CardName",
    "CardPart",
    "Expr",
    "HexBytes",
    "PartValue",
    "Text",
    "parse_hex",
    "parse_part_value",
]


class CardPart(BaseModel):
    """A table in a card. Unknown keys are errors, values are not converted, nothing changes later."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, strict=True, arbitrary_types_allowed=True
    )


CardName = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]{0,62}$")]
Text = Annotated[str, Field(max_length=2000)]

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
        raise ValueError(
            f"{MOST_HEX_BYTES} bytes are the most that can be written out in one place"
        )
    return bytes.fromhex(digits)


HexBytes = Annotated[bytes, BeforeValidator(parse_hex)]


class Expr(Expression):
    """An `Expression` as a pydantic type: written as text, or as a whole number."""

    @classmethod
    def __get_pydantic_core_schema__(
        cls, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        def build(value: Any) -> Expression:
            if isinstance(value, Expression):
                return value
            if isinstance(value, int) and not isinstance(value, bool):
                return (
                    Expression.parse(str(value))
                    if value >= 0
                    else Expression.parse(f"0 - {-value}")
                )
            if not isinstance(value, str):
                raise ValueError(
                    'write an expression as text, such as "end - start + 1"'
                )
            try:
                return Expression.parse(value)
            except CardError as error:
                raise ValueError(str(error)) from None

        return core_schema.no_info_plain_validator_function(build)


_MULTIPLE = {
    "": 1.0,
    "p": 1e-12,
    "n": 1e-9,
    "u": 1e-6,
    "m": 1e-3,
    "k": 1e3,
    "M": 1e6,
    "G": 1e9,
}
_PART_VALUE = re.compile(r"^(\d+(?:\.\d*)?|\.\d+)\s*([pnumkMG]?)(?:F|V|A|Hz|ohm|s|H)?$")


def parse_part_value(value: Any) -> float:
    """Turn ``"22k"``, ``"100n"`` or a plain number into ohms, farads, volts ... as the key says."""
    if isinstance(value, bool):
        raise ValueError('write a part as a number or text such as "22k" or "100n"')
    if isinstance(value, (int, float)):
        return float(value)
    match = _PART_VALUE.match(value.strip()) if isinstance(value, str) else None
    if match is None:
        raise ValueError(
            'write a part as a number with an optional p n u m k M, such as "22k" or "100n"'
        )
    return float(match.group(1)) * _MULTIPLE[match.group(2)]


PartValue = Annotated[float, BeforeValidator(parse_part_value)]
