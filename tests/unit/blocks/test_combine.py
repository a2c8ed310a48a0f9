"""Putting a program together from blocks and copies of blocks."""

from __future__ import annotations

import numpy as np

from made_up_cards import made_up
from tapewright import blocks
from tapewright.cards import load_format
from tapewright.model import Block, Span


def block(
    data: bytes,
    address: int | None = None,
    *,
    sure: float | list[float] = 0.99,
    check: str = "ok",
    kind: str = "data",
) -> Block:
    confidence = np.full(len(data), sure) if isinstance(sure, float) else np.array(sure)
    return Block(kind, Span(0.0, 1.0), {}, address, data, confidence, np.arange(len(data)) * 0.01, check)


def test_blocks_go_by_address_whatever_their_order() -> None:
    image, confidence = blocks.assemble(
        [block(b"cd", 0x102), block(b"ab", 0x100), block(b"z", 0x200)], made_up("plain")
    )
    assert [(piece.address, piece.data) for piece in image] == [(0x100, b"abcd"), (0x200, b"z")]
    assert [len(part) for part in confidence] == [4, 1]


def test_a_verified_copy_is_never_outvoted() -> None:
    good, bad = block(b"abcdefgh", 0, sure=0.7), block(b"abcdXfgh", 0, sure=0.999, check="bad")
    for order in ([good, bad, bad], [bad, bad, good]):
        image, _ = blocks.assemble(order, made_up("plain"))
        assert image.ranges[0].data == b"abcdefgh"


def test_of_unverified_copies_each_byte_comes_from_the_surer_one() -> None:
    one = block(b"abcdXfgh", 0, sure=[0.9, 0.9, 0.9, 0.9, 0.3, 0.9, 0.9, 0.9], check="bad")
    two = block(b"Ybcdefgh", 0, sure=[0.3, 0.9, 0.9, 0.9, 0.9, 0.9, 0.9, 0.9], check="bad")
    for order in ([one, two], [two, one]):
        image, confidence = blocks.assemble(order, made_up("plain"))
        assert image.ranges[0].data == b"abcdefgh"
        assert confidence[0][1] > 0.9  # two agree
        assert confidence[0][0] < 0.9  # two differ


def test_bytes_never_read_are_taken_from_the_copy_that_has_them() -> None:
    one = block(b"ab\0\0ef", 0, sure=[0.9, 0.9, 0.0, 0.0, 0.9, 0.9], check="bad")
    two = block(b"\0bcdef", 0, sure=[0.0, 0.9, 0.9, 0.9, 0.9, 0.9], check="bad")
    image, confidence = blocks.assemble([one, two], made_up("plain"))
    assert image.ranges[0].data == b"abcdef"
    assert confidence[0].min() > 0.85


def test_a_byte_nobody_read_stays_zero_with_confidence_zero() -> None:
    image, confidence = blocks.assemble(
        [block(b"a\0c", 0, sure=[0.9, 0.0, 0.9], check="bad")], made_up("plain")
    )
    assert image.ranges[0].data == b"a\0c"
    assert confidence[0][1] == 0.0


def test_bytes_of_two_programs_for_one_place_are_never_mixed() -> None:
    one, two = block(b"abcdefgh", 0, sure=0.9), block(b"12345678", 0, sure=[0.99, 0.5] * 4)
    image, _ = blocks.assemble([one, two], made_up("plain"))
    assert image.ranges[0].data in (b"abcdefgh", b"12345678")


def test_copies_without_an_address_count_once_and_different_programs_in_order() -> None:
    card = load_format("kcs-300")
    one, near, other = b"the same program", b"the same progrXm", b"something else"
    found = [block(text, check="none") for text in (one, one, near, other)]
    image, _ = blocks.assemble(found, card)
    assert [(piece.address, piece.data) for piece in image] == [(None, one + other)]


def test_a_failed_copy_at_a_wrong_address_is_left_out() -> None:
    good, bad = block(b"abcdefgh", 0x100), block(b"abcdefgX", 0x900, check="bad")
    image, _ = blocks.assemble([bad, good], made_up("plain"))
    assert [(piece.address, piece.data) for piece in image] == [(0x100, b"abcdefgh")]


def test_a_copy_whose_header_was_lost_adds_nothing_new() -> None:
    image, _ = blocks.assemble([block(b"abcdefgh", 0x100), block(b"abcdefgh")], made_up("header"))
    assert [(piece.address, piece.data) for piece in image] == [(0x100, b"abcdefgh")]


def test_no_blocks_make_no_program() -> None:
    image, confidence = blocks.assemble([], made_up("plain"))
    assert (len(image), confidence) == (0, ())
