"""Polynomials over GF(2) as whole numbers: bit n is the coefficient of x^n."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np

from tapewright.learn.crc_kernels import common_divisor

__all__ = ["common_divisors", "odd_common_divisor", "reflected"]

#: Degree by which a common divisor may be higher than the polynomial sought: a few common factors come
#: about by chance (chosen; each degree more halves the odds).
_MOST_SPARE = 8


def reflected(value: int, width: int) -> int:
    """Turn the lowest `width` bits around."""
    return int(f"{value:0{width}b}"[::-1], 2)


def _divide(a: int, b: int) -> tuple[int, int]:
    quotient, degree = 0, b.bit_length()
    while (spare := a.bit_length() - degree) >= 0:
        a ^= b << spare
        quotient |= 1 << spare
    return quotient, a


def odd_common_divisor(a: int, b: int) -> int:
    """Give the polynomial of highest degree with the constant term 1 that divides both; neither is 0.

    Examples
    --------
    >>> bin(odd_common_divisor(0b1010, 0b11))  # x^3 + x is x (x + 1)^2
    '0b11'
    """
    size = (max(a.bit_length(), b.bit_length()) + 63) // 64 * 8
    words = [np.frombuffer(_odd(number).to_bytes(size, "little"), np.uint64).copy() for number in (a, b)]
    return int.from_bytes(common_divisor(*words).tobytes(), "little")


def _odd(number: int) -> int:
    """Take all powers of x out."""
    return number >> ((number & -number).bit_length() - 1)


def common_divisors(blocks: Sequence[tuple[int, int]], width: int) -> Iterator[int]:
    """Find the polynomials whose CRC these blocks could have.

    Parameters
    ----------
    blocks : sequence of (int, int)
        A block followed by its CRC, as a polynomial, and the number of bits before the CRC.
    width : int
        Degree sought.

    Yields
    ------
    poly : int
        Odd, without its top bit. Start or final value is taken to be 0 or all ones; of three and more blocks
        one of the two may be anything.
    """
    seen = set()
    for equations in _equations(blocks, width):
        if len(equations) < 2 or not all(equations):
            continue
        divisor = equations[0]
        for equation in equations[1:]:
            divisor = odd_common_divisor(divisor, equation)
        for poly in _divisors_of_degree(divisor, width):
            if poly not in seen:
                seen.add(poly)
                yield poly


def _equations(blocks: Sequence[tuple[int, int]], width: int) -> Iterator[tuple[int, ...]]:
    """Set up numbers that the polynomial sought divides, by what start and final value are taken to be."""
    ones = (1 << width) - 1
    if len(blocks) < 3:
        for init in (0, ones):
            for final in (0, ones):
                yield tuple(block ^ init << length ^ final for block, length in blocks)
        return
    tried = set()
    for known in (0, ones):
        with_init = [block ^ known << length for block, length in blocks]
        with_final = [(block ^ known, length) for block, length in blocks]
        # the unknown final value cancels out of a difference; so does an unknown start value, once both
        # blocks are made the same length
        for equations in (
            tuple(a ^ b for a, b in pairwise(with_init)),
            tuple(a << max(0, m - n) ^ b << max(0, n - m) for (a, n), (b, m) in pairwise(with_final)),
        ):
            if equations not in tried:
                tried.add(equations)
                yield equations


def _divisors_of_degree(number: int, degree: int) -> Iterator[int]:
    """List the odd divisors of a degree, where the number is little more than one of them."""
    spare = number.bit_length() - 1 - degree
    if not 0 <= spare <= _MOST_SPARE:
        return
    top = (1 << degree) - 1
    for cofactor in range(1 << spare, 2 << spare):
        if spare == 0 or cofactor & 1:
            quotient, rest = _divide(number, cofactor)
            if rest == 0:
                yield quotient & top
