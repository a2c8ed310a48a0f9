"""An input stage as one port: what current it takes at which voltage, and where the bit changes.

Right of the coupling capacitor nothing remembers anything, so a curve ``i = g(u)`` and two thresholds on u
say all about a stage that `simulate` needs. Curves of bent parts are not solved for: they are drawn along a
voltage inside (a base's, a diode's) from which current and port voltage follow outright.

Left out throughout: the capacitances of junctions and leads (a constant delay of a microsecond or so), the
load of the gate that follows, temperature.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from tapewright.cards.machine_input import (
    ClampInput,
    ComparatorInput,
    InputStage,
    InverterInput,
    OneShotInput,
    SchmittInput,
    ToneDecoderInput,
    TransistorInput,
)
from tapewright.machine.devices import (
    CMOS_GUARD,
    SIGNAL_DIODE,
    THERMAL_VOLTS,
    TTL_CLAMP,
    Diode,
    transistor_of_gain,
)
from tapewright.model import CardError, UsageError

__all__ = ["CMOS_GUARD_OHMS", "MOST_VOLTS", "Port", "port_of", "stage_with"]

FloatArray = npt.NDArray[np.float64]

#: Curves reach this far either way; beyond, they go on straight.
MOST_VOLTS = 40.0
#: Before the two diodes that guard a CMOS input (from memory: a few hundred ohms).
CMOS_GUARD_OHMS = 250.0
#: A TTL input gives no more current when it is this far above its threshold; over four thermal voltages.
_TTL_LETS_GO_VOLTS = 0.3
#: Junctions are drawn to this forward voltage, where they carry amperes.
_MOST_FORWARD_VOLTS = 1.5
#: Points are close together so far around a junction's breakdown, and around 0.75 V of its conduction ...
_BEND_VOLTS = 0.5
#: ... so that between two of them its current changes by 4 %, and a straight line is right to 0.02 %.
_BEND_STEP_VOLTS = 0.001
_STEP_VOLTS = 0.02


@dataclass(frozen=True, eq=False)
class Port:
    """An input stage as a one-port behind a resistance and, mostly, a capacitor; right of it all is static.

    Parameters
    ----------
    source_ohms : float
        All in series: the recorder's own and the card's `series_ohms`.
    coupling_farads : float or None
    volts : ndarray of float64, shape (n,)
        u at the port, increasing, dense where it bends; at least two. Beyond its ends the curve goes on
        straight.
    amps : ndarray of float64, shape (n,)
        ``i = g(u)``, the current that flows in; never falling.
    rise_volts, fall_volts : float
        u going up through the first changes the bit, and going down through the second changes it back.
    is_inverting : bool
        The bit is 0 while u is above.
    pulse_seconds : float
        0 for no one-shot. Else any change begins a pulse of this length, and the pulse is the bit.
    tone : ToneDecoderInput, optional
        Then what the tone decoder makes of u is the bit, and the thresholds mean nothing.
    """

    source_ohms: float
    coupling_farads: float | None
    volts: FloatArray
    amps: FloatArray
    rise_volts: float
    fall_volts: float
    is_inverting: bool
    pulse_seconds: float = 0.0
    tone: ToneDecoderInput | None = None

    @property
    def rest_volts(self) -> float:
        """U with nothing played: where no current flows, or, without capacitor, where the source holds it."""
        through = self.amps if self.coupling_farads else self.volts + self.source_ohms * self.amps
        return float(np.interp(0.0, through, self.volts))


def stage_with(
    stage: InputStage, *, has_lead_parts: bool = True, part_factors: Mapping[str, float] | None = None
) -> InputStage:
    """Change parts of a stage.

    Parameters
    ----------
    has_lead_parts : bool
        False: the pull-down that sits in the lead is missing.
    part_factors : mapping of str to float, optional
        Multiplies fields of the stage, such as ``{"coupling_farads": 0.5}`` for a dried-out capacitor.

    Raises
    ------
    UsageError
        If the stage has no such part, or a factor is not a positive number.
    """
    changes: dict[str, float | None] = {}
    for name, factor in (part_factors or {}).items():
        value = getattr(stage, name, None)
        if name not in type(stage).model_fields or isinstance(value, (str, bool)) or value is None:
            raise UsageError(f"The {stage.kind} input stage has no value '{name}' that could be multiplied.")
        if not (math.isfinite(factor) and factor > 0):
            raise UsageError(f"A part is multiplied by a positive number; '{name}' by {factor:g} is none.")
        changes[name] = float(value) * factor
    if not has_lead_parts and isinstance(stage, TransistorInput) and stage.is_pulldown_in_lead:
        changes["pulldown_ohms"] = None
    return stage.model_copy(update=changes) if changes else stage


def port_of(
    stage: InputStage,
    recorder_ohms: float,
    *,
    has_lead_parts: bool = True,
    part_factors: Mapping[str, float] | None = None,
) -> Port:
    """Work out the port of an input stage, driven by a recorder.

    Parameters
    ----------
    stage : InputStage
        As the machine's card has it.
    recorder_ohms : float
        The source resistance of the recorder's ear socket, at least 0.
    has_lead_parts : bool
        False: the pull-down in the lead is missing.
    part_factors : mapping of str to float, optional
        Multiplies fields of the stage; see `stage_with`.

    Raises
    ------
    CardError
        If the bit could never change: a threshold lies where the stage's voltage never comes.
    UsageError
        If a factor names no part, or the recorder's resistance is negative.
    """
    if not (math.isfinite(recorder_ohms) and recorder_ohms >= 0):
        raise UsageError(f"A recorder's resistance is at least 0 ohms; {recorder_ohms:g} is none.")
    stage = stage_with(stage, has_lead_parts=has_lead_parts, part_factors=part_factors)
    volts, amps, rise, fall, is_inverting = _CURVES[type(stage)](stage)
    if rise < fall:  # factors have put one threshold past the other: then it is one, in between
        rise = fall = 0.5 * (rise + fall)
    port = Port(
        recorder_ohms + stage.series_ohms,
        stage.coupling_farads,
        *_tidy(volts, amps),
        rise,
        fall,
        is_inverting != stage.is_inverted,
    )
    if isinstance(stage, OneShotInput):
        return replace(port, pulse_seconds=stage.pulse_seconds)
    if isinstance(stage, ToneDecoderInput):
        return replace(port, tone=stage)
    return port


_Curve = tuple[FloatArray, FloatArray, float, float, bool]


def _transistor(stage: TransistorInput) -> _Curve:
    """Along the base-emitter voltage: the collector's from its load line, then both currents, then u."""
    device = transistor_of_gain(stage.gain)
    supply = stage.supply_volts

    def collector_of(base: FloatArray) -> FloatArray:
        # the load line falls and the transistor's current rises with the collector's voltage: bisect
        low = np.full(base.shape, -1.0)
        high = np.full(base.shape, supply + 1.0)
        for _ in range(40):
            middle = 0.5 * (low + high)
            above = device.collector_amps(base, middle) > (supply - middle) / stage.collector_ohms
            low, high = np.where(above, low, middle), np.where(above, middle, high)
        return np.asarray(0.5 * (low + high))

    def port_at(base: FloatArray, collector: FloatArray) -> tuple[FloatArray, FloatArray]:
        into_base = device.base_amps(base, collector)
        pin = base + device.base_ohms * into_base
        through = into_base - ((supply - pin) / stage.bias_ohms if stage.bias_ohms else 0.0)
        u = pin + stage.base_ohms * through
        return u, through + (u / stage.pulldown_ohms if stage.pulldown_ohms else 0.0)

    def threshold(key: str, volts: float) -> float:
        """U where the collector stands at this voltage."""
        amps = (supply - volts) / stage.collector_ohms
        collector = np.array(volts)

        def excess(base: float) -> float:
            return float(device.collector_amps(np.array(base), collector)) - amps

        # the least voltage that the collector comes down to is where its junction takes the current back
        if volts >= supply or volts <= 0.0 or excess(0.0) > 0 or excess(_MOST_FORWARD_VOLTS) < 0:
            raise CardError(
                f"The collector never comes to {volts:g} V between ground and {supply:g} V; "
                "give a threshold in between.",
                key=f"input.{key}",
            )
        from scipy import optimize  # late: it takes a second, and only those with a transistor wait

        base = np.array(optimize.brentq(excess, 0.0, _MOST_FORWARD_VOLTS, xtol=1e-12))
        return float(port_at(base, collector)[0])

    bends = [(-device.breakdown_volts, _BEND_VOLTS), (0.75, _BEND_VOLTS)]
    base = _steps(-device.breakdown_volts - 1.0, _MOST_FORWARD_VOLTS, bends)
    u, amps = port_at(base, collector_of(base))
    return u, amps, threshold("low_volts", stage.low_volts), threshold("high_volts", stage.high_volts), True


def _comparator(stage: ComparatorInput) -> _Curve:
    half = 0.5 * stage.hysteresis_volts
    volts = np.array([-MOST_VOLTS, MOST_VOLTS])
    amps = (volts - stage.bias_volts) / stage.bias_ohms
    return volts, amps, stage.threshold_volts + half, stage.threshold_volts - half, False


def _tone_decoder(stage: ToneDecoderInput) -> _Curve:
    volts = np.array([-MOST_VOLTS, MOST_VOLTS])
    return volts, volts / stage.input_ohms, 0.0, 0.0, False


def _inverter(stage: InverterInput) -> _Curve:
    """``V = supply / 2 (1 - tanh(2 gain (v - supply / 2) / supply))``: right in the middle and at the rails.

    Between them a real inverter's curve depends on its transistors; a hyperbolic tangent stands for it.
    """
    supply = stage.supply_volts
    middle = 0.5 * supply
    slope = 2.0 * stage.gain / supply

    def port_at(gate: FloatArray) -> tuple[FloatArray, FloatArray]:
        guard = _guards(gate, supply, CMOS_GUARD, CMOS_GUARD)
        u = gate + CMOS_GUARD_OHMS * guard
        return u, guard + (u - middle * (1.0 - np.tanh(slope * (gate - middle)))) / stage.feedback_ohms

    def threshold(key: str, volts: float) -> float:
        if not 0.0 < volts < supply:
            raise CardError(
                f"The inverter's output never comes to {volts:g} V; "
                f"give a threshold between 0 and {supply:g} V.",
                key=f"input.{key}",
            )
        return float(port_at(np.array(middle + math.atanh(1.0 - volts / middle) / slope))[0])

    bends = [*_rails(supply), (middle, 5.0 / slope)]  # so far out its tangent is straight
    gate = _steps(-_MOST_FORWARD_VOLTS, supply + _MOST_FORWARD_VOLTS, bends, 0.05 / slope)
    u, amps = port_at(gate)
    return u, amps, threshold("low_volts", stage.low_volts), threshold("high_volts", stage.high_volts), True


def _schmitt(stage: SchmittInput) -> _Curve:
    """A divider, and the gate: CMOS with a diode to either rail, or TTL, which gives current while low."""
    supply = stage.supply_volts
    is_ttl = stage.input_amps > 0
    lets_go = stage.high_volts + _TTL_LETS_GO_VOLTS

    def port_at(gate: FloatArray) -> tuple[FloatArray, FloatArray]:
        if is_ttl:
            guard = -TTL_CLAMP.amps(-gate)
            exponent = np.clip((gate - lets_go) / (4.0 * THERMAL_VOLTS), -50.0, 50.0)
            guard = guard - stage.input_amps / (1.0 + np.exp(exponent))
            u = gate
        else:
            guard = _guards(gate, supply, CMOS_GUARD, CMOS_GUARD)
            u = gate + CMOS_GUARD_OHMS * guard
        return u, guard + (u - supply) / stage.upper_ohms + u / stage.lower_ohms

    ends = (-_MOST_FORWARD_VOLTS, MOST_VOLTS if is_ttl else supply + _MOST_FORWARD_VOLTS)
    u, amps = port_at(_steps(*ends, [*_rails(supply), (lets_go, 1.0)]))
    rise, fall = (float(port_at(np.array(volts))[0]) for volts in (stage.high_volts, stage.low_volts))
    return u, amps, rise, fall, False


def _clamp(stage: ClampInput) -> _Curve:
    """Along the diodes' voltage."""
    supply = stage.supply_volts

    def port_at(gate: FloatArray) -> tuple[FloatArray, FloatArray]:
        amps = _guards(gate, supply, SIGNAL_DIODE, SIGNAL_DIODE) + (gate - stage.bias_volts) / stage.bias_ohms
        return gate + stage.clamp_ohms * amps, amps

    u, amps = port_at(_steps(-_MOST_FORWARD_VOLTS, supply + _MOST_FORWARD_VOLTS, _rails(supply)))
    rise, fall = (float(port_at(np.array(volts))[0]) for volts in (stage.high_volts, stage.low_volts))
    return u, amps, rise, fall, False


_CURVES: dict[type[InputStage], Callable[..., _Curve]] = {
    TransistorInput: _transistor,
    ComparatorInput: _comparator,
    InverterInput: _inverter,
    SchmittInput: _schmitt,
    ClampInput: _clamp,
    OneShotInput: _comparator,
    ToneDecoderInput: _tone_decoder,
}


def _guards(volts: FloatArray, supply: float, to_ground: Diode, to_supply: Diode) -> FloatArray:
    """Current into the node of two diodes, one from ground and one to the supply."""
    return to_supply.amps(volts - supply) - to_ground.amps(-volts)


def _rails(supply: float) -> list[tuple[float, float]]:
    """Where such diodes bend."""
    return [(-0.75, _BEND_VOLTS), (supply + 0.75, _BEND_VOLTS)]


def _steps(
    first: float, last: float, bends: list[tuple[float, float]], bend_step: float = _BEND_STEP_VOLTS
) -> FloatArray:
    """Give voltages from `first` to `last`, closer together in the bends (middle, half width)."""
    pieces: list[FloatArray] = [np.arange(first, last, _STEP_VOLTS), np.array([last])]
    for middle, half in bends:
        pieces.append(np.arange(middle - half, middle + half, min(bend_step, _BEND_STEP_VOLTS)))
    volts = np.unique(np.concatenate(pieces))
    return np.asarray(volts[(volts >= first) & (volts <= last)])


def _tidy(volts: FloatArray, amps: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Cut the curve to `MOST_VOLTS`, and drop points that rounding has put out of order."""
    inside = np.flatnonzero(np.abs(volts) <= MOST_VOLTS)
    keep = slice(max(inside[0] - 1, 0), inside[-1] + 2)
    volts, amps = volts[keep], amps[keep]
    ahead = np.concatenate(([True], np.diff(np.maximum.accumulate(volts)) > 0))
    return np.ascontiguousarray(volts[ahead]), np.maximum.accumulate(amps[ahead])
