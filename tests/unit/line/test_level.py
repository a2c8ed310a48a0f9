"""The level around each moment, by power: right up to a step, and not led astray by what was loud before."""

import numpy as np
import pytest

from tapewright.cards import Alphabet, load_format
from tapewright.line.front import level_span, level_track
from tapewright.line.templates import band_of

BLOCK = 3


@pytest.mark.parametrize("louder", [0.1, 10.0])
@pytest.mark.parametrize("name", ["kcs-1200", "larch-biphase-l-2000"])
def test_it_is_that_of_its_own_side_up_to_a_step(name, louder):
    alphabet = Alphabet.of(load_format(name))
    band = band_of(alphabet, 44_100.0)
    half = BLOCK * 2000
    tone = np.sqrt(2.0) * np.sin(2 * np.pi * 0.11 * np.arange(2 * half))
    heard = (tone * np.repeat([1.0, louder], half)).astype(np.float32)
    level = level_track(heard, alphabet, band, BLOCK)
    near = level_span(alphabet, band, BLOCK) // 4  # from there on, what is around tells which side
    middle = half // BLOCK
    assert level[: middle - near] == pytest.approx(1.0, rel=0.1)
    assert level[middle + near :] == pytest.approx(louder**2, rel=0.1)


def test_after_loud_sound_silence_is_silent():
    alphabet = Alphabet.of(load_format("kcs-1200"))
    band = band_of(alphabet, 44_100.0)
    heard = np.zeros(BLOCK * 4000, np.float32)
    heard[: BLOCK * 2000] = 1.0
    level = level_track(heard, alphabet, band, BLOCK)
    assert np.all(level[2000 + level_span(alphabet, band, BLOCK) :] <= 1.1e-9)
