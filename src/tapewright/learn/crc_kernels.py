"""Compiled loops of the search for CRCs: remainders of polynomials over GF(2).

A polynomial of degree `width` is written without its top bit, as CRC catalogues do.
"""

from __future__ import annotations

import numpy as np

from tapewright.compiled import kernel

__all__ = ["common_divisor", "remainders", "solve"]


@kernel
def _times(a, b, poly, width):  # type: ignore[no-untyped-def]
    """Multiply two remainders."""
    top, mask = np.uint64(1) << np.uint64(width - 1), (np.uint64(1) << np.uint64(width)) - np.uint64(1)
    one, product = np.uint64(1), np.uint64(0)
    for bit in range(width - 1, -1, -1):
        carry = product & top
        product = (product << one) & mask
        if carry:
            product ^= poly
        if (b >> np.uint64(bit)) & one:
            product ^= a
    return product


@kernel
def _power(base, exponent, poly, width):  # type: ignore[no-untyped-def]
    """Raise a remainder to a power."""
    result = np.uint64(1)
    while exponent:
        if exponent & 1:
            result = _times(result, base, poly, width)
        base = _times(base, base, poly, width)
        exponent >>= 1
    return result


@kernel
def remainders(polys, width, data, bounds, runs):  # type: ignore[no-untyped-def]
    """Divide what each run of items covers by each polynomial.

    Parameters
    ----------
    polys : ndarray of uint64, shape (p,)
        Odd.
    width : int
        Degree of all of them, 8 to 32.
    data : ndarray of uint8
        All bytes of all messages.
    bounds : ndarray of int64, shape (n, k + 1)
        Where in `data` the items of each message begin and end.
    runs : ndarray of bool, shape (c, k)
        Which items each run covers.

    Returns
    -------
    remainder : ndarray of uint64, shape (p, c, n)
        Of the covered bytes times x^width: the CRC with start and final value 0.
    shift, unshift : ndarray of uint64, shape (p, c, n)
        x to the number of bits covered, and its inverse: a start value times `shift` is added to the
        remainder.
    """
    p, n, k, c = len(polys), bounds.shape[0], bounds.shape[1] - 1, runs.shape[0]
    remainder = np.zeros((p, c, n), np.uint64)
    shift = np.ones((p, c, n), np.uint64)
    unshift = np.ones((p, c, n), np.uint64)
    table = np.empty(256, np.uint64)
    of_item, power = np.empty(k, np.uint64), np.empty(k, np.uint64)
    top, mask = np.uint64(1) << np.uint64(width - 1), (np.uint64(1) << np.uint64(width)) - np.uint64(1)
    one, eight, low = np.uint64(1), np.uint64(8), np.uint64(width - 8)
    for which in range(p):
        poly = polys[which]
        for value in range(256):
            register = np.uint64(value) << low
            for _ in range(8):
                carry = register & top
                register = (register << one) & mask
                if carry:
                    register ^= poly
            table[value] = register
        x_inverse = (poly | (np.uint64(1) << np.uint64(width))) >> one
        for message in range(n):
            for item in range(k):
                first, end = bounds[message, item], bounds[message, item + 1]
                register = np.uint64(0)
                for place in range(first, end):
                    register = ((register << eight) & mask) ^ table[
                        (register >> low) ^ np.uint64(data[place])
                    ]
                of_item[item] = register
                power[item] = _power(np.uint64(2), 8 * (end - first), poly, width)
            for run in range(c):
                length = 0
                for item in range(k):
                    if runs[run, item]:
                        so_far = _times(remainder[which, run, message], power[item], poly, width)
                        remainder[which, run, message] = so_far ^ of_item[item]
                        shift[which, run, message] = _times(
                            shift[which, run, message], power[item], poly, width
                        )
                        length += 8 * (bounds[message, item + 1] - bounds[message, item])
                unshift[which, run, message] = _power(x_inverse, length, poly, width)
    return remainder, shift, unshift


@kernel
def _most_common(values, present):  # type: ignore[no-untyped-def]
    best, most = np.uint64(0), 0
    for i in range(len(values)):
        if not present[i]:
            continue
        count = 0
        for j in range(len(values)):
            if present[j] and values[j] == values[i]:
                count += 1
        if count > most:
            best, most = values[i], count
    return best, most


@kernel
def solve(polys, width, remainder, shift, unshift, seen, present):  # type: ignore[no-untyped-def]
    """Find the start and final values with which most messages agree.

    Parameters
    ----------
    polys, width, remainder, shift, unshift
        As of `remainders`.
    seen : ndarray of uint64, shape (n,)
        The CRC of each message as it was read.
    present : ndarray of bool, shape (n,)
        Where it could be read.

    Returns
    -------
    init, final : ndarray of uint64, shape (4, p, c)
        Start value 0, or all ones, with whatever final value; final value 0, or all ones, with whatever
        start value.
    count : ndarray of int64, shape (4, p, c)
        How many messages agree.
    """
    p, c, n = remainder.shape
    ones = (np.uint64(1) << np.uint64(width)) - np.uint64(1)
    init, final = np.zeros((4, p, c), np.uint64), np.zeros((4, p, c), np.uint64)
    count = np.zeros((4, p, c), np.int64)
    left = np.empty(n, np.uint64)
    for which in range(p):
        poly = polys[which]
        for run in range(c):
            for way in range(4):
                given = np.uint64(0) if way % 2 == 0 else ones
                for i in range(n):
                    difference = seen[i] ^ remainder[which, run, i]
                    if way < 2:
                        left[i] = difference ^ _times(shift[which, run, i], given, poly, width)
                    else:
                        left[i] = _times(unshift[which, run, i], difference ^ given, poly, width)
                solved, count[way, which, run] = _most_common(left, present)
                init[way, which, run] = given if way < 2 else solved
                final[way, which, run] = solved if way < 2 else given
    return init, final, count


@kernel
def common_divisor(a, b):  # type: ignore[no-untyped-def]
    """Find the greatest common divisor of two polynomials with the constant term 1; both are overwritten.

    J. Stein's way ("Computational problems associated with Racah algebra", J. Comp. Phys. 1, 1967, from
    memory): the sum of two such polynomials has no constant term, so a power of x can be taken out of it.

    Parameters
    ----------
    a, b : ndarray of uint64, shape (n,)
        64 coefficients each, lowest first; the lowest bit of the first is 1.

    Returns
    -------
    ndarray of uint64, shape (n,)
    """
    one = np.uint64(1)
    size = len(a)
    while True:
        while size > 1 and a[size - 1] == 0 and b[size - 1] == 0:
            size -= 1
        if a[size - 1] < b[size - 1]:
            a, b = b, a
        first = 0
        while first < size and a[first] == b[first]:
            first += 1
        if first == size:
            return b
        low, spare = a[first] ^ b[first], 0
        while not low & one:
            low >>= one
            spare += 1
        right, left = np.uint64(spare), np.uint64(64 - spare)
        for place in range(size - first):
            word = (a[place + first] ^ b[place + first]) >> right
            if spare and place + first + 1 < size:
                word |= (a[place + first + 1] ^ b[place + first + 1]) << left
            a[place] = word
        a[size - first : size] = 0
