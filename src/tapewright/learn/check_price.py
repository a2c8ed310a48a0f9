"""What it costs to assume something about a check, in bits: the negative log of how usual it is.

All numbers are chosen: machines mostly add up, over everything or over the data, and start from 0. They
need only be right within a few bits; what decides is 8 bits of evidence a byte and recording. What has to
be solved for costs as many bits as it has, so that a rule fitted to the recordings gains nothing by it.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

import numpy as np
import numpy.typing as npt

from tapewright.cards.checks import SimpleCheck
from tapewright.learn.check_rule import Place

__all__ = [
    "CATALOGUE_POLYS",
    "NO_CHECK_BITS",
    "SIMPLE_KIND_BITS",
    "UNTOLD_BITS",
    "as_sent_bits",
    "coverage_bits",
    "crc_bits",
    "place_bits",
    "start_bits",
]

Ints = npt.NDArray[np.uint64]
Floats = npt.NDArray[np.float64]

#: What follows the items of a block is mostly a check. A single block may have one that it cannot tell, as it
#: starts from anywhere or has a polynomial of its own.
NO_CHECK_BITS, UNTOLD_BITS = 4.0, 1.0
#: Kind of check, and whether its bytes are inverted.
SIMPLE_KIND_BITS: dict[tuple[SimpleCheck, bool], float] = {
    ("sum8", False): 2.0, ("sum8-neg", False): 3.0, ("xor8", False): 2.5, ("sum16", False): 3.3,
    ("fletcher16", False): 4.5, ("sum16", True): 6.5, ("fletcher16", True): 9.0,
}  # fmt: skip
_CRC_KIND_BITS: dict[int, float] = {8: 5.0, 16: 2.7, 24: 7.5, 32: 4.5}
#: What published CRCs of 8 bits cost as a whole (RevEng, by the figures): polynomial, start value, whether
#: reflected, final value. Their parts together would cost more; in wider ones far more bits have to agree,
#: and such a difference does not matter.
_NAMED_CRCS_OF_8: dict[tuple[int, int, bool, int], float] = {
    (0x07, 0x00, False, 0x00): 1.5, (0x31, 0x00, True, 0x00): 2.0, (0x07, 0xFF, True, 0x00): 3.0,
    (0x07, 0x00, False, 0x55): 3.5, (0x39, 0x00, True, 0x00): 3.5, (0x9B, 0xFF, False, 0x00): 3.5,
}  # fmt: skip
#: Polynomials of the published catalogue (RevEng, by the figures), with what they cost.
CATALOGUE_POLYS: dict[int, dict[int, float]] = {
    8: {0x07: 2.0, 0x31: 3.0, 0x39: 4.0, 0x9B: 4.0},
    16: {0x1021: 1.0, 0x8005: 2.0},
    24: {0x864CFB: 0.5},
    32: {0x04C11DB7: 0.7, 0x1EDC6F41: 2.5},
}
#: Where a register starts, and what it is exclusive-ored with at the end: 0, all ones, a value that the
#: catalogue has, or any.
_INIT_BITS = 1.0, 1.3, 4.0
_XOROUT_BITS = 0.6, 2.0, 4.0
_CATALOGUE_INITS: dict[int, tuple[int, ...]] = {16: (0x1D0F,), 24: (0xB704CE,)}
_CATALOGUE_XOROUTS: dict[int, tuple[int, ...]] = {8: (0x55,)}
_REFLECTED_BITS = 1.0  # reflected or not
_UNUSUAL_BITS = 2.5  # on top of the bits of a number that has to be solved for
_POLY_BITS = 0.5  # the same for polynomials, which have to be odd


def place_bits(place: Place, is_told_apart: bool) -> float:
    """Give the price of a place: its byte order, bytes in front of it, whether it is coded like the rest."""
    bits = 0.3 if place.offset == 0 else 4.5
    if place.width_bytes > 1:
        bits += 1.0
    if is_told_apart:
        bits += 0.5 if place.is_coded else 2.0
    return bits


def as_sent_bits(as_sent: bool, is_told_apart: bool) -> float:
    """Give the price of a check over the bytes in memory, or on tape."""
    if not is_told_apart:
        return 0.0
    return 1.5 if as_sent else 0.6


def start_bits(start: int, width: int) -> float:
    """Give the price of the value a sum or exclusive or starts from."""
    if start == 0:
        return 0.25
    return 5.0 if start in ((1 << width) - 1, 1) else width + _UNUSUAL_BITS


def crc_bits(polys: Ints, init: Ints, final: Ints, width: int, is_reflected: bool) -> Floats:
    """Give the price of CRCs: of their parameters one by one, or of a published set of them.

    Parameters
    ----------
    polys : ndarray of uint64, shape (p, 1)
        Odd; others are never tried.
    init, final : ndarray of uint64, shape (..., p, c)
        Start and final values of the register.
    width : int
    is_reflected : bool

    Returns
    -------
    ndarray of float64, shape (..., p, c)
    """
    known = CATALOGUE_POLYS[width]
    poly_bits = [known.get(int(poly), width - 1 + _POLY_BITS) for poly in polys.ravel()]
    bits = np.reshape(poly_bits, polys.shape) + _REFLECTED_BITS
    bits = bits + _number_bits(init, width, _INIT_BITS, _CATALOGUE_INITS.get(width, ()))
    bits = bits + _number_bits(final, width, _XOROUT_BITS, _CATALOGUE_XOROUTS.get(width, ()))
    for (poly, first, turned, last), whole in _NAMED_CRCS_OF_8.items():
        if (width, is_reflected) == (8, turned):
            bits = np.where((polys == poly) & (init == first) & (final == last), whole, bits)
    return _CRC_KIND_BITS[width] + bits


def _number_bits(values: Ints, width: int, usual: tuple[float, float, float], named: Sequence[int]) -> Floats:
    """Give the price of start values (`_INIT_BITS`) or final ones (`_XOROUT_BITS`)."""
    price = np.full(values.shape, width + _UNUSUAL_BITS)
    for value in named:
        price[values == value] = usual[2]
    price[values == (1 << width) - 1] = usual[1]
    price[values == 0] = usual[0]
    return price


def coverage_bits(names: Sequence[str], constants: Collection[str]) -> dict[tuple[str, ...], float]:
    """List what a check after these items may cover, with the price of each.

    Everything; everything but the sync; everything that changes; the data; and each run of items that
    ends with the last one, or with the last that changes. All these also without bytes that nobody knows,
    which may be a check themselves. A check over constants alone is a constant itself.
    """
    weights: dict[tuple[str, ...], float] = {}

    def add(over: Sequence[str], weight: float) -> None:
        if any(name not in constants for name in over):
            weights[tuple(over)] = weights.get(tuple(over), 0.0) + weight

    explained = [name for name in names if not name.startswith("unknown")]
    for known, share in ((names, 1.0), (explained, 0.2)):
        changing = tuple(name for name in known if name not in constants)
        add(known, 0.15 * share)
        add([name for name in known if name != "sync"], 0.3 * share)
        add(changing, 0.15 * share)
        add([name for name in known if name == "data"], 0.25 * share)
        for run in {tuple(known), tuple(known[: _last(known, changing)])}:
            for first in range(len(run)):
                add(run[first:], 0.1 * share / len(run))
    total = sum(weights.values())
    return {over: float(np.log2(total / weight)) for over, weight in weights.items()}


def _last(names: Sequence[str], changing: Sequence[str]) -> int:
    return names.index(changing[-1]) + 1 if changing else 0
