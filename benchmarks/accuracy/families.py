"""The families of line codes that are measured, by library card, and what theory says of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import erfc

__all__ = ["FAMILIES", "TARGET", "Family", "byte_error_rate", "symbol_error_rate", "textbook_db"]

#: The byte error rate at which receivers are compared.
TARGET = 1e-2


@dataclass(frozen=True)
class Family:
    """A line code with its textbook bound.

    Parameters
    ----------
    card : str
        Name of the library card that stands for the family.
    factor : float
        The textbook's symbol error rate is ``Q(sqrt(factor * Eb / N0))``, symbol by symbol.
    why : str
        Where the factor comes from.
    bar_db, impaired_bar_db : float
        Loss against the bound that is aimed at, clean and with one impairment.
    """

    card: str
    factor: float
    why: str
    bar_db: float = 0.3
    impaired_bar_db: float = 0.6


ORTHOGONAL = "orthogonal, coherent (Proakis and Salehi, Digital Communications, ch. 4)"
WIDTH = "one long symbol against two short ones: d^2 = 2 E_long = 2.67 Eb"
MODEM = "correlated binary, coherent, rho over one bit; what the continuous phase tells is not used"

FAMILIES = (
    Family("kcs-300", 1.0, ORTHOGONAL),
    Family("kcs-1200", 1.0, ORTHOGONAL),
    Family("mallow-fsk-600", 1.0, ORTHOGONAL),
    Family("tansy-hex-250", 1.0, ORTHOGONAL),
    Family("heron-cycle-1600", 4 / 3, WIDTH),
    Family("sedge-half-2700", 4 / 3, WIDTH),
    Family("reed-pwm-1500", 4 / 3, WIDTH),
    Family("plover-ratio-200", 1 / 3, "0 and 1 differ, orthogonally, in a third of their length"),
    Family(
        "thistle-burst-320", 2 / 3, "01 against 10 differ in the place of one burst: d^2 = 1.33 Eb", 0.5, 1.0
    ),
    Family("larch-biphase-l-2000", 2.0, "antipodal (the same book)"),
    Family("alder-biphase-m-2000", 1.0, ORTHOGONAL + ", cell by cell"),
    Family("osier-biphase-s-1200", 1.0, ORTHOGONAL + ", cell by cell"),
    Family("yarrow-fm-500", 1 / 3, "a 1 is a 0 and one pulse more: d^2 = E_pulse = Eb / 1.5"),
    Family("teasel-three-1170", 0.7366, "0 and 1 have opposite signs for 316 us of 858 us: d^2 = 1.473 Eb"),
    Family("sorrel-step-1200", 1.0, ORTHOGONAL),
    Family("v21-300", 1.2067, MODEM + " (-0.2067)"),
    Family("v23-1200", 1.2067, MODEM + " (-0.2067)"),
    Family("bell-103-300", 1.2067, MODEM + " (-0.2067)"),
    Family("bell-202-1200", 1.1654, MODEM + " (-0.1654)"),
)


def symbol_error_rate(factor: float, eb_n0_db: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """``Q(sqrt(factor * Eb / N0))``."""
    ratio = factor * 10 ** (np.asarray(eb_n0_db, np.float64) / 10)
    return np.asarray(0.5 * erfc(np.sqrt(ratio / 2)), np.float64)


def byte_error_rate(needed_db: float, eb_n0_db: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Byte error rate of a code that needs `needed_db` for the target rate: the shape of Q, shifted.

    Eight bits, each wrong by itself: the shape hardly depends on that.
    """
    one = 1 - (1 - symbol_error_rate(1.0, np.asarray(eb_n0_db) - needed_db + REFERENCE_DB)) ** 8
    return np.asarray(one, np.float64)


def _reference_db() -> float:
    """Where the curve for a factor of 1 crosses the target."""
    low, high = 5.0, 15.0
    while high - low > 1e-9:
        middle = 0.5 * (low + high)
        if 1 - (1 - float(symbol_error_rate(1.0, middle))) ** 8 > TARGET:
            low = middle
        else:
            high = middle
    return low


REFERENCE_DB = _reference_db()


def textbook_db(family: Family, bits: int) -> float:
    """Eb/N0 in dB at which the textbook's formula gives the target byte error rate, for bytes of `bits`."""
    per_symbol = 1 - (1 - TARGET) ** (1 / bits)
    low, high = 0.0, 30.0
    while high - low > 1e-9:
        middle = 0.5 * (low + high)
        if float(symbol_error_rate(family.factor, middle)) > per_symbol:
            low = middle
        else:
            high = middle
    return low
