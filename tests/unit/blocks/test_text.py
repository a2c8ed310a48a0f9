"""Free-running text is told from other signals by its starts and stops, and by nothing else."""

from __future__ import annotations

import numpy as np
import pytest

import symbol_layer as layer
from tapewright import blocks, framing
from tapewright.blocks.text import text_bits
from tapewright.cards import FormatCard, load_format
from tapewright.model import Block, Image, Symbols, TapePart

DATA = np.random.default_rng(71).integers(0, 256, 120).astype(np.uint8).tobytes()


def read(symbols: Symbols, card: FormatCard) -> tuple[Block, ...]:
    return blocks.decode(symbols, framing.Framer(symbols, card), card)[0]


def foreign(card: FormatCard, kind: str, seed: int, sure: float) -> Symbols:
    """A long leader, then what a receiver makes of another format's tones, then a trailer."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(300, 2500))
    index = {
        "even": rng.integers(0, 2, n),
        "slow": np.repeat(rng.integers(0, 2, n // 4 + 1), 4)[:n],  # symbols a quarter as long
        "ones": (rng.random(n) < 0.8).astype(int),  # most cycles are heard as a 1
    }[kind]
    middle = layer.built("01", index.astype(np.int16), np.full(n, 1 / 1200), sure=sure)
    lead, trailer = (layer.heard([TapePart("lead", symbols="1", seconds=s)], card) for s in (4.0, 0.5))
    return layer.joined(lead, middle, trailer)


@pytest.mark.parametrize("kind", ["even", "slow", "ones"])
@pytest.mark.parametrize("name", ["kcs-300", "kcs-1200"])
def test_tones_of_another_format_after_a_leader_are_no_text(name: str, kind: str) -> None:
    card = load_format(name)
    for sure in (0.8, 0.99):
        claims = [block for seed in range(12) for block in read(foreign(card, kind, seed, sure), card)]
        # two bytes' worth of symbols may fit by chance; they are claimed with next to no confidence
        assert len(claims) <= 1
        assert all(len(block.data) < 4 and block.byte_confidence.max() < 0.2 for block in claims)


@pytest.mark.parametrize("name", ["kcs-300", "kcs-1200"])
def test_text_with_damage_is_still_text(name: str) -> None:
    card = load_format(name)
    clean = layer.heard(blocks.encode(Image.from_bytes(DATA, None), card), card)
    first = int(np.flatnonzero(clean.index == 0)[0])
    length = card.byte.symbols_per_byte
    rng = np.random.default_rng(1)
    # one symbol in thirty misheard, two dropouts, two slips
    places = first + np.flatnonzero(rng.random(length * len(DATA)) < 1 / 30)
    symbols = layer.misheard(clean, places, sure=0.8)
    symbols = layer.dropped_out(symbols, first + 80 * length + 4, first + 84 * length)
    symbols = layer.dropped_out(symbols, first + 30 * length + 2, first + 36 * length + 5)
    symbols = layer.passed_over(symbols, first + 60 * length + 3, first + 60 * length + 3)
    (block,) = read(layer.halved(symbols, first + 15 * length + 6), card)
    assert len(block.data) == len(DATA)
    sure = block.byte_confidence > 0.9
    assert sure.sum() > 60
    right = [block.data[k] == DATA[k] for k in np.flatnonzero(sure)]
    assert np.mean(right) > 0.9


def test_noise_right_after_the_text_does_not_take_it_away() -> None:
    card = load_format("kcs-300")
    text = layer.heard(blocks.encode(Image.from_bytes(DATA, None), card), card)
    trailer = round(0.5 * 300)
    noise = layer.random_symbols(card, 3000, seed=5, sure=0.7)
    cut = layer.without(text, len(text) - trailer, len(text) - 1)
    found = read(layer.joined(cut, noise), card)
    assert found[0].data.startswith(DATA[:-1])


@pytest.mark.parametrize("rest", [0, 3, 12])
def test_a_silence_after_a_short_rest_ends_a_text(rest: int) -> None:
    card = load_format("kcs-300")
    parts = [TapePart("lead", symbols="1", seconds=2.0), TapePart("bytes", data=DATA)]
    parts += [TapePart("symbols", symbols="1" * rest), TapePart("gap", seconds=0.3)]
    text = layer.heard(parts, card)
    first = int(np.flatnonzero(text.index == 0)[0])
    # tones of another format, hardly any of whose starts have their stop
    after = layer.built("01", np.zeros(400, np.int16), np.full(400, 1 / 300))

    def weighed(symbols: Symbols) -> float:
        run = framing.Framer(symbols, card).read(first, len(DATA))
        return text_bits(symbols, card.byte, run, first, idle_seconds=0.5)[0]

    assert weighed(layer.joined(text, after)) == weighed(text)
    cut = layer.without(text, len(text) - 1, len(text) - 1)
    assert weighed(layer.joined(cut, after)) < weighed(text) - 10  # without the silence it goes on as no text
