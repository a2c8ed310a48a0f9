"""A half-wave after tones that end between half-turns."""

import numpy as np
import pytest

from symbol_cards import sound_of, symbol_alphabet

MIXED = symbol_alphabet("""
"0" = [{ tone = 1200, cycles = 1 }]
"1" = [{ tone = 2400, cycles = 2 }]
F = [{ tone = 1000, us = 1300 }]
A = [{ half_waves = [500] }]
""")


@pytest.mark.parametrize("before, sign", [("FFF", 1), ("FFFA", -1)])
def test_a_half_wave_after_a_tone_that_ended_just_before_a_whole_turn(before, sign):
    # 3 x 1.3 turns = 3.9: the nearest half-turn is 4.0, so the first is upper and the next lower.
    sound = sound_of(before + "A", MIXED, 96_000, level=1.0)
    assert np.sign(sound[-24]) == sign
