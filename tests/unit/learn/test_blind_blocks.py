"""Data are found by what heads tell of lengths: numbers, differences of addresses, headers before them."""

import numpy as np
import pytest

from tapewright.cards import ByteFormat
from tapewright.learn.blind_blocks import suppose
from tapewright.learn.blind_checks import check_bits
from tapewright.learn.framing import Framing
from tapewright.learn.plausible import surprise_bits
from tapewright.learn.stretches import Stretch

PLAIN = Framing(ByteFormat(), "plain", (False,) * 3, 1.0)


def stretch(save: int, content: bytes) -> Stretch:
    values = np.frombuffer(content, np.uint8).astype(np.int16)
    places = 8 * np.arange(len(values))
    return Stretch(save, values, np.zeros(0, np.int16), places, np.full(len(values), -1, np.int64))


def programs(count: int, seed: int = 1) -> list[bytes]:
    rng = np.random.default_rng(seed)
    return [rng.bytes(int(size)) for size in rng.integers(60, 200, count)]


def best_data(stretches: list[Stretch]) -> list[bytes]:
    found = max(
        suppose(stretches, PLAIN), key=lambda one: one.bits + check_bits(one.samples, one.knowns, "plain")
    )
    return [known.data for known in found.knowns]


def with_sum(content: bytes) -> bytes:
    return content + bytes([sum(content[1:]) & 0xFF])


def u16(value: int) -> bytes:
    return value.to_bytes(2, "little")


def test_a_length_and_a_sum_show_the_data():
    data = programs(3)
    tapes = [with_sum(b"\xa5" + u16(0x1234 + 777 * k) + u16(len(p)) + p) for k, p in enumerate(data)]
    assert best_data([stretch(k, tape) for k, tape in enumerate(tapes)]) == data


def test_first_and_last_address_show_the_data():
    data = programs(3, seed=2)
    starts = [0x1234, 0x4001, 0x7F10]
    tapes = [
        with_sum(b"\xa5" + u16(start) + u16(start + len(p) - 1) + p)
        for start, p in zip(starts, data, strict=True)
    ]
    assert best_data([stretch(k, tape) for k, tape in enumerate(tapes)]) == data


def test_a_header_tells_the_length_of_the_block_after_it():
    data = programs(3, seed=3)
    tapes = []
    for k, p in enumerate(data):
        tapes += [stretch(k, with_sum(b"\x16\x01" + u16(0x2345 + 99 * k) + u16(len(p))))]
        tapes += [stretch(k, with_sum(b"\x16\x02" + p))]
    assert best_data(tapes) == data


def test_copies_count_once():
    data = programs(2, seed=4)
    tapes = [with_sum(b"\xa5" + u16(0x1234 + 777 * k) + u16(len(p)) + p) for k, p in enumerate(data)]
    twice = [stretch(k, tape) for k, tape in enumerate(tapes) for _ in range(2)]
    best = max(suppose(twice, PLAIN), key=lambda one: one.bits)
    assert [sample.copies for sample in best.samples] == [2, 2]


def test_hexadecimal_characters_are_recognized():
    data = programs(3, seed=5)
    tapes = [b"\xa5" + (u16(len(p)) + p + bytes([sum(p) & 0xFF])).hex().upper().encode() for p in data]
    found = list(suppose([stretch(k, tape) for k, tape in enumerate(tapes)], PLAIN))
    assert {one.framing.coding for one in found} == {"hex"}
    best = max(found, key=lambda one: one.bits + check_bits(one.samples, one.knowns, "hex"))
    assert [known.data for known in best.knowns] == data


@pytest.mark.parametrize("damage", [lambda value: value ^ 0xFF, lambda value: int(f"{value:08b}"[::-1], 2)])
def test_text_the_right_way_up_and_round_surprises_least(damage):
    text = b"10 PRINT THE TAPE IS READY, START IT NOW AND WAIT"
    wrong = np.array([damage(value) for value in text])
    assert surprise_bits(np.frombuffer(text, np.uint8)) < surprise_bits(wrong) - 20


def test_arbitrary_bytes_do_not_tell_which_way_up_they_are():
    data = np.frombuffer(np.random.default_rng(6).bytes(3000), np.uint8)
    assert abs(surprise_bits(data) - surprise_bits(255 - data)) < 30
