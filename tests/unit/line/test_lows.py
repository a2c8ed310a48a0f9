"""What lies below the band, put back once it is known what was probably sent."""

import numpy as np
import pytest

from tapewright.cards import Alphabet, load_format
from tapewright.line.grid import Grid
from tapewright.line.lows import has_lows, put_back_lows
from tapewright.line.templates import band_of

HALF_WAVES = "sedge-half-2700"


def grid_of(name: str) -> Grid:
    alphabet = Alphabet.of(load_format(name))
    return Grid.of(alphabet, band_of(alphabet, 44_100.0))


@pytest.mark.parametrize("hertz", [0.0, 30.0, 100.0, 150.0, 1000.0])
def test_with_what_is_put_back_the_band_begins_at_nothing(hertz: float) -> None:
    band, grid = band_of(Alphabet.of(load_format(HALF_WAVES)), 44_100.0), grid_of(HALF_WAVES)
    assert grid.rate_hz == band.rate_hz
    sent = np.cos(2 * np.pi * hertz / band.rate_hz * np.arange(12_000)).astype(np.float32)
    heard = np.convolve(sent, band.filter, "same").astype(np.float32)
    put_back_lows(heard, sent, grid)
    assert heard[2000:-2000] == pytest.approx(sent[2000:-2000], abs=5e-3)


def test_half_waves_reach_below_the_band_and_long_tones_do_not() -> None:
    assert has_lows(grid_of(HALF_WAVES))
    assert not has_lows(grid_of("kcs-300"))
