"""Pieces cut out of a recording, or in it twice: bytes after them are not called sure in a wrong place."""

from __future__ import annotations

from dataclasses import replace
from importlib.resources import files

import numpy as np
import pytest

import symbol_layer as layer
from tapewright import blocks, framing
from tapewright.cards import FormatCard, load_format
from tapewright.cards.load import parse_card
from tapewright.model import GAP, Block, Image, Symbols

START = 0x9234
DATA = np.random.default_rng(5).integers(0, 256, 100).astype(np.uint8).tobytes()
FIRST = 30
#: Only the number of bits tells where a byte is; bytes have start and stop, with and without a length.
COUNTED = ("alder-biphase-m-2000", "larch-biphase-l-2000", "plover-ratio-200", "yarrow-fm-500")
FRAMED, UNTIL_LEAD = ("mallow-fsk-600", "sorrel-step-1200"), ("kcs-300", "kcs-1200", "v21-300")


def heard(card: FormatCard) -> tuple[Symbols, int]:
    """Hear a tape, and say which is the first symbol of the byte from which on it will be damaged."""
    symbols = layer.heard(blocks.encode(Image.from_bytes(DATA, START), card), card)
    return symbols, int(
        np.searchsorted(symbols.start_seconds, read(symbols, card).byte_seconds[FIRST] - 1e-6)
    )


def read(symbols: Symbols, card: FormatCard) -> Block:
    found = blocks.decode(symbols, framing.Framer(symbols, card), card)[0]
    return next(block for block in found if block.data)


def jumping(symbols: Symbols, at: int, bits: float) -> Symbols:
    """Take so many bits out from a symbol on, or put them in if negative; six more are not heard."""
    bit = float(np.median(np.diff(symbols.start_seconds[at : at + 99])))
    whole = int(np.ceil(abs(bits)))
    moved = -bits
    if bits > 0:
        symbols, moved = layer.without(symbols, at, at + whole - 1), whole - bits
    else:
        twice = range(at - whole, at)
        order = np.r_[0:at, twice, at : len(symbols)]
        symbols = symbols.at(order)
        starts, ends = symbols.start_seconds.copy(), symbols.end_seconds.copy()
        starts[at:] += whole * bit  # the repeated ones come as much later as those after them
        ends[at:] += whole * bit
        symbols, moved = replace(symbols, start_seconds=starts, end_seconds=ends), -bits - whole
    symbols = layer.dropped_out(symbols, at, at + 5)
    starts, ends = symbols.start_seconds.copy(), symbols.end_seconds.copy()
    starts[at + 1 :] += moved * bit
    ends[at:] += moved * bit
    assert symbols.index[at] == GAP
    return replace(symbols, start_seconds=starts, end_seconds=ends)


def wrong_and_sure(block: Block) -> int:
    n = min(len(block.data), len(DATA))
    wrong = np.frombuffer(block.data, np.uint8)[:n] != np.frombuffer(DATA, np.uint8)[:n]
    return int(np.count_nonzero(wrong & (block.byte_confidence[:n] > 0.9)))


@pytest.mark.parametrize("bits", [2.8, 5.6, 23.2, 46.4, 85.3, -5.3, -23.2])
@pytest.mark.parametrize("name", [*COUNTED, *FRAMED, *UNTIL_LEAD])
def test_bytes_after_a_jump_are_not_wrong_and_sure(name: str, bits: float) -> None:
    card = load_format(name)
    symbols, at = heard(card)
    assert read(symbols, card).byte_confidence.min() > 0.99
    block = read(jumping(symbols, at + 3, bits), card)
    assert wrong_and_sure(block) <= 1  # the one the jump lies in may look whole
    assert block.data[:FIRST] == DATA[:FIRST]
    assert block.byte_confidence[: FIRST - 6].min() > 0.99


def test_a_check_that_fails_in_a_good_recording_is_not_put_down_to_a_jump_alone() -> None:
    card = load_format("heron-cycle-1600")
    symbols, _ = heard(card)
    text = (files("tapewright.cards") / f"library/formats/{card.name}.toml").read_text(encoding="utf-8")
    text = text.replace('over = ["start", "length", "data"]', 'over = ["data"]')
    block = read(symbols, parse_card(text, FormatCard, "changed.toml"))
    assert block.check == "bad"
    assert {fault.kind for fault in block.faults} == {"check"}
    assert any("check of the format card" in fault.text for fault in block.faults)
    assert block.byte_confidence.max() < 0.9


@pytest.mark.parametrize("bits", [23.4, 57.7, -14.4])
@pytest.mark.parametrize("name", ["larch-biphase-l-2000", *FRAMED])
def test_a_length_tells_where_bytes_after_a_jump_belong(name: str, bits: float) -> None:
    card = load_format(name)
    symbols, at = heard(card)
    block = read(jumping(symbols, at + 3, bits), card)
    lost = FIRST + 3 + round(max(bits, 0) / card.byte.symbols_per_byte)
    assert block.data[lost:] == DATA[lost:]
    if bits > 0:
        assert [fault.kind for fault in block.faults].count("jump") == 1
    else:  # what stands there twice is not missing
        assert block.verified


@pytest.mark.parametrize("name", UNTIL_LEAD)
def test_without_a_length_bytes_after_a_jump_are_doubtful(name: str) -> None:
    card = load_format(name)
    symbols, at = heard(card)
    block = read(jumping(symbols, at + 3, 14.3), card)
    assert block.byte_confidence[FIRST:].max() < 0.9
    (jump,) = (fault for fault in block.faults if fault.kind == "jump")
    assert "may stand at wrong addresses" in jump.text
    assert jump.span is not None
    assert jump.span.start_seconds == pytest.approx(symbols.start_seconds[at], abs=0.05)


@pytest.mark.parametrize("bits", [40, 101])
@pytest.mark.parametrize("name", [*COUNTED, *FRAMED, *UNTIL_LEAD])
def test_a_dropout_is_no_jump(name: str, bits: int) -> None:
    card = load_format(name)
    symbols, at = heard(card)
    block = read(layer.dropped_out(symbols, at + 3, at + 2 + bits), card)
    assert not any(fault.kind == "jump" for fault in block.faults)
    after = FIRST + 2 + -(-(3 + bits) // card.byte.symbols_per_byte)
    assert block.data[after:] == DATA[after:]
    assert block.byte_confidence[after:].min() > 0.98


def test_where_no_byte_is_to_blame_for_a_failed_check_none_is_sure() -> None:
    card = load_format("larch-biphase-l-2000")
    symbols, at = heard(card)
    block = read(layer.without(symbols, at, at + 2), card)
    assert block.check == "bad"
    assert block.byte_confidence.max() <= 0.5
    assert any("bytes stand at wrong addresses" in fault.text for fault in block.faults)


def test_a_short_check_that_agrees_by_chance_vouches_for_nothing() -> None:
    card = load_format("reed-pwm-1500")
    symbols, at = heard(card)
    agreeing = []
    for first in range(at - 60, at + 60):
        block = read(layer.without(symbols, first, first + 3), card)
        assert not block.verified
        agreeing += [fault.text for fault in block.faults if "once in 256 times by chance" in fault.text]
    assert agreeing
