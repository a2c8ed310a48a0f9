"""Whatever a receiver claims, soft values stay finite: nothing is surer than sure."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import symbol_layer as layer
from made_up_cards import made_up
from tapewright import blocks, framing
from tapewright.cards import load_format
from tapewright.model import Image

DATA = np.random.default_rng(61).integers(0, 256, 40).astype(np.uint8).tobytes()


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize(
    "name", ["sorrel-step-1200", "hexadecimal", "teasel-three-1170", "kcs-300", "reed-pwm-1500"]
)
@pytest.mark.parametrize("worst", [-np.inf, -700.0, np.nan])
def test_symbols_that_are_surely_nothing_do_not_spoil_the_others(name: str, worst: float) -> None:
    card = load_format(name) if "-" in name else made_up(name)
    symbols = layer.heard(
        blocks.encode(Image.from_bytes(DATA, 0x9234 if card.carries_addresses else None), card), card
    )
    rng = np.random.default_rng(7)
    log_p = symbols.log_p.copy()
    # certainty: every other symbol is impossible ...
    log_p[(log_p < -1) & np.isfinite(log_p)] = worst if worst == worst else -np.inf
    # ... and now and then a symbol that can be none of them
    log_p[rng.random(len(log_p)) < 0.003] = worst
    symbols = replace(symbols, log_p=log_p)
    framer = framing.Framer(symbols, card)
    found, _ = blocks.decode(symbols, framer, card)
    assert any(block.data for block in found)
    for block in found:
        assert np.isfinite(block.byte_confidence).all()
        assert ((block.byte_confidence >= 0) & (block.byte_confidence <= 1)).all()
        assert np.isfinite(block.evidence_bits)
    run = framer.read(len(symbols) // 2, 30)
    assert np.isfinite(run.bit_llr).all()
