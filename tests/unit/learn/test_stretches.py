"""Bits are cut into stretches of bytes where leaders and silence are."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from heard_bits import sent, stream
from made_up_saves import framing_of, program
from symbol_layer import misheard
from tapewright.cards.format import ByteFormat
from tapewright.learn.known import Known
from tapewright.learn.stream import Stream
from tapewright.learn.stretches import find_stretches

BYTE = ByteFormat()
HEAD = b"\x68\x1c"


def test_a_trailer_too_short_for_a_leader_is_not_taken_for_bytes():
    data = program(50, 60) + b"\x55"
    bits = 200 * "0" + sent(HEAD + data, BYTE) + 50 * "0"
    (found,) = find_stretches([stream(bits)], [Known(data)], framing_of(1), "0")
    assert bytes(found.values.tolist()) == HEAD + data
    assert found.trail_seconds > 0.04
    assert set(found.spare[:4].tolist()) == {0}  # a check may look like leader


def test_a_trailer_that_silence_cuts_in_the_midst_of_a_byte_is_a_trailer():
    data = program(50, 60) + b"\x55"
    bits = 200 * "0" + sent(HEAD + data, BYTE) + 45 * "0" + "_" + 200 * "0" + sent(HEAD, BYTE) + 200 * "0"
    found = find_stretches([stream(bits)], [Known(data)], framing_of(1), "0")
    assert [bytes(piece.values.tolist()) for piece in found] == [HEAD + data, HEAD]


def test_zeros_at_the_end_of_the_known_bytes_are_data_all_the_same():
    data = program(51, 60) + bytes(3)
    bits = 200 * "0" + sent(HEAD + data + b"\x7b", BYTE) + 200 * "0"
    (found,) = find_stretches([stream(bits)], [Known(data)], framing_of(1), "0")
    assert bytes(found.values.tolist()) == HEAD + data + b"\x7b"


def test_a_mark_that_looks_like_the_start_of_a_byte_does_not_put_bytes_out_of_step():
    byte = ByteFormat(bits=7, order="msb", start="1", stop="0")
    data = bytes(value & 0x7F for value in program(52, 60))
    bits = "10" + sent(b"\x69\x39" + data, byte)
    assert (bits[0], bits[8]) == ("1", "0")  # so that it looks like a byte
    (found,) = find_stretches(
        [stream(80 * "L" + bits + 80 * "L", "01L")], [Known(data)], framing_of(1, **byte.model_dump()), "L"
    )
    assert bytes(found.values.tolist()) == b"\x69\x39" + data
    assert found.mark == "10"


@pytest.mark.parametrize("parity, left_out", [("none", 1), ("odd", 0), ("odd", 1)])
def test_with_idle_time_between_bytes_a_mark_may_look_like_the_start_of_the_first(parity, left_out):
    byte = ByteFormat(start="1", stop="0", parity=parity)
    data = program(55, 60)
    bits = 80 * "L" + "1" + sent(b"\x01\x34" + data, byte, idle="00") + 80 * "L"
    framing = replace(framing_of(1, **byte.model_dump()), left_out=left_out)
    (found,) = find_stretches([stream(bits, "01L")], [Known(data)], framing, "L")
    assert (bytes(found.values.tolist()), found.mark) == (b"\x01\x34" + data, "1")


def test_what_is_left_of_a_byte_read_too_early_may_make_a_second_one():
    byte = ByteFormat(bits=7, start="0", stop="1")
    data = bytes(value & 0x7F for value in program(61, 60))
    bits = 80 * "L" + "01" + sent(b"01F1" + data, byte, idle=8 * "1") + 80 * "L"
    framing = framing_of(1, **byte.model_dump())
    (early,) = find_stretches([stream(bits, "01L")], [Known(data)], framing, "L")
    assert bytes(early.values[:3].tolist()) == b"\x41\x7f1"
    (found,) = find_stretches([stream(bits, "01L")], [Known(data)], replace(framing, left_out=1), "L")
    assert (bytes(found.values.tolist()), found.mark) == (b"01F1" + data, "01")


def test_characters_of_a_header_that_by_chance_are_in_the_program_are_no_data():
    byte = ByteFormat(start="1", stop="0")
    data = program(56, 120)
    written = data.hex().upper().encode()
    framing = replace(framing_of(1, **byte.model_dump()), coding="hex")
    pieces = [HEAD + written[51:56] + b"\r", HEAD + written[:160] + b"\r", HEAD + written[160:] + b"\r"]
    bits = 80 * "L" + "".join(sent(piece, byte) + 80 * "L" for piece in pieces)
    found = find_stretches([stream(bits, "01L")], [Known(data)], framing, "L")
    assert [bytes(piece.values.tolist()) for piece in found] == pieces
    assert [piece.known_count for piece in found] == [0, 160, 80]


def test_bytes_in_step_with_those_after_them_are_no_bytes_if_their_frame_is_not_sound():
    byte = ByteFormat(start="0", stop="1", parity="odd")
    framed = byte.model_copy(update={"stop": "111"})  # of all bytes but the first two, sent by a tight loop
    data = program(52, 60)
    bits = 200 * "1" + sent(b"\xc7\x70", byte) + sent(b"\x8e" + data, framed) + 200 * "1"
    (found,) = find_stretches([stream(bits)], [Known(data)], framing_of(1, **framed.model_dump()), "1")
    assert found.values[0] != 0xC1  # in step with the third byte, but its parity and two stops are wrong
    (found,) = find_stretches([stream(bits)], [Known(data)], framing_of(1, **byte.model_dump()), "1")
    assert bytes(found.values.tolist()) == b"\xc7\x70\x8e" + data


def test_where_no_symbol_stands_for_long_a_few_zeros_are_no_leader():
    data = program(59, 40)
    pieces = [40 * b"\x16" + b"\x2a\x00\x34\x00" + data, 8 * b"\x16" + b"\x2b\x00\x34\x00" + data]
    bits = "_" + sent(b"".join(pieces), BYTE) + "_"
    (found,) = find_stretches([stream(bits)], [Known(data)], framing_of(1), "0")
    assert bytes(found.values.tolist()) == b"".join(pieces)


def test_what_is_not_the_idle_symbol_is_no_leader():
    byte = ByteFormat(start="0", stop="1")
    data = program(52, 60)
    for symbol in "01":
        bits = 200 * symbol + "1" + sent(HEAD + data, byte) + 20 * "1"
        *_, found = find_stretches([stream(bits)], [Known(data)], framing_of(1, **byte.model_dump()), "1")
        assert found.lead == ("1" if symbol == "1" else "")


def blocks(data: bytes, size: int, check: bytes = b"\x7b") -> str:
    """Blocks of a size, filled up with zeros, in a leader of zeros."""
    cuts = [data[first : first + size].ljust(size, b"\0") for first in range(0, len(data), size)]
    return "".join(200 * "0" + sent(HEAD + cut + check, BYTE) for cut in cuts) + 200 * "0"


def test_filling_that_looks_like_leader_is_of_the_block_if_the_block_ends_where_full_ones_do():
    data = program(53, 100)
    found = find_stretches([stream(blocks(data, 64))], [Known(data)], framing_of(1), "0")
    assert [len(piece) for piece in found] == [67, 67]
    assert bytes(found[1].values.tolist()) == HEAD + data[64:] + bytes(28) + b"\x7b"


def test_a_block_of_zeros_in_a_leader_of_zeros_ends_where_full_ones_do():
    data = bytes(32) + program(57, 64)
    found = find_stretches([stream(blocks(data, 32, b"\x7b\xc5"))], [Known(data)], framing_of(1), "0")
    assert [len(piece) for piece in found] == [36, 36, 36]
    assert [piece.known_count for piece in found] == [32, 32, 32]


def test_a_header_and_the_next_block_are_not_one_however_short_the_leader_between_them():
    data = program(58, 64)
    header = 200 * "0" + sent(HEAD + b"\x11", BYTE) + 96 * "0" + sent(HEAD + bytes(17) + b"\x91", BYTE)
    bits = header + blocks(data, 32)
    found = find_stretches([stream(bits)], [Known(data)], framing_of(1), "0")
    assert bytes(found[0].values.tolist()) == HEAD + b"\x11"


def test_a_block_filled_up_with_leader_ends_where_those_of_other_saves_do():
    one, other = program(62, 40), program(63, 100)
    silent = [blocks(data, 64).removesuffix(200 * "0") + "1_" for data in (one, other)]  # after a last pulse
    found = find_stretches([stream(bits) for bits in silent], [Known(one), Known(other)], framing_of(2), "0")
    assert [(piece.save, len(piece)) for piece in found] == [(0, 67), (1, 67), (1, 67)]


def test_a_short_last_block_ends_where_it_ends():
    data = program(54, 80)
    bits = "".join(200 * "0" + sent(HEAD + cut + b"\x7b", BYTE) for cut in (data[:64], data[64:]))
    found = find_stretches([stream(bits + 200 * "0")], [Known(data)], framing_of(1), "0")
    assert [len(piece) for piece in found] == [67, 19]


@pytest.mark.parametrize("start, stop", [("", ""), ("0", "1")])
def test_bytes_that_the_receiver_doubts_are_noise(start, stop):
    byte = ByteFormat(start=start, stop=stop)
    data = program(80, 40)
    bits = 200 * "1" + sent(HEAD + data, byte) + 200 * "1"
    more = sent(b"\x4a\x65\x4c", byte)
    heard = stream(bits + more + 200 * "1")
    places = len(bits) + np.flatnonzero(np.array([*more]) == "0")

    def counts(one: Stream) -> list[int]:
        found = find_stretches([one], [Known(data)], framing_of(1, **byte.model_dump()), "1")
        return [len(piece) for piece in found]

    assert counts(heard) == [42, 3]
    doubted = misheard(misheard(heard.symbols, places), places)  # there and back: as they were, but unsure
    assert counts(Stream(doubted)) == [42]


@pytest.mark.parametrize("empty", [0, 1, 2])
def test_a_block_with_nothing_to_be_known_by_is_what_lies_between_its_neighbours(empty):
    byte = ByteFormat(start="0", stop="1")
    cuts = [program(55 + k, 32) if k != empty else bytes(32) for k in range(3)]
    bits = "".join(100 * "1" + sent(HEAD + cut + b"\x7b", byte) for cut in cuts) + 100 * "1"
    found = find_stretches([stream(bits)], [Known(b"".join(cuts))], framing_of(1, **byte.model_dump()), "1")
    assert [piece.known_count for piece in found] == [32, 32, 32]
    assert [int(piece.known[2]) for piece in found] == [0, 32, 64]


@pytest.mark.parametrize("between", [16, 40, 56, 61])
def test_leaders_between_blocks_may_be_short_if_the_same_follows_them(between):
    cuts = [program(71 + k, 32) for k in range(3)]
    bits = "".join(
        lead * "0" + sent(HEAD + cut + b"\x7b", BYTE)
        for lead, cut in zip((400, between, between), cuts, strict=True)
    )
    found = find_stretches([stream(bits + 200 * "0")], [Known(b"".join(cuts))], framing_of(1), "0")
    assert [bytes(piece.values.tolist()) for piece in found] == [HEAD + cut + b"\x7b" for cut in cuts]


def test_a_leader_may_be_very_short_if_much_of_what_follows_it_follows_others():
    cuts = [program(71 + k, 32) for k in range(3)]
    header, head = HEAD + b"\xd8\x31\x55", HEAD + b"\x65"
    bits = 400 * "0" + sent(header, BYTE) + 9 * "0"
    bits += "".join(sent(head + cut + b"\x7b", BYTE) + 60 * "0" for cut in cuts)
    found = find_stretches([stream(bits + 200 * "0")], [Known(b"".join(cuts))], framing_of(1), "0")
    assert [bytes(piece.values.tolist()) for piece in found] == [
        header, *(head + cut + b"\x7b" for cut in cuts)
    ]  # fmt: skip


def test_zeros_in_a_header_are_no_leader_if_no_whole_sync_follows_them():
    data = program(57, 100)
    head = HEAD * 3 + bytes(3) + HEAD[:1] + b"\x04"  # an address that begins as the sync does
    bits = 200 * "0" + "".join(sent(head + part, BYTE) + 200 * "0" for part in (data[:64], data[64:]))
    found = find_stretches([stream(bits)], [Known(data)], framing_of(1), "0")
    assert [bytes(piece.values.tolist()) for piece in found] == [head + data[:64], head + data[64:]]


def test_known_bytes_go_on_after_a_symbol_that_could_not_be_heard():
    data = program(58, 60)
    bits = sent(HEAD + data, BYTE)
    bits = bits[:200] + "L" + bits[201:]
    (found,) = find_stretches(
        [stream(200 * "0" + bits + 200 * "0", "01L")], [Known(data)], framing_of(1), "0"
    )
    assert found.known.tolist() == [-1, -1, *range(60)]


def test_zeros_that_go_on_in_the_next_blocks_end_where_their_block_does():
    byte = ByteFormat(stop="1")
    data = program(74, 86) + bytes(26) + program(75, 48)  # the leader is zeros as well
    cuts = [data[first : first + 16] for first in range(0, len(data), 16)]
    bits = "".join(200 * "0" + sent(HEAD + cut, byte) for cut in cuts) + 200 * "0"
    found = find_stretches([stream(bits)], [Known(data)], framing_of(1, stop="1"), "0")
    assert [piece.known[piece.known >= 0].tolist() for piece in found] == [
        list(range(first, first + 16)) for first in range(0, len(data), 16)
    ]


def test_the_end_of_a_block_and_the_leader_after_it_are_no_bytes_of_the_program():
    again = program(77, 4)  # nothing that is there once
    data = program(76, 32) + 4 * again + program(78, 24) + b"\x5b\x32\x07" + bytes(21)
    # four bits late, the check and the zeros of the leader are what the program ends with
    found = find_stretches([stream(blocks(data, 16, b"\x2c\x73"))], [Known(data)], framing_of(1), "0")
    assert [bytes(piece.values.tolist()) for piece in found] == [
        HEAD + data[first : first + 16] + b"\x2c\x73" for first in range(0, len(data), 16)
    ]


def test_known_bytes_go_on_after_one_of_them_was_lost():
    byte = ByteFormat(start="0", stop="11")
    data = program(58, 60)
    bits = 100 * "1" + sent(HEAD + data, byte)
    place = 100 + 11 * (2 + 30)  # the 31st byte: where it began there is something else, and a byte within it
    spoiled = bits[:place] + "1111" + sent(b"\x5a", byte) + "1" * 7 + bits[place + 22 :]
    (found,) = find_stretches(
        [stream(spoiled + 100 * "1")], [Known(data)], framing_of(1, **byte.model_dump()), "1"
    )
    assert found.known.tolist() == [-1, -1, *range(60)]


@pytest.mark.parametrize("lost, most_wrong", [(1, 1), (12, 3)])
def test_known_bytes_go_on_after_symbols_were_lost(lost, most_wrong):
    data = program(58, 100)
    body = sent(HEAD + data + b"\x7b", BYTE)
    bits = 200 * "0" + body[:403] + body[403 + lost :] + 200 * "0"
    (found,) = find_stretches([stream(bits)], [Known(data)], framing_of(1), "0")
    assert len(found) == len(HEAD + data + b"\x7b")
    assert np.count_nonzero(found.values != np.frombuffer(HEAD + data + b"\x7b", np.uint8)) <= most_wrong
    assert found.known_count == len(data)


def test_what_fills_a_block_up_is_no_leader_however_long_it_is():
    data = program(64, 80)
    cuts = [data[first : first + 64].ljust(64, b"\0") for first in (0, 64)]
    bits = "".join(100 * "1" + sent(HEAD + cut + b"\x7b", BYTE) for cut in cuts) + 100 * "1"
    found = find_stretches([stream(bits)], [Known(data)], framing_of(1), "0")
    assert [piece.lead for piece in found] == ["1", "1"]
    assert bytes(found[1].values.tolist()) == HEAD + cuts[1] + b"\x7b"


def test_a_first_leader_heard_wrong_is_outweighed_by_those_between_blocks():
    cuts = [program(59 + k, 32) for k in range(12)]
    bits = 400 * "1" + "".join(200 * "0" + sent(HEAD + cut + b"\x7b", BYTE) for cut in cuts) + 200 * "0"
    found = find_stretches([stream(bits)], [Known(b"".join(cuts))], framing_of(1), "0")
    assert [len(piece) for piece in found if piece.known_count] == 12 * [35]


@pytest.mark.parametrize("copies", [1, 2])
def test_copies_of_a_block_of_a_program_that_repeats_itself_are_not_the_next_blocks(copies):
    pattern = program(79, 8)
    data = program(77, 32) + 8 * pattern + program(78, 32)  # the middle four blocks are of the same bytes
    bits = 200 * "0"
    for index in range(8):
        block = HEAD + bytes([index]) + data[16 * index : 16 * index + 16] + b"\x7b"
        bits += copies * (sent(block, BYTE) + 200 * "0")
    found = find_stretches([stream(bits)], [Known(data)], framing_of(1), "0")
    held = [piece.known[piece.known >= 0] for piece in found]
    wanted = [16 * index for index in range(8) for _ in range(copies)]
    assert [(known[0], known[-1]) for known in held] == [(first, first + 15) for first in wanted]


def test_bytes_of_a_sync_that_follow_more_closely_than_others_are_missed_with_too_many_stop_symbols():
    tight = ByteFormat(bits=7, order="msb", start="0", stop="1")
    data = bytes(value & 0x7F for value in program(62, 60))
    bits = 80 * "L" + sent(b"-?g", tight) + sent(data, tight, idle="111") + 80 * "L"
    strays = []
    for stop in ("1", "1111"):
        framing = framing_of(1, **tight.model_copy(update={"stop": stop}).model_dump())
        (found,) = find_stretches([stream(bits, "01L")], [Known(data)], framing, "L")
        strays.append((bytes(found.values.tolist()) == b"-?g" + data, found.strays > 0))
    assert strays == [(True, False), (False, True)]
