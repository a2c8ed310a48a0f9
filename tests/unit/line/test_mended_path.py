"""A leader that was searched out of step with what follows it is looked at once more."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from tapewright.line.first import _mended
from tapewright.line.search import Path

LENGTH, FILLER = 20.0, 2
TEMPLATES: Any = SimpleNamespace(
    length=np.full(3, LENGTH), half_wave=LENGTH / 2, flips=np.zeros(3, np.int64),
    pitch=np.full(3, 1 / LENGTH), cosine=[],
)  # fmt: skip
LEADER, DATA = "0" * 120, "1101010101100101"


def path_of(symbols: str, begin: float, breaks: tuple[int, ...] = (0,)) -> Path:
    """A path of symbols that follow on one another."""
    index = np.array([int(symbol) for symbol in symbols], np.int64)
    start = begin + LENGTH * np.arange(len(index))
    no = np.zeros(len(index), np.int64)
    first = np.isin(np.arange(len(index)), breaks)
    return Path(
        index, start, start + LENGTH, no, no.astype(np.float64), first, np.zeros(len(index), np.bool_)
    )


def out_of_step(filled: bool) -> Path:
    """The leader stands 7 samples early, and the first three bits were left out, or filled up."""
    lead, rest = path_of(LEADER, -7.0), path_of(DATA[3:], LENGTH * (len(LEADER) + 3))
    between = path_of(str(FILLER) * 3, LENGTH * len(LEADER) + 2.0, ()) if filled else Path.empty()
    rest.is_first[0] = not filled
    names = ("symbol", "start", "end", "sign", "phase", "is_first", "is_clear")
    return Path(*(np.concatenate([getattr(p, name) for p in (lead, between, rest)]) for name in names))


def in_step(begin: int, end: int) -> Path:
    """What a search finds that begins anew in the leader: every symbol, where it is."""
    whole = path_of(LEADER + DATA, 0.0)
    return whole.part((whole.start >= begin - LENGTH / 2) & (whole.end <= end))


@pytest.mark.parametrize("filled", [False, True], ids=["left out", "filled up"])
def test_what_was_left_out_after_a_leader_is_found(filled):
    path = _mended(out_of_step(filled), in_step, TEMPLATES, FILLER)
    assert "".join(map(str, path.symbol)).endswith("0" * 30 + DATA)
    assert not path.is_first[-len(DATA) :].any()
    np.testing.assert_allclose(path.start[-len(DATA) :], LENGTH * (len(LEADER) + np.arange(len(DATA))))
    # all of the leader is in step with it
    np.testing.assert_allclose(np.diff(path.start)[5:], LENGTH)


def test_a_real_silence_after_a_leader_stays():
    def silent(begin: int, end: int) -> Path:
        found = out_of_step(filled=False)
        return found.part((found.start >= begin - LENGTH / 2) & (found.end <= end))

    path = out_of_step(filled=False)
    again = _mended(path, silent, TEMPLATES, FILLER)
    np.testing.assert_array_equal(again.symbol, path.symbol)
    np.testing.assert_array_equal(again.start, path.start)
