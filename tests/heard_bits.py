"""Bits as a made-up receiver hears them, for tests of what is learned from them."""

from __future__ import annotations

import numpy as np

from symbol_layer import built
from tapewright.cards.format import ByteFormat
from tapewright.framing.encode import byte_symbols
from tapewright.learn.stream import Stream
from tapewright.model import GAP

#: Seconds a symbol lasts.
SYMBOL = 0.001


def sent(data: bytes, byte: ByteFormat, *, idle: str = "") -> str:
    """Bytes as symbols, with `idle` after each of them."""
    table = byte_symbols(byte)
    return "".join(table[value] + idle for value in data)


def stream(symbols: str, names: str = "01", *, turned: bool = False) -> Stream:
    """Hear symbols, ``_`` as a gap; `turned`, a recording upside down: 0 and 1 have changed places."""
    if turned:
        symbols = symbols.translate(str.maketrans("01", "10"))
    index = np.array([GAP if symbol == "_" else names.index(symbol) for symbol in symbols], np.int16)
    return Stream(built(names, index, np.full(len(index), SYMBOL)))
