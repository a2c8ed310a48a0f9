"""Writing blocks: what stands on tape, and what is refused with a sentence."""

from __future__ import annotations

import pytest

from made_up_cards import made_up
from tapewright import blocks
from tapewright.cards import FormatCard, load_format, parse_card
from tapewright.model import Image, Range, TapePart, UsageError


def tape(image: Image, card: FormatCard, **options) -> list[TapePart]:
    return list(blocks.encode(image, card, **options))


def bytes_of(parts: list[TapePart]) -> list[bytes]:
    return [part.data for part in parts if part.kind == "bytes"]


def with_layout(layout: str, more: str = "") -> FormatCard:
    text = f"""
card = "format"
name = "small"
title = "small"
source = "invented"
[symbols]
"0" = [{{ tone = 1200, cycles = 1 }}]
"1" = [{{ tone = 2400, cycles = 2 }}]
[byte]
start = "0"
stop = "11"
[[block]]
kind = "data"
layout = [{layout}]
{more}
"""
    return parse_card(text, FormatCard, "small.toml")


def test_a_block_is_laid_out_as_its_card_says() -> None:
    parts = tape(Image.from_bytes(b"\x10\x20\x30", 0x0200), made_up("plain"))
    assert [part.kind for part in parts] == ["lead", "bytes", "lead"]
    # sync, start and end little-endian, data, sum of start, end and data: 02 + 02 + 02 + 60h = 66h
    assert parts[1].data == bytes.fromhex("a55a 0002 0202 102030 66")
    assert (parts[0].symbols, parts[0].seconds) == ("1", 1.0)


def test_start_is_chosen_so_that_the_loader_puts_the_data_where_it_belongs() -> None:
    # the loader of this card adds 16
    header = bytes_of(tape(Image.from_bytes(b"abc", 0x0210), made_up("header"), name="xy"))[0]
    assert header[8:19] == b"HXY    " + bytes.fromhex("0200 0003")


def test_a_start_the_loader_cannot_reach_is_refused() -> None:
    card = with_layout(
        '{ field = "start", type = "u8" }, { field = "length", type = "u8" }, { data = "length" }',
        'load = "start * 256"',
    )
    assert bytes_of(tape(Image.from_bytes(b"a", 0x0300), card)) == [b"\x03\x01a"]
    with pytest.raises(UsageError, match=r"cannot load anything at 0310h \(load = start \* 256\)"):
        tape(Image.from_bytes(b"a", 0x0310), card)


def test_exclusive_end_is_a_value_in_the_card() -> None:
    piece = bytes_of(tape(Image.from_bytes(b"ab", 0x0100), made_up("pieces")))[0]
    assert piece[3:7] == bytes.fromhex("0001 0201")


def test_headers_blocks_and_copies_stand_in_order() -> None:
    parts = bytes_of(tape(Image.from_bytes(bytes(130), 0x1000), made_up("header")))
    kinds = [part[8] for part in parts]
    lengths = [part[9] for part in parts[1:]]
    assert kinds == [72, 68, 68, 68, 68, 68, 68]
    assert lengths == [64, 64, 64, 64, 2, 2]


def test_a_block_of_fixed_length_is_filled_up_where_the_header_tells_the_length() -> None:
    parts = bytes_of(tape(Image.from_bytes(b"\x01\x02", 0x1000), made_up("sectors"), run=0x1001))
    assert parts[0] == bytes.fromhex("c33c01 001000 0200 0110") + bytes(
        [0xC3 ^ 0x3C ^ 0x01 ^ 0x10 ^ 0x02 ^ 0x01 ^ 0x10]
    )
    assert parts[1][:6] == bytes.fromhex("c33c02 00 fe fd")
    assert len(parts[1]) == 4 + 32 + 2


def test_hexadecimal_bytes_go_as_two_characters_high_one_first() -> None:
    parts = bytes_of(tape(Image.from_bytes(b"\xaf", 0x0102), made_up("hexadecimal"), name="a"))
    # length 1, start 0102, no more, data AF; they and the check add up to 0: 1 + 1 + 2 + 0 + AFh + 4Dh = 100h
    assert parts == [b":SA\r", b":01010200AF4D\r\n"]


def test_the_last_block_is_told_by_its_field() -> None:
    parts = bytes_of(tape(Image.from_bytes(bytes(40), 0x0100), made_up("hexadecimal")))
    assert [part[7:9] for part in parts[1:]] == [b"01", b"01", b"00"]


def test_copies_are_the_whole_tape_again_after_a_pause() -> None:
    image, card = Image.from_bytes(b"abc", 0), made_up("plain")
    once, thrice = tape(image, card), tape(image, card, copies=3, pause_seconds=1.5)
    pause = [TapePart("gap", seconds=1.5)]
    assert thrice == once + pause + once + pause + once


def test_every_range_gets_its_own_block_where_the_card_carries_addresses() -> None:
    image = Image.of([Range(0x100, b"a"), Range(0x200, b"b")])
    starts = [part[2:4] for part in bytes_of(tape(image, made_up("plain")))]
    assert starts == [b"\x00\x01", b"\x00\x02"]


@pytest.mark.parametrize(
    "image,name,options,message",
    [
        (Image(), "plain", {}, "there are no program bytes to write"),
        (Image.from_bytes(b"a"), "plain", {}, "stores the address the program loads at"),
        (Image.from_bytes(b"ab", 0xFFFF), "plain", {}, "end at 10000h, and format plain has"),
        (Image.from_bytes(b"a", 0), "header", {}, "'start' would be -16, which does not fit"),
        (Image.from_bytes(bytes(65536)), "unaddressed", {}, "'length' would be 65536, which does not fit"),
        (Image.from_bytes(b"a", 16), "header", {"name": "seven77"}, "'SEVEN77' is 7 characters long"),
        (Image.from_bytes(b"a", 16), "header", {"name": "pi\xf1a"}, "give at most 6 printable ASCII"),
        (Image.from_bytes(b"a", 16), "hexadecimal", {"name": "a\rb"}, r"holds '\\r'"),
        (Image.from_bytes(b"a", 16), "plain", {"copies": 0}, "0 copies cannot be written; give 1 to 100"),
        (Image.from_bytes(b"a", 16), "plain", {"pause_seconds": -1}, "a pause of -1 s cannot be written"),
        (Image.of([Range(0, b"a"), Range(9, b"b")]), "unaddressed", {}, "2 ranges and format unaddressed"),
    ],
)  # fmt: skip
def test_what_cannot_be_written_is_refused_before_anything_is(image, name, options, message) -> None:
    with pytest.raises(UsageError, match=message):
        blocks.encode(image, made_up(name), **options)


@pytest.mark.parametrize("name", ["mallow-fsk-600", "heron-cycle-1600", "thistle-burst-320"])
def test_a_program_that_runs_past_the_last_address_is_refused(name) -> None:
    card = load_format(name)
    assert tape(Image.from_bytes(bytes(16), 0xFFF0), card)
    with pytest.raises(UsageError, match="would end at 10000h"):
        tape(Image.from_bytes(bytes(17), 0xFFF0), card)


def test_a_name_taken_from_the_image_is_made_to_fit() -> None:
    image = Image.from_bytes(b"a", 16, name="Déjà vu")
    header = bytes_of(tape(image, made_up("header")))[0]
    assert header[9:15] == b"DJ VU "


def test_free_running_text_needs_neither_address_nor_fields() -> None:
    parts = tape(Image.from_bytes(b"hello"), load_format("kcs-300"))
    assert bytes_of(parts) == [b"hello"]


def test_a_promise_the_block_would_not_keep_is_refused() -> None:
    card = with_layout('{ field = "length", type = "u8", value = "length + 1" }, { data = "length" }')
    with pytest.raises(UsageError, match="would promise 3 bytes in block 'data' that holds 2"):
        blocks.encode(Image.from_bytes(b"ab"), card)
