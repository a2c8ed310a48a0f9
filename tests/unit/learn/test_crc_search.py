"""Polynomials over GF(2), the compiled remainders, and CRCs nobody published."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapewright.cards.checks import CrcCheck, CrcParameters, check_value
from tapewright.learn.check_rule import CheckRule, Message
from tapewright.learn.checks import find_checks
from tapewright.learn.crc_kernels import remainders, solve
from tapewright.learn.crc_polynomials import common_divisors, equations, odd_common_divisor, reflected

odd_polynomials = st.integers(0, 2**300).map(lambda number: 2 * number + 1)


def product(a: int, b: int) -> int:
    """Multiply as at school, without carries."""
    total = 0
    for place in range(b.bit_length()):
        if b >> place & 1:
            total ^= a << place
    return total


def remainder(a: int, b: int) -> int:
    """Divide as at school."""
    while a.bit_length() >= b.bit_length():
        a ^= b << (a.bit_length() - b.bit_length())
    return a


def crc(width: int, poly: int, init: int = 0, reflected: bool = False, xorout: int = 0) -> CrcCheck:
    return CrcCheck(
        crc=CrcParameters(width=width, poly=poly, init=init, refin=reflected, refout=reflected, xorout=xorout)
    )


def blocks(rule: CheckRule, lengths: list[int], seed: int = 1) -> list[Message]:
    dice = np.random.default_rng(seed)
    messages = []
    for length in lengths:
        items = [("sync", b"\xa5"), ("start", dice.bytes(2)), ("data", dice.bytes(length))]
        messages.append(Message.uncoded(items, rule.check_bytes(Message.uncoded(items, b""))))
    return messages


@given(odd_polynomials, odd_polynomials, odd_polynomials, st.integers(0, 70))
def test_a_common_factor_divides_the_greatest_common_divisor_which_divides_both(common, a, b, shift) -> None:
    first, second = product(common, a) << shift, product(common, b)
    found = odd_common_divisor(first, second)
    assert found & 1
    for smaller, larger in ((common, found), (found, first), (found, second)):
        assert remainder(larger, smaller) == 0


def test_equal_numbers_are_their_own_divisor() -> None:
    assert odd_common_divisor(0b1011, 0b1011) == 0b1011


def test_x_cubed_plus_1_and_x_squared_plus_1_share_x_plus_1() -> None:
    # x^3 + 1 = (x + 1)(x^2 + x + 1), x^2 + 1 = (x + 1)^2 over GF(2): textbook
    assert odd_common_divisor(0b1001, 0b101) == 0b11


def test_reflected_turns_the_lowest_bits_around() -> None:
    assert reflected(0b0001_0110, 8) == 0b0110_1000


@pytest.mark.parametrize("width", [8, 16, 24, 32])
@pytest.mark.parametrize("is_reflected", [False, True])
def test_remainders_and_start_and_final_value_give_the_crc_of_the_library(width, is_reflected) -> None:
    dice = np.random.default_rng(width)
    ones = (1 << width) - 1
    poly, init, xorout = (int(dice.integers(1, ones)) | 1 for _ in range(3))
    parts = [dice.bytes(5), dice.bytes(0), dice.bytes(300)]
    data = np.frombuffer(b"".join(parts), np.uint8)
    if is_reflected:
        data = np.array([reflected(int(value), 8) for value in data], np.uint8)
    polys = np.array([poly], np.uint64)
    runs = np.array([[True, True, True], [True, False, False]])
    tables = remainders(polys, width, data, np.array([[0, 5, 5, 305]]), runs)
    for run, covered in enumerate((b"".join(parts), parts[0])):
        seen = check_value(crc(width, poly, init, is_reflected, xorout), covered) ^ xorout
        seen = reflected(seen, width) if is_reflected else seen
        one_run = [table[:, run : run + 1] for table in tables]
        numbers = np.array([seen], np.uint64), np.array([True])
        inits, finals, count = solve(polys, width, *one_run, *numbers)
        # with the final value 0, the start value that was planted is the only one
        assert (int(inits[2, 0, 0]), int(finals[2, 0, 0]), int(count[2, 0, 0])) == (init, 0, 1)


@pytest.mark.parametrize("lengths", [[40, 40, 40], [40, 64, 99]])
def test_three_blocks_give_a_polynomial_of_32_bits_away(lengths) -> None:
    check = crc(32, 0x1234_5677, 0xFFFF_FFFF)
    dice = np.random.default_rng(4)
    numbers = []
    for length in lengths:
        data = dice.bytes(length)
        numbers.append((int.from_bytes(data, "big") << 32 | check_value(check, data), 8 * length))
    found = {poly for asked in equations(numbers, 32) for poly in common_divisors(asked, 32)}
    assert 0x1234_5677 in found


@pytest.mark.parametrize(
    "check,lengths",
    [
        (crc(8, 0xB7, 0xFF), [30, 80, 50, 70]),
        (crc(16, 0x8BB7, 0x1234, True), [30, 80, 50, 70]),
        (crc(16, 0x3D65, 0, True, 0xFFFF), [60, 60, 60, 90]),
        (crc(24, 0x5D6DCB, 0xFFFFFF), [100, 30, 50]),
        (crc(32, 0x8141_41AB), [64, 64, 64]),
        (crc(32, 0x8141_41AB, 0xFFFF_FFFF, True, 0xFFFF_FFFF), [100, 35]),
    ],
)
def test_crcs_with_other_polynomials_are_found(check, lengths) -> None:
    rule = CheckRule(check, ("start", "data"), "le")
    claims = find_checks(blocks(rule, lengths))
    fresh = blocks(rule, [20, 33], seed=9)
    assert all(map(claims[0].rule.holds, fresh))
    assert claims[0].rule.check.crc.poly == check.crc.poly


def test_one_misread_block_does_not_hide_a_polynomial() -> None:
    rule = CheckRule(crc(16, 0x8BB7, 0xFFFF), ("start", "data"))
    good = blocks(rule, [30, 40, 50, 60, 70, 80])
    for bad in range(6):
        items = good[bad].items
        spoilt = bytes([items[2][1][0] ^ 4]) + items[2][1][1:]
        messages = list(good)
        messages[bad] = Message.uncoded([*items[:2], ("data", spoilt)], good[bad].tail)
        claim = find_checks(messages)[0]
        assert (claim.rule, claim.agreeing) == (rule, 5)


def test_even_polynomials_are_never_claimed() -> None:
    # a polynomial without its constant term ignores the last bit: no machine would use it
    rule = CheckRule(crc(16, 0x8004), ("data",))
    claims = find_checks(blocks(rule, [40, 50, 60]))
    assert all(claim.rule.check.crc.poly & 1 for claim in claims if isinstance(claim.rule.check, CrcCheck))
