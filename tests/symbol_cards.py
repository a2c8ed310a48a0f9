"""Format cards made of nothing but an alphabet of symbols, and tapes of them as sound."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from tapewright import line
from tapewright.cards import Alphabet, FormatCard, parse_card
from tapewright.model import Recording, TapePart

_CARD = """
card   = "format"
name   = "symbols"
title  = "An alphabet and nothing else"
source = "invented for the tests"
[symbols]
{symbols}
[byte]
{byte}
[[block]]
kind   = "data"
layout = [
  {{ lead = "0", seconds = 1 }},
  {{ sync = "a5" }}, {{ field = "length", type = "u8" }}, {{ data = "length" }},
]
"""


def symbol_card(symbols: str, byte: str = "") -> FormatCard:
    """Load a card with these ``[symbols]``."""
    return parse_card(_CARD.format(symbols=symbols, byte=byte), FormatCard, "symbols.toml")


def symbol_alphabet(symbols: str) -> Alphabet:
    """Compile the symbols alone."""
    return Alphabet.of(symbol_card(symbols))


def sound_of(
    parts: Iterable[TapePart] | str, alphabet: Alphabet, rate_hz: float, *, speed: float = 1.0, **how: object
) -> np.ndarray:
    """Encode in one piece, as float64. A tape that runs fast is one written for fewer samples a second."""
    if isinstance(parts, str):
        parts = [TapePart("symbols", symbols=parts)]
    chunks = list(line.encode(parts, alphabet, rate_hz / speed, **how))  # type: ignore[arg-type]
    return np.concatenate(chunks).astype(np.float64) if chunks else np.zeros(0)


def recording_of(
    text: str,
    card: FormatCard,
    *,
    rate_hz: float = 44_100,
    speed: float = 1.0,
    level: float = 0.5,
    before_seconds: float = 0.3,
    after_seconds: float = 0.3,
    inverted: bool = False,
) -> Recording:
    """Record symbols with silence around them; the silence is not affected by the speed."""
    sound = sound_of(text, Alphabet.of(card), rate_hz, speed=speed, level=level, inverted=inverted)
    before, after = (np.zeros(round(seconds * rate_hz)) for seconds in (before_seconds, after_seconds))
    return Recording(np.concatenate((before, sound, after)).astype(np.float32), rate_hz)
