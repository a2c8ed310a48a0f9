"""A bit may be silence: then nothing tells the time for as long as it lasts."""

from __future__ import annotations

import numpy as np
import pytest

from symbol_cards import recording_of, symbol_card
from tapewright.channel import add_noise
from tapewright.line import decode

RATE_HZ = 44_100
BURST = '"0" = [{tone = 3500, cycles = 2}, {silence = 293}]\n"1" = [{silence = %.1f}]'
CELL_US = 864.4


@pytest.mark.parametrize("longer", [-0.008, 0.0, 0.008], ids=["shorter", "equal", "longer"])
def test_bursts_after_a_long_silence_are_found_though_the_card_is_not_exact(longer: float) -> None:
    dice = np.random.default_rng(8)
    values = "".join("1" + text + "00" for text in dice.choice(["11111111", "11101111", "01010011"], 60))
    sent = "0" * 400 + values + "0" * 100
    tape = add_noise(
        recording_of(sent, symbol_card(BURST % (CELL_US * (1 + longer))), rate_hz=RATE_HZ),
        35.0, band_hz=(20, 20_000), seed=1,
    )  # fmt: skip
    assert values in decode(tape, symbol_card(BURST % CELL_US)).symbols.text
