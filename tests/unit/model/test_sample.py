"""What is told of a whole recording from some of its symbols."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tapewright.model import GAP, Symbols


def make_symbols(count: int) -> Symbols:
    start = np.arange(count) * 0.001
    value = np.ones(count, np.float32)
    return Symbols(
        "01", (np.arange(count) % 2).astype(np.int16), start, start + 0.001,
        np.zeros((count, 2), np.float32), value, value, value,
    )  # fmt: skip


def test_of_a_short_recording_all_that_was_heard() -> None:
    symbols = make_symbols(1000)
    index = symbols.index.copy()
    index[100:200] = GAP
    sample = replace(symbols, index=index).heard_sample()
    assert len(sample) == 900
    assert not np.any(sample.index == GAP)


def test_of_a_long_one_no_place_in_a_byte_is_missed_and_no_part_of_the_tape() -> None:
    symbols = make_symbols(11 * 400_000)
    level = np.linspace(0, 1, len(symbols), dtype=np.float32)
    place_in_byte = (np.arange(len(symbols)) % 11).astype(np.float32)
    sample = replace(symbols, level=level, speed=place_in_byte).heard_sample()
    assert len(sample) < len(symbols) / 10
    assert float(np.median(sample.level)) == pytest.approx(0.5, abs=0.01)
    assert np.bincount(sample.speed.astype(int)) / len(sample) == pytest.approx(1 / 11, abs=0.001)


def test_gaps_are_part_of_a_sample_but_not_of_what_was_heard() -> None:
    symbols = make_symbols(500_000)
    index = symbols.index.copy()
    index[::4] = GAP
    symbols = replace(symbols, index=index)
    assert np.mean(symbols.sample().index == GAP) == pytest.approx(0.25)
    assert not np.any(symbols.heard_sample().index == GAP)


def test_nothing_heard_is_no_sample() -> None:
    assert len(Symbols.empty("01").heard_sample()) == 0
