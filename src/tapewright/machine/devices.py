"""Diodes and a small NPN transistor as static currents: the textbook equations and the values put into them.

All at 27 C, the temperature circuit simulators take unless told otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

__all__ = [
    "CMOS_GUARD",
    "SIGNAL_DIODE",
    "THERMAL_VOLTS",
    "TTL_CLAMP",
    "Diode",
    "Transistor",
    "transistor_of_gain",
]

FloatArray = npt.NDArray[np.float64]

#: k T / q at 300.15 K (SI 2019 constants).
THERMAL_VOLTS = 0.0258649
#: Where an exponential is cut off: far more current than any lead carries, far less than a float holds.
_MOST_EXPONENT = 200.0


@dataclass(frozen=True)
class Diode:
    """Shockley's diode: ``i = saturation_amps * (exp(v / (ideality * VT)) - 1)``.

    References
    ----------
    W. Shockley, The theory of p-n junctions in semiconductors and p-n junction transistors, 1949.
    """

    saturation_amps: float
    ideality: float = 1.0

    def amps(self, volts: FloatArray) -> FloatArray:
        """Forward current."""
        exponent = np.minimum(volts / (self.ideality * THERMAL_VOLTS), _MOST_EXPONENT)
        return np.asarray(self.saturation_amps * np.expm1(exponent))


#: A small silicon switching diode; the values circuit simulators' libraries give for one (from memory).
SIGNAL_DIODE = Diode(2.52e-9, 1.752)
#: One of the two that guard a CMOS input. An integrated junction of no particular part (chosen).
CMOS_GUARD = Diode(1e-14)
#: From a TTL input to ground. The same junction stands for it: what it keeps away is far below the threshold.
TTL_CLAMP = CMOS_GUARD


@dataclass(frozen=True)
class Transistor:
    """Ebers and Moll's NPN transistor, with Early effect, low-current leakage and breakdown of the base.

    ``IC = IS (1 - VBC / VA) (e(VBE) - e(VBC)) - IS / BR (e(VBC) - 1)``,
    ``IB = IS / BF (e(VBE) - 1) + IS / BR (e(VBC) - 1) + ISE (exp(VBE / (NE VT)) - 1)``, less what breakdown
    draws out of the base: ``exp(-(VBE + BV) / VT)`` mA; with ``e(V) = exp(V / VT)``.

    Left out: high-level injection, the resistances of emitter and collector, and every capacitance.

    References
    ----------
    J. J. Ebers, J. L. Moll, Large-signal behavior of junction transistors, 1954; J. M. Early, Effects of
    space-charge layer widening in junction transistors, 1952; for leakage as a second exponential
    H. K. Gummel, H. C. Poon, An integral charge control model of bipolar transistors, 1970.
    """

    #: The model card of standards.md 7.2 (second-hand: ten circuit files).
    saturation_amps: float = 6.734e-15
    forward_gain: float = 416.4
    reverse_gain: float = 0.7371
    early_volts: float = 74.03
    leak_amps: float = 6.734e-15
    leak_ideality: float = 1.259
    #: Between the base's pin and the junction (from memory: 10 to 20 ohms in such model cards).
    base_ohms: float = 10.0
    #: Data sheets promise 6 V; about 7 V is what one finds (from memory).
    breakdown_volts: float = 7.0

    def collector_amps(self, base: FloatArray, collector: FloatArray) -> FloatArray:
        """Collector current at these voltages of base and collector above the emitter's."""
        across = base - collector
        early = np.maximum(1.0 - across / self.early_volts, 0.1)
        forward, reverse = _exp(base), _exp(across)
        return np.asarray(
            self.saturation_amps * (early * (forward - reverse) - (reverse - 1.0) / self.reverse_gain)
        )

    def base_amps(self, base: FloatArray, collector: FloatArray) -> FloatArray:
        """Base current at these voltages of base and collector above the emitter's."""
        forward = self.saturation_amps / self.forward_gain * (_exp(base) - 1.0)
        reverse = self.saturation_amps / self.reverse_gain * (_exp(base - collector) - 1.0)
        leak = self.leak_amps * (_exp(base / self.leak_ideality) - 1.0)
        broken = 1e-3 * _exp(-(base + self.breakdown_volts))
        return np.asarray(forward + reverse + leak - broken)


def transistor_of_gain(gain: float) -> Transistor:
    """Give the transistor whose current gain is `gain` at 1 mA, out of saturation.

    The leakage scales with the rest of the base current, so that the gain falls off at low currents as the
    model card's does: to 0.70 of itself at 0.1 mA (data sheet, minimum: 0.57, from 70 to 40).
    """
    model = Transistor()
    base = THERMAL_VOLTS * np.log(1e-3 / model.saturation_amps)
    ratio = gain / (1e-3 / float(model.base_amps(base, base)))
    return replace(model, forward_gain=model.forward_gain * ratio, leak_amps=model.leak_amps / ratio)


def _exp(volts: FloatArray) -> FloatArray:
    return np.asarray(np.exp(np.minimum(volts / THERMAL_VOLTS, _MOST_EXPONENT)))
