"""A card in plain words: every fact of the layout is told, in order of time."""

from __future__ import annotations

import pytest

from card_text import EVERYTHING
from tapewright.cards import FormatCard, describe_format, format_names, load_format, parse_card


def test_a_whole_description():
    assert describe_format(load_format("heron-cycle-1600")) == [
        "heron-cycle-1600: Heron trainer board, single cycles, about 1600 bit/s",
        "Source: made up for Tapewright; line code as in single-cycle FSK (one long or short cycle a bit),"
        " common practice",
        "One whole cycle a bit: a long one is 0, a short one is 1. A 1 takes half as long as a 0, so the bit"
        " rate",
        "depends on the program; random bytes go at 1600 bit/s.",
        "Symbols:",
        "  0 is 1 cycle of 1200 Hz (0.8333 ms)",
        "  1 is 1 cycle of 2400 Hz (0.4167 ms)",
        "Bit rate: about 1600 bit/s on random bytes; a 0 takes longer than a 1",
        "A byte: 8 bits, least significant first, no parity, no start and stop symbols; 8 symbols in all",
        "Block 'data':",
        "  leader of 1, 4 s (a reader wants 0.3 s)",
        "  sync 96, 8 times (a reader wants 3)",
        "  always 2d",
        "  field 'start', 2 bytes, low byte first: address of the first data byte",
        "  field 'length', 2 bytes, low byte first: number of data bytes",
        "  data: length bytes",
        "  check: sum of the bytes, 8 bits, over start, length, data",
        "  leader of 1, 0.5 s",
        "  loads at start",
        "Check: every block carries one",
        "Addresses: on the tape",
    ]


@pytest.mark.parametrize("name", format_names())
def test_every_item_has_its_line_and_every_line_is_plain(name):
    card = load_format(name)
    lines = describe_format(card)
    begins = next(place for place, line in enumerate(lines) if line.startswith("Block "))
    indented = [line for line in lines[begins:] if line.startswith("  ")]
    items = sum(len(block.layout) for block in card.block)
    extra = [
        line
        for line in indented
        if line.startswith(("  loads ", "  the data after", "  goes on", "  the last"))
    ]
    assert len(indented) - len(extra) == items
    assert all(line.isprintable() and "None" not in line for line in lines)


def test_what_else_a_card_can_say():
    lines = describe_format(parse_card(EVERYTHING, FormatCard, "x"))
    for line in [
        "  0 is half-waves of 250 + 500 us, then silence for 1 ms (1.75 ms)",
        "  1 is 4 cycles of 2400 Hz, then a tone of 1200 Hz for 1 ms (2.667 ms)",
        "  M is level +1 for 500 us, -0.5 for 500 us (1 ms)",
        "A byte: start 0, 8 bits, most significant first, odd parity, stop 1; 11 symbols in all",
        "  mark of symbols MM",
        "  sync a5 5a, 4 times (a reader wants 2)",
        "  always 0d 0a, each byte as two hex characters, 1 added to each byte, inverted",
        "  text 'remark', at most 16 characters, ended by 0d",
        "  field 'all', 4 bytes, high byte first: total",
        "  check: sum of the bytes, 8 bits, over name, start, starting from 7h, reckoned over the bytes as"
        " they are on tape",
        "  the data after it load at start",
        "Block 'data', after 'header', at most 256 bytes of data each, 2 copies of each:",
        "  silence, 0.5 s",
        "  loads where the block before it ended",
        "  goes on until there are all bytes",
        "  the last has length = 0",
    ]:
        assert line in lines


def test_a_format_without_address_and_check_says_so():
    lines = describe_format(load_format("kcs-300"))
    assert "Addresses: not on the tape; you must know where the program belongs" in lines
    assert "  data until the leader" in lines
    assert any(line.startswith("Check: none") for line in lines)


def test_a_check_that_only_some_blocks_have():
    assert "Check: only in record" in describe_format(load_format("tansy-hex-250"))
