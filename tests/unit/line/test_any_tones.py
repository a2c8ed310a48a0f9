"""Modem tones that are no simple parts of the bit rate: their phase never comes back to where it was."""

from __future__ import annotations

import numpy as np
import pytest

from symbol_cards import recording_of, symbol_card
from tapewright import line

# low and high tone, bits a second
TONES = [(998.2, 1234.8, 300), (943.9, 1325.0, 600), (1437.2, 2238.4, 1200), (1255.6, 1613.6, 458)]


@pytest.mark.parametrize("speed", [1.0, 0.97])
@pytest.mark.parametrize("tones", TONES)
def test_bits_by_any_two_tones_are_read_to_the_end(tones: tuple[float, float, int], speed: float) -> None:
    low, high, rate = tones
    low_bit, high_bit = (f"[{{ tone = {hertz}, us = {1e6 / rate} }}]" for hertz in (low, high))
    card = symbol_card(f"0 = {high_bit}\n1 = {low_bit}", 'start = "1"\nstop = "0"')
    bits = "".join(np.random.default_rng(5).choice(["0", "1"], 1500))
    symbols = line.decode(recording_of("0" * 200 + bits + "0" * 30, card, speed=speed), card).symbols
    assert bits in "".join("01"[k] if 0 <= k < 2 else "?" for k in symbols.index)
