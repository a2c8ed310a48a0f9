"""Streams of symbols put together from windows that overlap."""

import numpy as np
import pytest

from tapewright.line.gather import Gathering
from tapewright.model import GAP, Symbols

BIT = 0.01


def stretch(first, count, names="01"):
    """`count` symbols of 10 ms from number `first` on; each is told by its level."""
    number = np.arange(first, first + count)
    log_p = np.tile(np.float32([-0.1, -2.3]), (count, 1))
    noise = np.full(count, 0.01, np.float32)
    return Symbols(
        names, (number % 2).astype(np.int16), number * BIT, (number + 1) * BIT, log_p,
        number.astype(np.float32), np.ones(count, np.float32), noise,
    )  # fmt: skip


def test_what_two_windows_heard_counts_once():
    gathering = Gathering("01", BIT)
    for first in (0, 900, 1800):
        gathering.add(stretch(first, 1000))
    symbols = gathering.finish(28.0)
    assert symbols.level.tolist() == list(range(2800))
    assert symbols.log_p.shape == (2800, 2)


def test_gaps_stand_before_between_and_after():
    gathering = Gathering("01", BIT)
    gathering.add(stretch(100, 50))
    gathering.add(stretch(151, 50))  # a bit missing is not yet a gap
    gathering.add(stretch(300, 50))
    symbols = gathering.finish(5.0)
    gaps = symbols.index == GAP
    assert symbols.start_seconds[gaps] == pytest.approx([0.0, 2.01, 3.5])
    assert symbols.end_seconds[gaps] == pytest.approx([1.0, 3.0, 5.0])
    assert np.all(np.isneginf(symbols.log_p[gaps]))
    assert int(gaps.sum()) + 150 == len(symbols)


def test_nothing_heard_is_no_symbols_and_no_gap():
    gathering = Gathering("01", BIT)
    gathering.add(Symbols.empty("01"))
    assert len(gathering.finish(10.0)) == 0
