"""The row check catches what it promises: exhaustively, as its strength is a claim about every row."""

import itertools
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapewright.image import row_check


def test_by_hand() -> None:
    # 1*03 + 2*00 + 3*41 + 4*42 + 5*43 + 6*44 + 7*45 (hex) = 3+0+195+264+335+408+483 = 1688 = 6*257 + 146
    assert row_check(0x0300, b"ABCDE") == 146
    # short cut: 1688 = 698h; 98h - 06h = 92h = 146
    assert row_check(0x0300, b"ABCDE") == 0x98 - 0x06
    # the short cut with a negative difference: 1*FF + 2*FF = 765 = 2FDh is FDh - 2 = 251; 3*FF more is
    # 1530 = 5FAh, FAh - 5 = 245; for 1*00 + 2*00 + 3*FF + 4*01 = 769 = 301h it is 1 - 3 + 257 = 255
    assert row_check(0x0000, b"\xff\x01") == 255


def test_largest_value_needs_three_digits() -> None:
    # 3*A8h + 4*02h = 504 + 8 = 512 = 257 + 255; one more in the address (weight 2, low byte 01 is 2): 514 = 0
    assert row_check(0x0000, b"\xa8\x02") == 255
    assert row_check(0x0001, b"\xa8\x02") == 0
    # weight 1: high byte of the address
    assert row_check(0x0100, b"\xa8\x02") == 256


@pytest.mark.parametrize("length", [8, 16])
def test_every_wrong_nibble_is_caught(length: int) -> None:
    row = bytearray(random.Random(1).randbytes(length))
    for position, right, shift, change in itertools.product(range(length), range(256), (0, 4), range(1, 16)):
        wrong_row = row.copy()
        row[position] = right
        wrong_row[position] = right ^ change << shift
        assert row_check(0x1234, bytes(row)) != row_check(0x1234, bytes(wrong_row)), (
            position,
            right,
            shift,
            change,
        )


def test_every_swap_of_neighbours_is_caught() -> None:
    row = bytearray(random.Random(2).randbytes(8))
    for position in range(7):
        for left, right in itertools.combinations(range(256), 2):
            row[position : position + 2] = left, right
            good = row_check(0x1234, bytes(row))
            row[position : position + 2] = right, left
            assert row_check(0x1234, bytes(row)) != good, (position, left, right)


@given(
    row=st.binary(min_size=16, max_size=16),
    address=st.integers(0, 0xFFFF),
    first=st.integers(0, 15),
    second=st.integers(0, 15),
)
def test_any_swap_of_different_bytes_is_caught(row: bytes, address: int, first: int, second: int) -> None:
    swapped = bytearray(row)
    swapped[first], swapped[second] = row[second], row[first]
    assert (row_check(address, row) == row_check(address, bytes(swapped))) == (row == swapped)


def test_every_wrong_nibble_of_the_address_is_caught() -> None:
    row = random.Random(3).randbytes(8)
    for address, shift, change in itertools.product(range(0, 0x1_0000, 97), (0, 4, 8, 12), range(1, 16)):
        assert row_check(address, row) != row_check(address ^ change << shift, row)


def test_a_row_under_another_rows_address_is_caught() -> None:
    row = random.Random(4).randbytes(8)
    for page in range(256):
        checks = {row_check(page << 8 | low, row) for low in range(0, 256, 8)}
        assert len(checks) == 32  # all the rows of one page have different checks for the same bytes
