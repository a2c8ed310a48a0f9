"""Bits are cut into stretches of bytes where leaders and silence are."""

from __future__ import annotations

from heard_bits import sent, stream
from made_up_saves import framing_of, program
from tapewright.cards.format import ByteFormat
from tapewright.learn.known import Known
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


def test_zeros_at_the_end_of_the_known_bytes_are_data_all_the_same():
    data = program(51, 60) + bytes(3)
    bits = 200 * "0" + sent(HEAD + data + b"\x7b", BYTE) + 200 * "0"
    (found,) = find_stretches([stream(bits)], [Known(data)], framing_of(1), "0")
    assert bytes(found.values.tolist()) == HEAD + data + b"\x7b"


def test_a_mark_that_looks_like_the_start_of_a_byte_does_not_put_bytes_out_of_step():
    byte = ByteFormat(bits=7, order="msb", start="1", stop="0")
    data = bytes(value & 0x7F for value in program(52, 60))
    bits = "10" + sent(b"\x69\x39" + data, byte)
    assert bits[0] == "1"
    assert bits[8] == "0"
    (found,) = find_stretches(
        [stream(80 * "L" + bits + 80 * "L", "01L")], [Known(data)], framing_of(1, **byte.model_dump()), "L"
    )
    assert bytes(found.values.tolist()) == b"\x69\x39" + data
    assert found.mark == "10"
