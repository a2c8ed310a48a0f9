"""Words of a code book are written as symbols that sound as they do."""

from __future__ import annotations

import numpy as np
import pytest

from tapewright.cards.symbols import HalfWaves, Silence
from tapewright.learn.code_book import Book
from tapewright.learn.fit import Fit
from tapewright.learn.parse import Parse
from tapewright.learn.spelling import spell

SHORT, LONG = 0, 1


def fitted(*words: tuple[int, ...]) -> Fit:
    """Words of half-waves of 220 and 440 us: two of bits and a mark."""
    calm = float(np.log(220.0)), float(np.log(440.0))
    none = np.zeros(0, np.int64)
    lasting_us = tuple(sum((220.0, 440.0)[k] for k in word) for word in words)
    book = Book("runs", words, calm, (1, 1, -1)[: len(words)])
    return Fit(book, ("0", "1", "M")[: len(words)], "0", Parse(none, none, none, 0.0, 1.0), 0.0, calm,
               lasting_us, (0.02, 0.02), (1, 1))  # fmt: skip


def test_a_long_half_wave_amid_short_ones_is_no_rest() -> None:
    mark = SHORT, LONG, SHORT, SHORT
    symbols = spell(fitted((SHORT, SHORT), (LONG, LONG), mark), is_square=True)
    (pieces,) = symbols["M"]
    assert isinstance(pieces, HalfWaves)
    assert pieces.half_waves == pytest.approx([220.0, 440.0, 220.0, 220.0], abs=0.01)


def test_a_long_half_wave_at_the_end_of_a_burst_goes_on_into_silence() -> None:
    bits = (SHORT, SHORT, SHORT, LONG), (SHORT, SHORT, SHORT, SHORT, SHORT, LONG)
    burst, silence = spell(fitted(*bits), is_square=True)["0"]
    assert isinstance(burst, HalfWaves)
    assert isinstance(silence, Silence)
    assert sum(burst.half_waves) + silence.silence == pytest.approx(3 * 220.0 + 440.0, abs=0.1)
