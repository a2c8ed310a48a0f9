"""Blocks that were not heard at all: noticed, told, and nothing after them at a wrong address."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import pytest

import symbol_layer as layer
from made_up_cards import NAMES, made_up
from tapewright import blocks, framing
from tapewright.cards import FormatCard, load_format
from tapewright.model import GAP, Block, Image, Symbols

DATA = np.random.default_rng(31).integers(0, 256, 279).astype(np.uint8).tobytes()
START = 0x9234
#: Library formats whose programs are cut into blocks.
CUT = ("mallow-fsk-600", "alder-biphase-m-2000", "larch-biphase-l-2000", "tansy-hex-250", "plover-ratio-200")


def card_of(name: str) -> FormatCard:
    return made_up(name) if name in NAMES else load_format(name)


def saved(name: str, data: bytes = DATA, start: int = START, **options) -> tuple[Symbols, FormatCard]:
    card = card_of(name)
    return layer.heard(blocks.encode(Image.from_bytes(data, start), card, **options), card), card


def read(symbols: Symbols, card: FormatCard) -> tuple[Block, ...]:
    return blocks.decode(symbols, framing.Framer(symbols, card), card)[0]


def silenced(symbols: Symbols, lost: Iterable[Block]) -> Symbols:
    """Nothing is heard from the leader of each of these blocks to its last byte."""
    for block in sorted(lost, key=lambda block: block.span, reverse=True):
        ends = (block.span.start_seconds + 1e-6, block.span.end_seconds - 1e-6)
        first, last = np.searchsorted(symbols.end_seconds, ends)
        symbols = layer.dropped_out(symbols, int(first), int(last))
    return symbols


def missing(found: Iterable[Block]) -> list[Block]:
    return [block for block in found if any(fault.kind == "missing-block" for fault in block.faults)]


def assert_nothing_is_misplaced(found: Iterable[Block], data: bytes = DATA, start: int = START) -> None:
    for block in found:
        if block.data and block.address is not None and block.verified:
            assert block.data == data[block.address - start :][: len(block.data)]


@pytest.mark.parametrize("name", [*CUT, "sectors", "hexadecimal", "pieces", "header"])
def test_a_tape_with_every_block_misses_none(name: str) -> None:
    symbols, card = saved(name)
    assert missing(read(symbols, card)) == []
    symbols, card = saved(name, copies=2)
    assert missing(read(symbols, card)) == []


@pytest.mark.parametrize("name", [*CUT, "sectors", "hexadecimal", "pieces"])
def test_any_one_block_that_is_gone_is_told_and_the_others_stay_where_they_belong(name: str) -> None:
    data = {"plover-ratio-200": DATA * 3, "hexadecimal": DATA[:75], "sectors": DATA[:150]}.get(name, DATA)
    symbols, card = saved(name, data)
    whole = [block for block in read(symbols, card) if block.data]
    can_know_last = card.block[-1].after is not None
    for number, lost in enumerate(whole if can_know_last else whole[:-1]):
        if number == 0 and not can_know_last:
            continue  # blocks without a header: who knows that there was one before?
        found = read(silenced(symbols, [lost]), card)
        (gap,) = missing(found)
        assert not gap.complete
        assert not gap.verified
        assert not gap.byte_confidence.any()
        assert gap.span.start_seconds < lost.byte_seconds[0] < gap.span.end_seconds
        assert "could not be found" in gap.faults[0].text
        if gap.data or number < len(whole) - 1:  # without a total nobody knows how long the last one was
            assert (gap.address, len(gap.data)) == (lost.address, len(lost.data))
        others = [block for block in found if block.data and block is not gap]
        assert [block.address for block in others] == [b.address for b in whole if b is not lost]
        assert_nothing_is_misplaced(found, data)


@pytest.mark.parametrize("lost", [(0, 1), (1, 2), (0, 2), (0, 1, 2)])
def test_several_blocks_gone_are_counted(lost: tuple[int, ...]) -> None:
    symbols, card = saved("mallow-fsk-600")
    whole = [block for block in read(symbols, card) if block.data]
    found = read(silenced(symbols, [whole[k] for k in lost]), card)
    assert sum(len(block.data) for block in missing(found)) == sum(len(whole[k].data) for k in lost)
    image, confidence = blocks.assemble(found, card)
    assert [(piece.address, len(piece.data)) for piece in image] == [(START, len(DATA))]
    heard = confidence[0] > 0
    got, sent = (np.frombuffer(part, np.uint8) for part in (image.ranges[0].data, DATA))
    assert np.array_equal(got[heard], sent[heard])
    assert np.count_nonzero(~heard) == sum(len(whole[k].data) for k in lost)


def test_full_blocks_are_placed_by_time_where_the_last_is_gone_too() -> None:
    data = (DATA * 3)[:600]
    symbols, card = saved("mallow-fsk-600", data)
    whole = [block for block in read(symbols, card) if block.data]
    found = read(silenced(symbols, [whole[1], whole[-1]]), card)
    assert [block.address for block in found if block.data] == [block.address for block in whole]
    assert_nothing_is_misplaced(found, data)


def test_a_pause_between_blocks_is_no_missing_block() -> None:
    symbols, card = saved("mallow-fsk-600")
    whole = [block for block in read(symbols, card) if block.data]
    at = int(np.searchsorted(symbols.start_seconds, whole[1].span.start_seconds))
    pause = layer.built(symbols.names, np.array([GAP]), np.array([2.9]))
    cut = [layer.without(symbols, at, len(symbols) - 1), pause, layer.without(symbols, 0, at - 1)]
    found = read(layer.joined(*cut), card)
    assert missing(found) == []
    assert [block.address for block in found if block.data] == [block.address for block in whole]


def test_where_time_and_promise_disagree_no_address_is_made_up() -> None:
    # of 600 bytes in five blocks the second and fifth are gone, and the tape stood still for 1.8 blocks' time
    data = (DATA * 3)[:600]
    symbols, card = saved("mallow-fsk-600", data)
    whole = [block for block in read(symbols, card) if block.data]
    symbols = silenced(symbols, [whole[1], whole[-1]])
    gap = int(np.flatnonzero(symbols.index == GAP)[0])
    pause = layer.built(symbols.names, np.array([GAP]), np.array([1.4]))
    cut = [layer.without(symbols, gap, len(symbols) - 1), pause, layer.without(symbols, 0, gap - 1)]
    found = read(layer.joined(*cut), card)
    assert "unknown number" in missing(found)[0].faults[0].text
    assert [block.address for block in found if block.verified and block.data] == [START, None, None]


def test_a_block_of_another_program_does_not_fill_the_place_of_one_that_is_gone() -> None:
    # the last block of the first copy and the header of the second are silent
    symbols, card = saved("mallow-fsk-600", copies=2)
    whole = read(symbols, card)
    found = read(silenced(symbols, [whole[3], whole[4]]), card)
    assert_nothing_is_misplaced(found)
    assert len(missing(found)) == 2


def test_one_of_two_copies_of_a_block_may_be_gone() -> None:
    symbols, card = saved("header", DATA[:150])
    whole = [block for block in read(symbols, card) if block.data]
    assert len(whole) == 6
    for lost in whole:
        found = read(silenced(symbols, [lost]), card)
        assert missing(found) == []
        assert_nothing_is_misplaced(found, DATA[:150], START)
    found = read(silenced(symbols, whole[2:4]), card)
    (gap,) = missing(found)
    assert (gap.address, len(gap.data)) == (START + 64, 64)
    assert_nothing_is_misplaced(found, DATA[:150], START)


def test_a_header_alone_promises_its_program() -> None:
    symbols, card = saved("reed-pwm-1500", DATA[:80])
    (header, data) = read(symbols, card)
    found = read(silenced(symbols, [data]), card)
    (gap,) = missing(found)
    assert (gap.kind, gap.address, gap.data) == ("data", START, bytes(80))
    assert found[0].fields == header.fields


def test_short_blocks_are_all_found_however_well_each_is_heard() -> None:
    # two more begin before the first would have to: whose sync is clearest must not matter
    card = load_format("mallow-fsk-600")
    header, data = card.block
    short = data.layout[0].model_copy(update={"seconds": 0.3})
    data = data.model_copy(update={"size": 4, "layout": [short, *data.layout[1:]]})
    card = card.model_copy(update={"block": [header, data]})
    symbols = layer.heard(blocks.encode(Image.from_bytes(DATA[:18], START), card), card)
    log_p = np.minimum(symbols.log_p + np.linspace(-0.05, 0, len(symbols))[:, np.newaxis], 0.0)
    found = read(replace(symbols, log_p=log_p.astype(np.float32)), card)
    assert [len(block.data) for block in found if block.verified] == [0, 4, 4, 4, 4, 2]


def test_a_recording_that_ends_within_a_block_has_no_time_left_for_the_next() -> None:
    symbols, card = saved("mallow-fsk-600")
    first = next(block for block in read(symbols, card) if block.data)
    at = int(np.searchsorted(symbols.start_seconds, first.byte_seconds[100]))
    (rest,) = missing(read(layer.without(symbols, at, len(symbols) - 1), card))
    assert re.search(r"could not be found as the recording ends at \d+\.\d{3} s$", rest.faults[0].text)
    assert len(rest.data) == len(DATA) - 128
