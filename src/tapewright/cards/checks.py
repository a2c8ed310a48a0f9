"""The checks a card can name, listed once: how wide each is and how it is worked out."""

from __future__ import annotations

from functools import lru_cache
from typing import Annotated, Any, Literal

import anycrc
import numpy as np
from pydantic import Discriminator, Field, Tag, model_validator

from tapewright.cards.base import CardPart

__all__ = [
    "CheckKind",
    "CrcCheck",
    "CrcParameters",
    "SimpleCheck",
    "check_value",
    "check_width_bytes",
]

SimpleCheck = Literal["sum8", "sum8-neg", "xor8", "sum16", "fletcher16"]
_SIMPLE_WIDTH_BITS: dict[str, int] = {
    "sum8": 8,
    "sum8-neg": 8,
    "xor8": 8,
    "sum16": 16,
    "fletcher16": 16,
}


class CrcParameters(CardPart):
    """A CRC in the usual six parameters, as CRC catalogues give them.

    Written ``{ crc = { width = 16, poly = 0x1021, init = 0, refin = false, refout = false, xorout = 0 } }``.
    """

    width: Annotated[int, Field(ge=8, le=32, multiple_of=8)]
    poly: Annotated[int, Field(ge=1)]
    init: Annotated[int, Field(ge=0)] = 0
    refin: bool = False
    refout: bool = False
    xorout: Annotated[int, Field(ge=0)] = 0

    @model_validator(mode="after")
    def _fits(self) -> CrcParameters:
        for key in ("poly", "init", "xorout"):
            if getattr(self, key) >> self.width:
                raise ValueError(f"{key} does not fit in {self.width} bits")
        return self


class CrcCheck(CardPart):
    """The table form of a check."""

    crc: CrcParameters


def _check_kind(value: Any) -> str | None:
    if isinstance(value, str):
        return "=named"
    return "=table" if isinstance(value, (dict, CrcCheck)) else None


#: How a card writes a check: a name, or a table with the parameters of a CRC.
CheckKind = Annotated[
    Annotated[SimpleCheck, Tag("=named")] | Annotated[CrcCheck, Tag("=table")],
    Discriminator(
        _check_kind,
        custom_error_type="check_kind",
        custom_error_message="a check is one of the names "
        + ", ".join(_SIMPLE_WIDTH_BITS)
        + " or a table { crc = { ... } }",
    ),
]


def check_width_bytes(kind: SimpleCheck | CrcCheck) -> int:
    """How many bytes the check takes on tape."""
    return (kind.crc.width if isinstance(kind, CrcCheck) else _SIMPLE_WIDTH_BITS[kind]) // 8


@lru_cache(maxsize=64)
def _crc(width: int, poly: int, init: int, refin: bool, refout: bool, xorout: int) -> Any:
    return anycrc.CRC(width, poly, init, refin, refout, xorout)


def check_value(kind: SimpleCheck | CrcCheck, data: bytes, start: int = 0) -> int:
    """Work out a check over `data`.

    Parameters
    ----------
    kind : SimpleCheck or CrcCheck
        ``sum8``: sum mod 256. ``sum8-neg``: two's complement of it (bytes and check add up to 0). ``xor8``:
        exclusive or. ``sum16``: sum mod 65536. ``fletcher16``: Fletcher's with mod 255, second sum in the
        high byte (RFC 1145 names the algorithm; J. G. Fletcher, IEEE Trans. Comm. 30(1), 1982).
    data : bytes
    start : int
        Value the sum, exclusive or or (for a CRC, exclusive-ored into `init`) register starts from.

    Returns
    -------
    int
        At least 0, less than 2 to the width.

    Examples
    --------
    >>> hex(check_value("fletcher16", b"abcde"))
    '0xc8f0'
    """
    if isinstance(kind, CrcCheck):
        p = kind.crc
        return int(_crc(p.width, p.poly, p.init ^ start, p.refin, p.refout, p.xorout).calc(data))
    values = np.frombuffer(data, np.uint8).astype(np.uint64)
    if kind == "xor8":
        return (int(np.bitwise_xor.reduce(values)) if len(values) else 0) ^ (start & 0xFF)
    if kind == "fletcher16":
        # sum2 adds up every running sum1: in closed form each byte counts once for every byte from it on
        weights = np.arange(len(values), 0, -1, dtype=np.uint64)
        low = (int(values.sum()) + (start & 0xFF)) % 255
        high = (int((values * weights).sum()) + (start >> 8) + len(values) * (start & 0xFF)) % 255
        return high << 8 | low
    total = int(values.sum()) + start
    if kind == "sum16":
        return total & 0xFFFF
    return (total if kind == "sum8" else -total) & 0xFF
