"""Polynomials over GF(2) as whole numbers: bit n is the coefficient of x^n."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import lru_cache, reduce
from itertools import pairwise

import numpy as np

from tapewright.learn.crc_kernels import common_divisor

__all__ = ["common_divisors", "equations", "odd_common_divisor", "reflected"]

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


def equations(blocks: Sequence[tuple[int, int]], width: int) -> Iterator[tuple[int, ...]]:
    """Set up numbers that the polynomial of these blocks' CRC divides, by what start and final value may be.

    Parameters
    ----------
    blocks : sequence of (int, int)
        A block followed by its CRC, as a polynomial, and the number of bits before the CRC.
    width : int
        Of the CRC, in bits.

    Yields
    ------
    tuple of int
        Start or final value is taken to be 0 or all ones; of three and more blocks one of the two may be
        anything. Numbers from which nothing can be told are left out.
    """
    ones = (1 << width) - 1
    found: list[tuple[int, ...]] = []
    if len(blocks) < 3:
        for init in (0, ones):
            for final in (0, ones):
                found.append(tuple(block ^ init << length ^ final for block, length in blocks))
    else:
        for known in (0, ones):
            with_init = [block ^ known << length for block, length in blocks]
            with_final = [(block ^ known, length) for block, length in blocks]
            # the unknown final value cancels out of a difference; so does an unknown start value, once both
            # blocks are made the same length
            found.append(tuple(a ^ b for a, b in pairwise(with_init)))
            found.append(
                tuple(a << max(0, m - n) ^ b << max(0, n - m) for (a, n), (b, m) in pairwise(with_final))
            )
    yield from (numbers for numbers in dict.fromkeys(found) if len(numbers) > 1 and all(numbers))


@lru_cache(maxsize=4096)  # blocks are cut into items in several ways, and what they cover is much the same
def common_divisors(numbers: tuple[int, ...], width: int) -> tuple[int, ...]:
    """Find the polynomials of a degree that divide all the numbers, if little more does.

    Parameters
    ----------
    numbers : tuple of int
        None is 0.
    width : int
        Degree sought.

    Returns
    -------
    tuple of int
        Odd, without their top bits.
    """
    return tuple(_divisors_of_degree(reduce(odd_common_divisor, numbers), width))


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
