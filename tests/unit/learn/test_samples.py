"""Stretches of bytes are cut into blocks at the known bytes in them."""

from __future__ import annotations

import numpy as np

from made_up_saves import framing_of, program
from tapewright.learn.known import Known
from tapewright.learn.matching import NOT_KNOWN, known_offsets
from tapewright.learn.samples import find_samples
from tapewright.learn.stretches import Stretch

DATA = program(30, 64)
KNOWN = [Known(DATA)]


def stretch(*pieces: bytes, save: int = 0, spare: bytes = b"", **rest: object) -> Stretch:
    heard = np.frombuffer(b"".join(pieces), np.uint8).astype(np.int16)
    after = np.frombuffer(spare, np.uint8).astype(np.int16)
    return Stretch(save, heard, after, 8 * np.arange(len(heard)), known_offsets(heard, DATA), **rest)  # type: ignore[arg-type]


def samples_of(*stretches: Stretch):
    return find_samples(stretches, KNOWN, framing_of(1))


def test_head_data_and_tail():
    (block,) = samples_of(stretch(b"\xa5\x5a\x40", DATA, b"\x99"))
    assert (block.head, block.first, block.end, block.tail) == (b"\xa5\x5a\x40", 0, 64, b"\x99")


def test_a_stretch_without_known_bytes_is_a_block_without_data():
    header, block = samples_of(stretch(b"\x01\x02\x03\x04"), stretch(b"\xa5", DATA))
    assert (header.has_data, header.head) == (False, b"\x01\x02\x03\x04")
    assert block.has_data


def test_blocks_with_nothing_between_them_are_cut_apart():
    first, second = samples_of(stretch(b"\xa5\x01", DATA[:32], b"\x77", b"\xa5\x02", DATA[32:], b"\x88"))
    assert (first.head, first.first, first.end, first.tail) == (b"\xa5\x01", 0, 32, b"\x77")
    assert (second.head, second.first, second.end, second.tail) == (b"\xa5\x02", 32, 64, b"\x88")


def test_the_same_block_several_times_running_is_one_with_copies():
    blocks = samples_of(*3 * [stretch(b"\xa5", DATA, b"\x99")])
    assert [block.copies for block in blocks] == [3]


def test_the_same_block_with_another_tail_is_no_copy():
    blocks = samples_of(stretch(b"\xa5", DATA, b"\x99"), stretch(b"\xa5", DATA, b"\x98"))
    assert [block.copies for block in blocks] == [1, 1]


def test_a_byte_repeated_to_be_found_by_is_there_once():
    (block,) = samples_of(stretch(16 * b"\x16" + b"\x2a", DATA))
    assert (block.head, block.repeats) == (b"\x16\x2a", 16)


def test_a_last_head_byte_that_is_by_chance_the_byte_before_the_data_is_given_back():
    # The third block's last head byte is what the program has before its data: the known run begins there.
    blocks = samples_of(
        stretch(b"\xa5\x01", DATA[:20]), stretch(b"\xa5\x02", DATA[20:40]), stretch(b"\xa5", DATA[39:])
    )
    assert [block.first for block in blocks] == [0, 20, 40]
    assert blocks[2].head == b"\xa5" + DATA[39:40]


def test_a_tail_byte_that_is_by_chance_the_next_of_the_program_is_given_to_the_tail():
    blocks = samples_of(stretch(b"\xa5", DATA[:33]), stretch(b"\xa5", DATA[32:], b"\x11"))
    assert [(block.first, block.end) for block in blocks] == [(0, 32), (32, 64)]
    assert blocks[0].tail == DATA[32:33]


def test_tail_bytes_that_look_like_trailer_are_taken_from_it():
    blocks = samples_of(
        stretch(b"\xa5", DATA[:20], b"\x11\x22"), stretch(b"\xa5", DATA[20:40], b"\x33\x44"),
        stretch(b"\xa5", DATA[40:], b"\x55", spare=b"\xff\xff"),
    )  # fmt: skip
    assert blocks[2].tail == b"\x55\xff"


def test_data_in_characters_are_counted_in_bytes_of_the_program():
    sent = DATA.hex().upper().encode()
    heard = np.frombuffer(b"\x3a" + sent + b"\x0d", np.uint8).astype(np.int16)
    known = np.r_[NOT_KNOWN, np.arange(len(sent)), NOT_KNOWN]
    framing = framing_of(1)
    framing = type(framing)(framing.byte, "hex", framing.swapped, 1.0)
    whole = Stretch(0, heard, heard[:0], 8 * np.arange(len(heard)), known)
    (block,) = find_samples([whole], KNOWN, framing)
    assert (block.first, block.end, block.tail) == (0, 64, b"\x0d")
