"""Waveforms learned from noisy symbols: what chance put into them is left out again."""

import numpy as np
import numpy.typing as npt

from tapewright.cards import Alphabet, load_format
from tapewright.line.grid import Grid
from tapewright.line.imprint import Hearing, Imprint
from tapewright.line.templates import band_of

FloatArray = npt.NDArray[np.float64]
COUNT, NOISE = 2000, 1.0
ALPHABET = Alphabet.of(load_format("larch-biphase-l-2000"))
GRID = Grid.of(ALPHABET, band_of(ALPHABET, 44_100.0))
IDEAL = Imprint.ideal(GRID, np.ones(2))
#: Two symbols, one the other upside down.
ZERO, ONE = GRID.ideal[:, 0].astype(np.float64)


def sent(gain: float, bent: float, seed: int = 5) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.float32]]:
    """Random symbols, their waveforms bent towards something else, and white noise."""
    rng = np.random.default_rng(seed)
    symbol = rng.integers(0, 2, COUNT)
    waves = gain * np.stack((ZERO, ONE)) + bent * np.linspace(-1, 1, len(ZERO))
    even = waves[symbol].ravel() + NOISE * rng.standard_normal(COUNT * len(ZERO))
    return symbol, even.astype(np.float32)


def hearing(
    symbol: npt.NDArray[np.int64], even: npt.NDArray[np.float32], belief: FloatArray | None
) -> Hearing:
    place = np.arange(COUNT) * len(ZERO)
    return Hearing.of(even, symbol, place, np.zeros(COUNT, np.int64), GRID, belief)


def learned(heard: Hearing) -> FloatArray:
    """Waveform of a 1 after a 0."""
    imprint = IDEAL.learned(heard, np.ones(COUNT), np.ones(COUNT), NOISE**2)
    return imprint.wave[0, 1, 0].astype(np.float64)


def test_noise_does_not_bend_a_waveform() -> None:
    off, mean_is_off = 0.0, 0.0
    for seed in range(8):
        symbol, even = sent(1.0, 0.0, seed)
        off += np.sum((learned(hearing(symbol, even, None)) - ONE) ** 2)
        mean_is_off += len(ONE) * NOISE**2 / np.count_nonzero((symbol[:-1] == 0) & (symbol[1:] == 1))
    assert off < 0.5 * mean_is_off


def test_a_waveform_bent_further_than_noise_bends_it_is_learned() -> None:
    symbol, even = sent(1.0, 0.8)
    mistake = learned(hearing(symbol, even, None)) - ONE - 0.8 * np.linspace(-1, 1, len(ONE))
    assert np.sum(mistake**2) < 0.1 * 0.8**2 * np.sum(np.linspace(-1, 1, len(ONE)) ** 2)


def test_waveforms_learned_from_what_is_believed_promise_no_more_than_there_is() -> None:
    gain = 0.25
    symbol, even = sent(gain, 0.0)
    llr = 2 * gain * (even.reshape(COUNT, -1) @ ONE) / NOISE**2
    belief = np.stack((1 / (1 + np.exp(llr)), 1 / (1 + np.exp(-llr))), axis=1)
    chosen = (llr > 0).astype(np.int64)
    assert 0.1 < np.mean(chosen != symbol) < 0.3
    size = ONE @ ONE
    assert abs(learned(hearing(chosen, even, belief)) @ ONE / size / gain - 1) < 0.1
    assert learned(hearing(chosen, even, None)) @ ONE / size / gain > 1.2  # those chosen, by themselves
