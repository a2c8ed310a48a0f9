"""The machine card's input stage and load loop: what stands between the recorder's ear socket and a bit."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from tapewright.cards.base import CardPart, PartValue

__all__ = [
    "INPUT_KINDS",
    "ClampInput",
    "ComparatorInput",
    "InputStage",
    "InverterInput",
    "LoadLoop",
    "OneShotInput",
    "SchmittInput",
    "ToneDecoderInput",
    "TransistorInput",
]

Ohms = Annotated[PartValue, Field(gt=0, le=1e9)]
Farads = Annotated[PartValue, Field(gt=0, le=1)]
Volts = Annotated[PartValue, Field(ge=-30, le=30)]
Supply = Annotated[PartValue, Field(gt=0, le=30)]
Seconds = Annotated[PartValue, Field(gt=0, le=10)]


class _Input(CardPart):
    """What every input stage has: the way in.

    Parameters
    ----------
    coupling_farads : float, optional
        In series with the input; without it the input is coupled directly.
    series_ohms : float
        In series before it, beside the recorder's own resistance.
    is_inverted : bool
        The bit is upside down to what the kind says: one more gate that inverts stands before it.
    """

    coupling_farads: Farads | None = None
    series_ohms: Annotated[PartValue, Field(ge=0, le=1e9)] = 0.0
    is_inverted: bool = False


class _Gate(CardPart):
    """Where a logic input changes its mind: going up at `high_volts`, going down at `low_volts`."""

    low_volts: Volts
    high_volts: Volts

    @model_validator(mode="after")
    def _in_order(self) -> _Gate:
        if self.low_volts > self.high_volts:
            raise ValueError("low_volts: the threshold going down is not above the one going up, high_volts")
        return self


class TransistorInput(_Input, _Gate):
    """A common-emitter transistor into a logic input: the bit is 0 while the transistor conducts.

    Parameters
    ----------
    pulldown_ohms : float, optional
        From the coupling capacitor's far end to ground; without it nothing drains the capacitor.
    is_pulldown_in_lead : bool
        Whether it sits in the lead and is missing when that is.
    base_ohms : float
        From there to the base.
    bias_ohms : float, optional
        From the base to the supply.
    collector_ohms, supply_volts : float
    gain : float
        Forward current gain at 1 mA of collector current.
    low_volts, high_volts : float
        Thresholds of the logic input at the collector.
    """

    kind: Literal["transistor"]
    pulldown_ohms: Ohms | None = None
    is_pulldown_in_lead: bool = False
    base_ohms: Ohms
    bias_ohms: Ohms | None = None
    collector_ohms: Ohms
    supply_volts: Supply = 5.0
    gain: Annotated[PartValue, Field(ge=5, le=2000)] = 200.0


class ComparatorInput(_Input):
    """A comparator or operational amplifier: the bit is 1 while the input is above the threshold.

    Parameters
    ----------
    bias_ohms, bias_volts : float
        From the input to the voltage it rests at.
    threshold_volts : float
        The other input.
    hysteresis_volts : float
        Between going up and going down.
    """

    kind: Literal["comparator"]
    bias_ohms: Ohms
    bias_volts: Volts = 0.0
    threshold_volts: Volts = 0.0
    hysteresis_volts: Annotated[PartValue, Field(ge=0, le=10)] = 0.0


class InverterInput(_Input, _Gate):
    """A CMOS inverter that a resistor from output to input keeps half way: the bit is 0 while that is high.

    Parameters
    ----------
    feedback_ohms, supply_volts : float
    gain : float
        Voltage gain in the middle.
    low_volts, high_volts : float
        Thresholds of the gate that follows, at this one's output.
    """

    kind: Literal["inverter"]
    feedback_ohms: Ohms
    supply_volts: Supply = 5.0
    gain: Annotated[PartValue, Field(ge=2, le=1e5)] = 30.0


class SchmittInput(_Input, _Gate):
    """A Schmitt trigger behind a bias divider: the bit is 1 while the input is high.

    Most such gates invert: say `is_inverted` for one of them.

    Parameters
    ----------
    upper_ohms, lower_ohms : float
        From the input to the supply and to ground.
    supply_volts : float
    input_amps : float
        Flows out of the gate's input (TTL).
    """

    kind: Literal["schmitt"]
    upper_ohms: Ohms
    lower_ohms: Ohms
    supply_volts: Supply = 5.0
    input_amps: Annotated[PartValue, Field(ge=0, le=0.01)] = 0.0


class ClampInput(_Input, _Gate):
    """A resistor into a pair of diodes, to ground and to the supply, and a Schmitt trigger.

    The bit is 1 while the input is high, unless the gate inverts (`is_inverted`).

    Parameters
    ----------
    clamp_ohms : float
        From the coupling capacitor to the diodes.
    bias_ohms, bias_volts : float
        From the diodes to the voltage they rest at.
    supply_volts : float
    """

    kind: Literal["clamp"]
    clamp_ohms: Ohms
    bias_ohms: Ohms
    bias_volts: Volts
    supply_volts: Supply = 5.0


class OneShotInput(ComparatorInput):
    """A comparator for zero crossings, each of which, up or down, makes a pulse of fixed length.

    The bit is 1 during the pulse.

    Parameters
    ----------
    pulse_seconds : float
        A crossing in the middle of a pulse begins it anew.
    """

    kind: Literal["one-shot"]  # type: ignore[assignment]
    pulse_seconds: Seconds


class ToneDecoderInput(_Input):
    """A phase-locked loop that says whether a tone is there: the bit is 1 while it is.

    Parameters
    ----------
    input_ohms : float
        To ground.
    center_hz : float
    lock_hz : float
        It stays locked to tones as far as this from `center_hz`.
    loop_seconds, lock_seconds : float
        Time constants of the loop's filter and of the lock detector's.
    least_volts : float
        The weakest tone it locks to (peak).
    """

    kind: Literal["tone-decoder"]
    input_ohms: Ohms
    center_hz: Annotated[PartValue, Field(gt=0, le=1e5)]
    lock_hz: Annotated[PartValue, Field(gt=0, le=1e5)]
    loop_seconds: Seconds
    lock_seconds: Seconds
    least_volts: Annotated[PartValue, Field(gt=0, le=10)] = 0.02


InputStage = Annotated[
    TransistorInput
    | ComparatorInput
    | InverterInput
    | SchmittInput
    | ClampInput
    | OneShotInput
    | ToneDecoderInput,
    Field(discriminator="kind"),
]


INPUT_KINDS: dict[str, type[CardPart]] = {
    "transistor": TransistorInput, "comparator": ComparatorInput, "inverter": InverterInput,
    "schmitt": SchmittInput, "clamp": ClampInput, "one-shot": OneShotInput, "tone-decoder": ToneDecoderInput,
}  # fmt: skip


class LoadLoop(CardPart):
    """How the load routine looks at the input bit.

    Parameters
    ----------
    poll_seconds : float
        Once round the loop; what happens to the bit in between is not seen.
    reads : {"cycle", "high", "low", "halves", "count", "burst"}
        What it measures: from one rising edge to the next; how long the bit is 1, or 0; each of both;
        how many edges there are in a window that begins with an edge; how many until it is quiet.
    limits : list of float
        In seconds ("cycle", "high", "low", "halves") or edges ("count", "burst"). A measurement between the
        first two is of kind 0, between the next two of kind 1, and so on; others are an error.
    window_seconds : float, optional
        For "count".
    quiet_seconds : float, optional
        For "burst": without an edge for so long.
    """

    poll_seconds: Annotated[PartValue, Field(gt=0, le=0.01)]
    reads: Literal["cycle", "high", "low", "halves", "count", "burst"]
    limits: Annotated[list[Annotated[PartValue, Field(ge=0)]], Field(min_length=2, max_length=8)]
    window_seconds: Seconds | None = None
    quiet_seconds: Seconds | None = None

    @model_validator(mode="after")
    def _complete(self) -> LoadLoop:
        if any(a >= b for a, b in zip(self.limits, self.limits[1:], strict=False)):
            raise ValueError("limits: each is more than the one before it")
        if (self.window_seconds is not None) != (self.reads == "count"):
            raise ValueError('window_seconds: goes with reads = "count", and with nothing else')
        if (self.quiet_seconds is not None) != (self.reads == "burst"):
            raise ValueError('quiet_seconds: goes with reads = "burst", and with nothing else')
        return self
