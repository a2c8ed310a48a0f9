"""Symbols and clock of a free carrier found together: a wrong symbol does not carry the clock away."""

from __future__ import annotations

import numpy as np
import pytest

from tapewright.cards import Alphabet, load_format
from tapewright.line.clock import Clock, even_samples, smooth_clock
from tapewright.line.grid import Grid
from tapewright.line.imprint import Hearing, Imprint
from tapewright.line.retrace import can_retrace, retrace
from tapewright.line.templates import band_of

SYMBOLS = 600
EB_N0 = 10.0 ** (7.0 / 10)


def grid_of(name: str) -> Grid:
    alphabet = Alphabet.of(load_format(name))
    return Grid.of(alphabet, band_of(alphabet, 44100.0))


def signal(grid: Grid, symbol, place_of, samples: int):
    """The carrier that changes its tone at the places of the symbols' beginnings."""
    edges = place_of(np.append(0, np.cumsum(grid.length[symbol])).astype(float))
    turns = np.append(0.0, np.cumsum(grid.turns[symbol]))
    return np.sin(2 * np.pi * np.interp(np.arange(samples) + 0.5, edges, turns))


def scene(name: str, seed: int):
    """Random symbols on a tape with flutter, in white noise, and a clock that knows nothing of flutter."""
    grid = grid_of(name)
    rng = np.random.default_rng(seed)
    symbol = rng.integers(0, 2, SYMBOLS)
    length = int(grid.length[0])
    cycle = length / grid.turns[:2].mean()

    def place_of(tape):
        return 40.0 + tape + 0.1 * cycle * np.sin(2 * np.pi * tape / (27 * length))

    samples = SYMBOLS * length + 200
    heard = signal(grid, symbol, place_of, samples)
    noise = np.sqrt(0.5 * length / 2 / EB_N0)
    heard += noise * rng.standard_normal(samples)
    place = length * np.arange(SYMBOLS)
    clock = Clock(place.astype(float), 40.0 + place, np.ones(SYMBOLS))
    even = np.empty(SYMBOLS * length, np.float32)
    even_samples(heard.astype(np.float32), *clock, grid.taps, even)
    return grid, symbol, place, place_of, cycle, clock, even, noise**2


def phases(grid, symbol):
    phase = np.zeros(len(symbol), np.int64)
    for i in range(1, len(symbol)):
        phase[i] = grid.phase_after[phase[i - 1], symbol[i - 1]]
    return phase


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("name", ["v21-300", "bell-103-300"])
def test_a_wrong_symbol_does_not_carry_the_clock_away(name: str, seed: int) -> None:
    grid, symbol, place, place_of, cycle, clock, even, noise = scene(name, seed)
    taken = symbol.copy()
    taken[[200, 330]] ^= 1  # between them, the phases taken are a third of a turn off
    hearing = Hearing.of(even, taken, place, phases(grid, taken), grid)
    ideal = Imprint.ideal(grid, np.ones(len(grid.length)))
    # white noise in the whole band, of which the receiver's band holds a share
    level, variance = np.ones(SYMBOLS), np.full(SYMBOLS, noise * grid.share)
    found = retrace(hearing, ideal, clock, level, variance, np.full(len(grid.length), np.log(2)))
    assert np.count_nonzero(found.hearing.symbol != symbol) <= 4
    tape = place + 0.5 * grid.length[0]
    smooth, _, _ = smooth_clock(tape, found.middle, found.variance, 1.0)
    off = (smooth - place_of(tape)) / cycle
    assert np.abs(off[5:-5]).max() < 0.15
    right = phases(grid, symbol)
    assert np.mean(found.hearing.phase == right) > 0.98


def test_phases_too_near_one_another_are_left_alone() -> None:
    assert can_retrace(grid_of("v23-1200"))
    assert not can_retrace(grid_of("bell-202-1200"))
    assert not can_retrace(grid_of("kcs-300"))
