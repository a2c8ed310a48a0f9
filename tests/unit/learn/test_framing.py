"""Bits made of known bytes tell how bytes stand on tape; bits made of nothing tell nothing."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from heard_bits import sent, stream
from made_up_saves import program
from tapewright.cards.format import ByteFormat
from tapewright.framing import byte_symbols
from tapewright.learn.framing import Framing, eighth_bit, find_framing
from tapewright.learn.known import Known

#: Start, stop, parity.
FRAMES = [
    ("", "", ""), ("0", "1", ""), ("0", "11", ""), ("1", "0", ""), ("0", "1", "even"), ("0", "11", "odd"),
]  # fmt: skip


def byte_format(start: str, stop: str, parity: str, order: str = "lsb", bits: int = 8) -> ByteFormat:
    keys = {"start": start, "stop": stop, "parity": parity or "none", "order": order, "bits": bits}
    return ByteFormat.model_validate(keys)


def tape(data: bytes, byte: ByteFormat, *, idle: str = "") -> str:
    """A leader of idle symbols, the bytes, and some more of them."""
    rest = byte.stop[:1] or "1"
    return 40 * rest + sent(data, byte, idle=idle) + 30 * rest


@settings(max_examples=20, deadline=None)
@given(
    frame=st.sampled_from(FRAMES),
    order=st.sampled_from(["lsb", "msb"]),
    seed=st.integers(0, 1_000_000),
    turned=st.booleans(),
)
def test_the_framing_of_known_bytes_is_found(frame, order, seed, turned):
    byte = byte_format(*frame, order)
    data = program(seed, 80)
    assume(data != bytes(value ^ 255 for value in data))
    found = find_framing([stream(tape(data, byte), turned=turned)], [Known(data)])[0]
    # Bits that are the other way round are a framing of their own, `turned`: both send these bits.
    assert byte in (found.byte, found.turned.byte)
    told = found if found.byte == byte else found.turned
    assert told.swapped == (turned,) or (told.xor == 255 and told.swapped == (not turned,))
    assert found.coding == "plain"
    assert found.found > 0.9


def test_seven_bits_with_parity():
    data = bytes(value & 0x7F for value in program(1, 90))
    byte = byte_format("0", "11", "even", bits=7)
    found = find_framing([stream(tape(data, byte))], [Known(data)])[0]
    assert found.byte == byte
    assert found.field_coding == "hex"  # a check or an address of eight bits cannot be sent in seven


def test_data_written_as_hexadecimal_characters():
    data = program(2, 60)
    byte = byte_format("0", "1", "")
    found = find_framing([stream(tape(data.hex().upper().encode(), byte))], [Known(data)])[0]
    assert (found.coding, found.byte) == ("hex", byte)
    assert found.sent(b"\x4f") == b"4F"


def test_idle_time_between_bytes_here_and_there_is_noticed_and_does_no_harm():
    data = program(3, 80)
    byte = byte_format("0", "1", "")
    bits = "".join(sent(data[k : k + 1], byte) + "1" * (k % 9 == 4) * 3 for k in range(len(data)))
    found = find_framing([stream(40 * "1" + bits + 40 * "1")], [Known(data)])[0]
    assert found.byte == byte
    assert found.spaced


def test_bytes_after_a_leader_may_follow_more_closely_than_the_known_ones():
    data = program(3, 80)
    byte = byte_format("0", "1", "even")
    bits = 40 * "1" + sent(b"\x16\x3c", byte) + sent(data, byte, idle="111") + 40 * "1"
    assert find_framing([stream(bits)], [Known(data)])[0].byte == byte
    bits = 40 * "1" + sent(data, byte, idle="111") + 40 * "1"
    assert find_framing([stream(bits)], [Known(data)])[0].byte.stop == "111"


def test_a_sync_sent_without_idle_time_shows_the_stop_symbols_if_all_recordings_have_it():
    byte = byte_format("1", "0", "even")
    programs = [program(seed, 80) for seed in (10, 11)]
    taught = [sent(b"\x58", byte) + sent(data, byte, idle="000") for data in programs]
    streams = [stream(40 * "0" + bits + 40 * "0") for bits in taught]
    assert find_framing(streams, [Known(data) for data in programs])[0].byte == byte


@pytest.mark.parametrize("parity", ["mark", "space"])
def test_a_parity_that_never_changes(parity):
    byte = byte_format("0", "11", parity)
    data = program(12, 80)
    bits = 40 * "1" + sent(data, byte) + 40 * "1"
    found = find_framing([stream(bits)], [Known(data)])[0].byte
    assert byte_symbols(found) == byte_symbols(byte)
    assert found.start == "0"


@pytest.mark.parametrize("start, stop, parity", [("0", "1", "space"), ("1", "0", "mark")])
def test_a_parity_that_never_changes_with_idle_time_between_bytes(start, stop, parity):
    byte = byte_format(start, stop, parity)
    data = program(13, 80)
    bits = "".join(sent(data[k : k + 1], byte) + stop * (k % 3) for k in range(len(data)))
    assert find_framing([stream(40 * stop + bits + 40 * stop)], [Known(data)])[0].byte == byte


def test_bytes_that_follow_closely_are_not_called_spaced():
    data = program(3, 80)
    found = find_framing([stream(tape(data, byte_format("0", "1", "")))], [Known(data)])[0]
    assert not found.spaced


def test_one_recording_of_two_upside_down():
    programs = [program(4, 80), program(5, 70)]
    byte = byte_format("0", "11", "")
    streams = [stream(tape(data, byte), turned=k == 1) for k, data in enumerate(programs)]
    found = find_framing(streams, [Known(data) for data in programs])[0]
    assert found.byte == byte
    assert found.swapped == (False, True)


@pytest.mark.parametrize("parity", ["", "even", "odd"])
@pytest.mark.parametrize("bits", [7, 8])
def test_turned_is_the_same_bits_with_the_data_inverted(parity, bits):
    data = bytes(value & ((1 << bits) - 1) for value in program(6, 80))
    byte = byte_format("0", "1", parity, bits=bits)
    found = find_framing([stream(tape(data, byte))], [Known(data)])[0]
    assert found.byte == byte
    turned = found.turned
    # read with 0 and 1 exchanged, what was sent is the inverted bytes in the turned framing
    exchanged = sent(data, byte).translate(str.maketrans("01", "10"))
    assert sent(turned.sent(data), turned.byte) == exchanged
    assert turned.swapped == (True,)
    assert turned.turned == found


@pytest.mark.parametrize("parity, other", [("mark", "space"), ("space", "mark")])
def test_turned_exchanges_mark_and_space(parity, other):
    byte = byte_format("0", "11", parity)
    found = Framing(byte, "plain", (False,), 1.0)
    assert found.turned.byte.parity == other
    exchanged = sent(b"\x4b\x00", byte).translate(str.maketrans("01", "10"))
    assert sent(found.turned.sent(b"\x4b\x00"), found.turned.byte) == exchanged


def test_bytes_inverted_on_tape_are_found_as_the_other_way_round():
    data = program(7, 80)
    byte = byte_format("0", "1", "")
    inverted = bytes(value ^ 255 for value in data)
    found = find_framing([stream(tape(inverted, byte))], [Known(data)])[0]
    assert found.turned.byte == byte
    assert found.turned.sent(data) == inverted
    assert found.turned.swapped == (False,)


@settings(max_examples=8, deadline=None)
@given(seed=st.integers(0, 1_000_000))
def test_nothing_is_found_in_random_bits(seed):
    bits = "".join("01"[bit] for bit in np.random.default_rng(seed).integers(0, 2, 3_000))
    assert find_framing([stream(bits)], [Known(program(seed + 1, 100))]) == []


def test_nothing_is_found_if_the_recording_holds_another_program():
    bits = tape(program(8, 100), byte_format("0", "11", ""))
    assert find_framing([stream(bits)], [Known(program(9, 100))]) == []


@pytest.mark.parametrize("frame", FRAMES)
def test_a_few_wrong_bits_do_no_harm(frame):
    data = program(10, 200)
    byte = byte_format(*frame)
    bits = list(tape(data, byte))
    for place in np.random.default_rng(11).integers(40, len(bits) - 30, 10):
        bits[place] = "10"[int(bits[place])]
    found = find_framing([stream("".join(bits))], [Known(data)])[0]
    assert found.byte == byte
    assert 0.5 < found.found < 1.0


@pytest.mark.parametrize("order", ["lsb", "msb"])
@pytest.mark.parametrize("turned", [False, True])
def test_seven_bits_are_told_from_eight_of_which_one_is_not_used(order, turned):
    byte = byte_format("", "", "", order)
    data = bytes(value & 0x7F for value in program(3, 90))
    found = find_framing([stream(tape(data, byte))], [Known(data)])
    found = [framing.turned if turned else framing for framing in found]
    eight = next(framing.byte for framing in found if framing.byte.bits == 8)
    seven = next(framing.byte for framing in found if framing.byte.bits == 7)
    assert eighth_bit(eight, seven) == "01"[turned]
    assert eighth_bit(eight, eight) == eighth_bit(seven, eight) == ""


@pytest.mark.parametrize("turned", [False, True])
def test_seven_bits_are_told_from_eight_with_parity(turned):
    byte = byte_format("", "", "even", "msb")
    data = bytes(value & 0x7F for value in program(4, 90))
    found = find_framing([stream(tape(data, byte))], [Known(data)])
    eight, seven = sorted(((f.turned if turned else f).byte for f in found), key=lambda byte: -byte.bits)
    assert eighth_bit(eight, seven) == "01"[turned]
