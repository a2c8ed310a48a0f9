"""Bytes after a dropout stand where they belong, though nobody knows how many symbols it swallowed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import symbol_layer as layer
from made_up_cards import made_up
from tapewright import blocks, framing
from tapewright.cards import FormatCard, load_format
from tapewright.model import GAP, Block, Image, Symbols, TapePart

START = 0x9234
#: Formats in which a 1 is longer or shorter than a 0 and bytes have no start and stop.
UNEQUAL = ("heron-cycle-1600", "reed-pwm-1500", "sedge-half-2700", "thistle-burst-320")


def data_of(seed: int) -> bytes:
    return np.random.default_rng(seed).integers(0, 256, 80).astype(np.uint8).tobytes()


def heard(card: FormatCard, data: bytes, trailer_seconds: float | None = None) -> Symbols:
    parts = list(blocks.encode(Image.from_bytes(data, START), card))
    if trailer_seconds is not None:
        assert parts[-1].kind == "lead"
        parts[-1] = TapePart("lead", symbols=parts[-1].symbols, seconds=trailer_seconds)
    return layer.heard(parts, card)


def read(symbols: Symbols, card: FormatCard) -> Block:
    found = blocks.decode(symbols, framing.Framer(symbols, card), card)[0]
    return next(block for block in found if block.data)


def damaged(symbols: Symbols, card: FormatCard, first_bit: int, bits: int) -> Symbols:
    """Nothing is heard from a bit of the data on, for so many bits."""
    block = read(symbols, card)
    at = int(np.searchsorted(symbols.start_seconds, block.byte_seconds[0] - 1e-6)) + first_bit
    return layer.dropped_out(symbols, at, at + bits - 1)


@pytest.mark.parametrize("bits", [20, 64, 101])
@pytest.mark.parametrize("name", UNEQUAL)
def test_bytes_after_a_dropout_are_right(name: str, bits: int) -> None:
    card = load_format(name)
    for seed in range(6):
        data = data_of(seed)
        block = read(damaged(heard(card, data), card, 8 * 30 + 3, bits), card)
        after = 30 + -(-(3 + bits) // 8)
        assert block.data == data[:30] + bytes(after - 30) + data[after:]
        assert not block.byte_confidence[30:after].any()
        assert block.byte_confidence[after:].min() > 0.4
        assert (block.check, block.complete) == ("bad", True)
        assert any(fault.kind == "dropout" for fault in block.faults)


@pytest.mark.parametrize("name", ["heron-cycle-1600", "sedge-half-2700", "thistle-burst-320"])
def test_with_a_trailer_of_another_length_bytes_are_doubted_as_often_as_they_are_wrong(name: str) -> None:
    card, claimed, right = load_format(name), [], []
    rng = np.random.default_rng(3)
    for seed in range(60):
        data = data_of(seed)
        symbols = heard(card, data, trailer_seconds=rng.uniform(0.25, 0.6))
        block = read(damaged(symbols, card, 8 * 30 + 3, 60), card)
        claimed.append(float(block.byte_confidence[45:].mean()))
        right.append(block.data[45:] == data[45:])
    assert np.mean(claimed) == pytest.approx(np.mean(right), abs=0.15)
    assert 0.3 < np.mean(claimed) < 0.85


@pytest.mark.parametrize("name", ["plain", "sorrel-step-1200", "mallow-fsk-600"])
@pytest.mark.parametrize("share", [-0.8, 0.8, 1.3])
def test_bytes_with_start_and_stop_are_counted_from_the_end_where_time_lies(name: str, share: float) -> None:
    card = load_format(name) if "-" in name else made_up(name)
    data, length = data_of(1), card.byte.symbols_per_byte
    on_tape = 2 if name == "sorrel-step-1200" else 1
    hurt = damaged(heard(card, data), card, on_tape * 30 * length, on_tape * 10 * length)
    # the tape ran unevenly: the dropout lasts longer, or not as long, as the bytes in it should have
    gap = int(np.flatnonzero((hurt.index == GAP) & (np.arange(len(hurt)) > 99))[0])
    one = float(np.median(np.diff(hurt.start_seconds[gap + 1 : gap + 99])))
    starts, ends = hurt.start_seconds.copy(), hurt.end_seconds.copy()
    starts[gap + 1 :] += share * length * one
    ends[gap:] += share * length * one
    block = read(replace(hurt, start_seconds=starts, end_seconds=ends), card)
    assert block.data == data[:30] + bytes(10) + data[40:]
    assert block.byte_confidence[42:].min() > 0.9
