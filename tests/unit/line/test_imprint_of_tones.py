"""What is learned of waveforms: a recorder's bend is, the noise of the symbols it was learned from is not."""

import numpy as np
import pytest

from tapewright.cards import Alphabet, load_format
from tapewright.line.grid import Grid
from tapewright.line.imprint import Hearing, Imprint
from tapewright.line.templates import band_of

SYMBOLS = 800
NOISE = 0.6  # standard deviation a sample, at amplitude 1


@pytest.fixture(params=["v21-300", "kcs-300"])
def grid(request):
    alphabet = Alphabet.of(load_format(request.param))
    return Grid.of(alphabet, band_of(alphabet, 44100.0))


def heard(grid, echo):
    """Random symbols in white noise, with an echo that depends on the symbol before; and the noise alone."""
    rng = np.random.default_rng(5)
    symbol = rng.integers(0, 2, SYMBOLS)
    place = np.append(0, np.cumsum(grid.length[symbol])[:-1])
    phase = np.zeros(SYMBOLS, np.int64)
    for i in range(1, SYMBOLS):
        phase[i] = grid.phase_after[phase[i - 1], symbol[i - 1]]
    noise = NOISE * rng.standard_normal(place[-1] + grid.length[symbol[-1]])
    signal = np.zeros(len(noise))
    for i in range(SYMBOLS):
        n = grid.length[symbol[i]]
        signal[place[i] : place[i] + n] = grid.basis[phase[i]] @ grid.ideal[symbol[i], :, :n]
        if i and symbol[i - 1]:
            signal[place[i] : place[i] + n] *= 1.0 - echo * np.exp(-np.arange(n) / (0.2 * n))
    even = (signal + noise).astype(np.float32)
    return Hearing.of(even, symbol, place, phase, grid), noise


def learned(grid, hearing):
    ideal = Imprint.ideal(grid, np.ones(2))
    return ideal, ideal.learned(hearing, np.ones(SYMBOLS), np.ones(SYMBOLS), NOISE**2)


def wave_of(imprint, hearing, i):
    c, m = hearing.before[i], hearing.symbol[i]
    return (imprint.grid.basis[hearing.phase[i]] @ imprint.wave[c, m])[: imprint.grid.length[m]]


def test_symbols_do_not_agree_with_their_own_noise(grid):
    hearing, noise = heard(grid, 0.0)
    ideal, found = learned(grid, hearing)
    agreed = 0.0
    for i in range(SYMBOLS):
        change = wave_of(found, hearing, i) - wave_of(ideal, hearing, i)
        agreed += change @ noise[hearing.place[i] : hearing.place[i] + len(change)] / NOISE**2
    # least squares agrees with the noise in each number it fits: in nats, one each
    fitted = 4 * grid.basis.shape[1] * grid.length[:2].mean()
    assert agreed < 0.35 * fitted  # a gain of its own is left to each


def test_an_echo_of_the_symbol_before_is_learned(grid):
    hearing, _ = heard(grid, 0.6)
    ideal, found = learned(grid, hearing)
    bent, left = 0.0, 0.0
    for i in np.flatnonzero(hearing.before == 1):
        plain, n = wave_of(ideal, hearing, i), grid.length[hearing.symbol[i]]
        true = plain * (1.0 - 0.6 * np.exp(-np.arange(n) / (0.2 * n)))
        bent += np.sum((true - plain) ** 2)
        left += np.sum((true - wave_of(found, hearing, i)) ** 2)
    assert left < 0.3 * bent
