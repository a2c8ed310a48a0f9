"""Bad copies put together: believed only where the check of the block says so."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import symbol_layer as layer
from made_up_cards import made_up
from tapewright import blocks, framing
from tapewright.cards import FormatCard, load_format
from tapewright.model import Block, Image, Symbols

DATA = np.random.default_rng(41).integers(0, 256, 60).astype(np.uint8).tobytes()
START = 0x9234
#: Between them: addresses, names, hexadecimal characters, a start value, constants, several checks.
ADDRESSED = ("plain", "pieces", "heron-cycle-1600", "sorrel-step-1200", "yarrow-fm-500", "thistle-burst-320",
             "plover-ratio-200", "sedge-half-2700", "osier-biphase-s-1200")  # fmt: skip


def saved(which: str, data: bytes = DATA, **options) -> tuple[Symbols, FormatCard]:
    card = load_format(which) if "-" in which else made_up(which)
    return layer.heard(blocks.encode(Image.from_bytes(data, START), card, **options), card), card


def read(symbols: Symbols, card: FormatCard) -> tuple[Block, ...]:
    return blocks.decode(symbols, framing.Framer(symbols, card), card)[0]


def hurt(symbols: Symbols, card: FormatCard, number: int, first: int, count: int) -> Symbols:
    """Some bytes of a block are not heard."""
    block = [block for block in read(symbols, card) if block.data][number]
    seconds = np.append(block.byte_seconds, block.byte_seconds[-1] * 2 - block.byte_seconds[-2])
    a, b = np.searchsorted(symbols.start_seconds, (seconds[first] - 1e-6, seconds[first + count] - 1e-6))
    return layer.dropped_out(symbols, int(a), int(b) - 1)


@pytest.mark.parametrize("name", ADDRESSED)
def test_two_bad_takes_make_a_good_block(name: str) -> None:
    symbols, card = saved(name)
    whole = [block for block in read(symbols, card) if block.data]
    # framing that goes wrong after a gap is not the matter here: a lost byte is one the time would have held
    one, two = ([_blanked(block, first, count) for block in whole] for first, count in ((10, 5), (30, 6)))
    together = blocks.mended([*one, *two], card)
    image, confidence = blocks.assemble(together, card)
    assert [(piece.address, piece.data) for piece in image] == [(START, DATA)]
    assert confidence[0].min() > 0.999
    repaired = [block for block in together if block.check == "repaired"]
    assert len(repaired) == len([block for block in whole if len(block.data) > 30])
    for block in repaired[:1]:
        assert block.verified
        assert block.repaired_offsets == tuple(range(10, 15))
        assert "55 bytes are its own, 5 come from" in block.faults[0].text or len(whole) > 1
        assert "1 combination was tried" in block.faults[0].text


def _blanked(block: Block, first: int, count: int) -> Block:
    if len(block.data) <= 30:
        return block
    data, sure = bytearray(block.data), np.full(len(block.data), 0.9999)
    data[first : first + count], sure[first : first + count] = bytes(count), 0.0
    return replace(block, data=bytes(data), byte_confidence=sure, check="bad")


def test_two_bad_copies_on_one_tape_make_a_good_block() -> None:
    symbols, card = saved("plain", copies=2)
    found = read(hurt(hurt(symbols, card, 0, 10, 5), card, 1, 30, 6), card)
    assert [block.check for block in found] == ["bad", "bad"]
    assert sorted(block.check for block in blocks.mended(found, card)) == ["bad", "repaired"]


def test_copies_that_lack_the_same_byte_stay_bad() -> None:
    symbols, card = saved("plain", copies=2)
    found = read(hurt(hurt(symbols, card, 0, 10, 5), card, 1, 14, 6), card)
    assert blocks.mended(found, card) == found


def test_copies_that_contradict_each_other_stay_bad_though_a_sum_of_eight_bits_would_agree() -> None:
    symbols, card = saved("plain", copies=2)
    at = int(np.flatnonzero(symbols.index == 0)[0]) + 11 * (6 + 20) + 3
    found = read(layer.misheard(hurt(symbols, card, 1, 30, 6), [at], sure=0.6), card)
    assert all(not block.verified for block in found)
    # the second copy has that byte for sure, so this one can be mended ...
    assert "repaired" in {block.check for block in blocks.mended(found, card)}
    # ... but not where neither copy is sure of it
    second = read(symbols, card)[1].byte_seconds[20]
    other = int(np.searchsorted(symbols.start_seconds, second - 1e-6)) + 4
    symbols = layer.misheard(layer.misheard(symbols, [at], sure=0.6), [other], sure=0.6)
    found = read(symbols, card)
    assert [block.check for block in found] == ["bad", "bad"]
    assert blocks.mended(found, card) == found


def test_a_field_misread_in_one_copy_is_tried_as_the_other_has_it() -> None:
    symbols, card = saved("teasel-three-1170", name="demo")
    found = read(symbols, card)
    bad = [_blanked(found[0], 10, 5), _blanked(found[1], 40, 5)]
    bad[1] = replace(bad[1], fields={**bad[1].fields, "name": "DEMQ"})
    (block,) = [block for block in blocks.mended(bad, card) if block.check == "repaired"]
    assert (block.data, block.fields["name"]) == (DATA, "DEMO")
    assert "2 combinations were tried at most" in block.faults[0].text


def test_a_bad_header_does_not_put_a_second_program_at_a_wrong_address() -> None:
    symbols, card = saved("mallow-fsk-600", copies=2, name="demo")
    first = read(symbols, card)[0]
    lead_end = int(np.flatnonzero(symbols.index == 0)[0])
    at = lead_end + 11 * (2 + 6 + 1) + 2  # the high byte of the start address
    found = read(layer.misheard(symbols, [at], sure=0.99), card)
    assert found[0].check == "bad"
    assert found[0].fields != first.fields
    image, _ = blocks.assemble(found, card)
    assert [(piece.address, piece.data) for piece in image] == [(START, DATA)]


def test_a_field_that_was_not_heard_is_left_out() -> None:
    symbols, card = saved("plain")
    at = int(np.flatnonzero(symbols.index == 0)[0]) + 11 * 2
    (block,) = read(layer.dropped_out(symbols, at, at + 21), card)
    assert "start" not in block.fields
    assert block.address is None
    assert any("'start' could not be read" in fault.text for fault in block.faults)
