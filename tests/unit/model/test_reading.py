"""What a reading may claim: a program is vouched for only where a check vouches for every part of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tapewright.model import Block, Image, Range, Reading, Source, Span, Symbols

DATA = bytes(range(40))


def block(
    data: bytes = DATA,
    address: int | None = 0x200,
    *,
    kind: str = "data",
    check: str = "ok",
    sure: float = 0.999,
    complete: bool = True,
    **fields: int,
) -> Block:
    n = len(data)
    return Block(
        kind, Span(0.0, 1.0), fields, address, data, np.full(n, sure), np.zeros(n), check, complete=complete
    )


def reading(*blocks: Block, ranges: tuple[Range, ...] = (Range(0x200, DATA),)) -> Reading:
    source = Source(None, None, 44_100.0, 1.0, 0)
    confidence = tuple(np.ones(len(piece.data)) for piece in ranges)
    return Reading(source, "made-up", blocks, Image(ranges), confidence, Symbols.empty("01"))


def says(*blocks: Block, **options) -> tuple[bool, bool]:
    made = reading(*blocks, **options)
    return made.verified, made.damaged


GOOD, BAD = block(), block(check="bad", sure=0.98)
HEADER = block(b"", None, kind="header", start=0x200, total=40)
VERIFIED, OPEN, DAMAGED = (True, False), (False, False), (False, True)


@pytest.mark.parametrize(
    "blocks,expected",
    [
        ((), DAMAGED),
        ((GOOD,), VERIFIED),
        ((BAD,), DAMAGED),
        ((block(check="none"),), OPEN),
        ((block(check="none", sure=0.9),), DAMAGED),
        ((BAD, GOOD), VERIFIED),
        ((GOOD, BAD), VERIFIED),
        ((block(check="none", sure=0.9), GOOD), VERIFIED),
        ((GOOD, block(address=0x300, check="bad")), DAMAGED),
        ((GOOD, block(bytes(40), check="bad")), DAMAGED),  # other bytes: another program, not a copy
        ((GOOD, block(kind="other", check="bad")), DAMAGED),
        ((GOOD, block(DATA[:25], check="bad", complete=False)), VERIFIED),
        ((block(DATA[:25]), block(check="bad", complete=False)), VERIFIED),  # its length was misread
        ((block(DATA[:25]), block(DATA[25:], 0x219), block(check="bad", sure=0.0)), VERIFIED),
        ((block(DATA[:25]), block(check="bad", sure=0.0, complete=False)), DAMAGED),
        ((block(DATA, None, number=1), block(DATA, None, number=1, check="bad")), VERIFIED),
        ((block(DATA, None, number=1), block(DATA, None, number=2, check="bad")), DAMAGED),
    ],
)
def test_a_bad_block_counts_unless_a_good_one_holds_the_same_bytes(blocks, expected) -> None:
    assert says(*blocks) == expected


def test_a_block_that_was_not_heard_is_damage() -> None:
    lost = block(bytes(20), 0x228, check="bad", sure=0.0, complete=False)
    assert says(HEADER, GOOD, lost) == DAMAGED
    assert says(HEADER, GOOD, lost, HEADER, block(DATA[:20], 0x228)) == VERIFIED
    unknown = block(b"", None, check="bad", complete=False)
    assert says(HEADER, GOOD, unknown) == DAMAGED
    assert says(HEADER, GOOD, unknown, HEADER, GOOD) == DAMAGED


def test_a_header_that_was_lost_is_made_good_where_all_it_heads_is_there_twice() -> None:
    lost = replace(HEADER, fields={}, check="bad", complete=False)
    assert says(lost, block(address=None), HEADER, GOOD) == VERIFIED
    assert says(HEADER, GOOD, lost, block(address=None)) == VERIFIED
    assert says(HEADER, GOOD, lost, block(bytes(40), None)) == DAMAGED
    assert says(lost, GOOD) == DAMAGED


def test_a_piece_of_the_program_without_its_address_is_damage() -> None:
    pieces = (Range(0x200, DATA), Range(None, DATA[::-1]))
    assert says(HEADER, GOOD, block(DATA[::-1], None), ranges=pieces) == DAMAGED
