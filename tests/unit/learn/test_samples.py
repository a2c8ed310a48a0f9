"""Stretches of bytes are cut into blocks at the known bytes in them."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from made_up_saves import framing_of, program
from tapewright.learn.block_cuts import find_samples
from tapewright.learn.known import Known
from tapewright.learn.matching import NOT_KNOWN, known_offsets
from tapewright.learn.stretches import Stretch

DATA = program(30, 64)
KNOWN = [Known(DATA)]


def stretch(*pieces: bytes, save: int = 0, spare: bytes = b"", **rest: object) -> Stretch:
    heard = np.frombuffer(b"".join(pieces), np.uint8).astype(np.int16)
    after = np.frombuffer(spare, np.uint8).astype(np.int16)
    return Stretch(save, heard, after, 8 * np.arange(len(heard)), known_offsets(heard, DATA), **rest)  # type: ignore[arg-type]


def stretch_of(heard: bytes, known: np.ndarray) -> Stretch:
    """Bytes of which it is said which of the known ones they are."""
    values = np.frombuffer(heard, np.uint8).astype(np.int16)
    return Stretch(0, values, values[:0], 8 * np.arange(len(values)), known.astype(np.int64))


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


@pytest.mark.parametrize("missing", [32, 48, 64])
def test_blocks_of_nothing_but_leader_are_what_is_missing_between_their_neighbours(missing):
    data = program(31, 32) + bytes(missing) + program(32, 32)
    begin = 32 + missing
    heads = [b"\xa5" + bytes([number]) for number in range(1, 2 + (31 + begin) // 32)]
    heard = [heads[0] + data[:32], *heads[1:-1], heads[-1] + data[begin:]]
    places = [np.array([NOT_KNOWN] * 2 + [*range(first, first + 32)]) for first in (0, begin)]
    known = [places[0], *[np.full(2, NOT_KNOWN)] * (len(heads) - 2), places[1]]
    found = find_samples([*map(stretch_of, heard, known)], [Known(data)], framing_of(1))
    assert [(part.first, part.end) for part in found] == [
        (first, min(first + 32, begin)) for first in range(0, begin, 32)
    ] + [(begin, begin + 32)]
    assert [part.head for part in found] == heads


def test_the_same_block_several_times_running_is_one_with_copies():
    blocks = samples_of(*3 * [stretch(b"\xa5", DATA, b"\x99")])
    assert [block.copies for block in blocks] == [3]


def test_the_same_block_with_another_tail_is_no_copy():
    blocks = samples_of(stretch(b"\xa5", DATA, b"\x99"), stretch(b"\xa5", DATA, b"\x98"))
    assert [block.copies for block in blocks] == [1, 1]


def test_a_byte_repeated_to_be_found_by_is_there_once():
    (block,) = samples_of(stretch(16 * b"\x16" + b"\x2a", DATA))
    assert (block.head, block.repeats) == (b"\x16\x2a", 16)


def test_a_byte_that_is_repeated_for_longer_before_the_first_copy_is_no_header():
    one, other = samples_of(
        stretch(40 * b"\x16", b"\x2a", DATA, b"\x99", 6 * b"\x16", b"\x2b", DATA, b"\x99")
    )
    assert (one.head, one.repeats, one.first, one.tail) == (b"\x16\x2a", 40, 0, b"\x99")
    assert (other.head, other.repeats, other.first, other.tail) == (b"\x16\x2b", 6, 0, b"\x99")


def test_a_last_head_byte_that_is_by_chance_the_byte_before_the_data_is_given_back():
    # The third block's last head byte is what the program has before its data: there known bytes begin.
    blocks = samples_of(
        stretch(b"\xa5\x01", DATA[:20]), stretch(b"\xa5\x02", DATA[20:40]), stretch(b"\xa5", DATA[39:])
    )
    assert [block.first for block in blocks] == [0, 20, 40]
    assert blocks[2].head == b"\xa5" + DATA[39:40]


def test_a_tail_byte_that_is_by_chance_the_next_of_the_program_is_given_to_the_tail():
    blocks = samples_of(stretch(b"\xa5", DATA[:33]), stretch(b"\xa5", DATA[32:], b"\x11"))
    assert [(block.first, block.end) for block in blocks] == [(0, 32), (32, 64)]
    assert blocks[0].tail == DATA[32:33]


def test_a_block_that_misheard_symbols_tore_in_two_is_one():
    blocks = samples_of(
        stretch(b"\xa5\x01", DATA[:16], b"\x11"), stretch(b"\xa5\x02", DATA[16:22]),
        stretch(b"\x99\x98\x97", DATA[26:32], b"\x22"), stretch(b"\xa5\x03", DATA[32:48], b"\x33"),
        stretch(b"\xa5\x04", DATA[48:], b"\x44"),
    )  # fmt: skip
    assert [(block.first, block.end) for block in blocks] == [(0, 16), (16, 32), (32, 48), (48, 64)]
    assert (blocks[1].head, blocks[1].tail) == (b"\xa5\x02", b"\x22")


def test_two_short_blocks_running_are_not_one_that_is_torn():
    cuts = [0, 16, 32, 48, 56, 64]
    blocks = samples_of(*(stretch(b"\xa5", DATA[i:j], b"\x11") for i, j in itertools.pairwise(cuts)))
    assert [block.end for block in blocks] == cuts[1:]


def test_tail_bytes_that_look_like_trailer_are_taken_from_it():
    blocks = samples_of(
        stretch(b"\xa5", DATA[:20], b"\x11\x22"), stretch(b"\xa5", DATA[20:40], b"\x33\x44"),
        stretch(b"\xa5", DATA[40:], b"\x55", spare=b"\xff\xff"),
    )  # fmt: skip
    assert blocks[2].tail == b"\x55\xff"


@pytest.mark.parametrize("first", [True, False])
def test_the_longer_of_two_tails_is_not_the_one_that_looks_like_trailer(first):
    cut, whole = (
        stretch(b"\xa5", DATA[:40], b"\x55", spare=b"\xff\xff"),
        stretch(b"\xa5", DATA[40:], b"\x33\x44"),
    )
    blocks = samples_of(*((cut, whole) if first else (whole, cut)))
    assert {block.tail for block in blocks} == {b"\x55\xff", b"\x33\x44"}


def test_data_in_characters_are_counted_in_bytes_of_the_program():
    sent = DATA.hex().upper().encode()
    heard = np.frombuffer(b"\x3a" + sent + b"\x0d", np.uint8).astype(np.int16)
    known = np.r_[NOT_KNOWN, np.arange(len(sent)), NOT_KNOWN]
    framing = framing_of(1)
    framing = type(framing)(framing.byte, "hex", framing.swapped, 1.0)
    whole = Stretch(0, heard, heard[:0], 8 * np.arange(len(heard)), known)
    (block,) = find_samples([whole], KNOWN, framing)
    assert (block.first, block.end, block.tail) == (0, 64, b"\x0d")


def test_what_fills_a_last_block_up_is_no_tail():
    blocks = samples_of(stretch(b"\xa5", DATA[:40], b"\x11"), stretch(b"\xa5", DATA[40:], bytes(16), b"\x22"))
    assert [(block.first, block.end, block.tail) for block in blocks] == [(0, 40, b"\x11"), (40, 64, b"\x22")]
    assert [len(block.filling) for block in blocks] == [0, 16]
    assert [block.room for block in blocks] == [40, 40]


def test_a_long_tail_that_is_not_all_the_same_fills_nothing_up():
    blocks = samples_of(
        stretch(b"\xa5", DATA[:40], b"\x11"), stretch(b"\xa5", DATA[40:], bytes(15), b"\x01\x22")
    )
    assert blocks[1].filling == b""
    assert len(blocks[1].tail) == 17


def test_a_byte_misread_at_the_edge_of_a_block_is_one_of_its_data():
    first, second, third = DATA[:20], DATA[20:40], DATA[40:]
    misread = bytes([second[0] ^ 0x10]) + second[1:-1] + bytes([second[-1] ^ 0x10])
    blocks = samples_of(
        stretch(b"\xa5\x01", first, b"\x99"), stretch(b"\xa5\x02", misread, b"\x98"),
        stretch(b"\xa5\x03", third, b"\x97"),
    )  # fmt: skip
    assert [(block.first, block.end) for block in blocks] == [(0, 20), (20, 40), (40, 64)]
    assert [block.tail for block in blocks] == [b"\x99", b"\x98", b"\x97"]
    assert [block.head for block in blocks] == [b"\xa5\x01", b"\xa5\x02", b"\xa5\x03"]


def test_heads_are_as_long_as_others_of_the_same_save():
    # In the second save names are longer, in the first a head's last byte is the one before its data.
    knowns = [Known(DATA), Known(DATA)]
    heads = [b"\xa5AB"] * 3 + [b"\xa5ABCDE"] * 5
    cuts = [(0, 20), (20, 40), (40, 64)] + [(first, first + 10) for first in range(0, 50, 10)]
    stretches = [
        stretch(head, DATA[first:end], save=int(k > 2))
        for k, (head, (first, end)) in enumerate(zip(heads, cuts, strict=True))
    ]
    blocks = find_samples(stretches, knowns, framing_of(2))
    assert [block.head for block in blocks] == heads
    assert [(block.first, block.end) for block in blocks] == cuts


def test_data_that_repeat_themselves_begin_where_they_usually_do():
    data = program(33, 32) + bytes(32) + program(34, 32)
    heads = [b"\xa5\x01\x00", b"\xa5\x02\x00", b"\xa5\x03\x00"]
    late = np.r_[4 * [NOT_KNOWN], 32 + np.arange(31)]  # found one byte late
    pieces = [
        stretch_of(heads[0] + data[:32], np.r_[3 * [NOT_KNOWN], np.arange(32)]),
        stretch_of(heads[1] + bytes(32), late),
        stretch_of(heads[2] + data[64:], np.r_[3 * [NOT_KNOWN], 64 + np.arange(32)]),
    ]
    blocks = find_samples(pieces, [Known(data)], framing_of(1))
    assert [(block.head, block.first, block.end) for block in blocks] == [
        (heads[0], 0, 32), (heads[1], 32, 64), (heads[2], 64, 96),
    ]  # fmt: skip


def test_equal_bytes_that_one_save_begins_with_are_no_byte_repeated_to_be_found_by():
    one, other = find_samples(
        [stretch(b"\x30\x30\x30\x35", DATA), stretch(b"\x44\x37\x38\x38", DATA, save=1)],
        2 * KNOWN, framing_of(2),
    )  # fmt: skip
    assert [(block.head, block.repeats) for block in (one, other)] == [(b"0005", 1), (b"D788", 1)]


def test_a_block_of_zeros_in_a_leader_of_zeros_is_what_its_neighbours_leave():
    data = DATA[:20] + bytes(20) + DATA[40:]
    stretches = [
        stretch(b"\xa5\x01\x00", data[:20]), stretch(b"\xa5\x02"),
        stretch(b"\xa5\x03\x00", data[40:]),
    ]  # fmt: skip
    blocks = find_samples(stretches, [Known(data)], framing_of(1))
    assert [(block.head[1:], block.first, block.end) for block in blocks] == [
        (b"\x01\x00", 0, 20), (b"\x02\x00", 20, 40), (b"\x03\x00", 40, 64),
    ]  # fmt: skip
