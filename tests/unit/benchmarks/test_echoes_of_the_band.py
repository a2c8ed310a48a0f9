"""Half-waves behind a low-pass lean on what lies below the receiver's band."""

import pytest

from benchmarks.accuracy.measure import Count, run_point
from benchmarks.accuracy.signals import IMPAIRMENTS
from tapewright.cards import load_format
from tapewright.line import polish

HALF_WAVES = load_format("sedge-half-2700")


@pytest.fixture(scope="module")
def dull() -> Count:
    return run_point(HALF_WAVES, IMPAIRMENTS["dull"], 6.1, 20.0, [11, 12])


def test_echoes_of_the_bands_lower_edge_are_gone(dull: Count, monkeypatch: pytest.MonkeyPatch) -> None:
    """Worth 0.7 dB of Eb/N0, which is a third of the errors and more."""
    monkeypatch.setattr(polish, "has_lows", lambda grid: False)
    without = run_point(HALF_WAVES, IMPAIRMENTS["dull"], 6.1, 20.0, [11, 12])
    assert without.wrong > 80
    assert dull.wrong < 0.75 * without.wrong


def test_what_was_put_back_makes_nothing_surer_than_it_is(dull: Count) -> None:
    """It is what was held to be likely, and must not be taken for something heard."""
    assert dull.actual.sum() > 100
    assert dull.claimed.sum() > 0.85 * dull.actual.sum()
