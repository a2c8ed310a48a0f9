"""A machine card told in plain words, for people who are about to connect something."""

from __future__ import annotations

import math
from collections.abc import Iterator

from tapewright.cards.machine import Connector, MachineCard, OutputStage
from tapewright.cards.machine_input import (
    ClampInput,
    ComparatorInput,
    InputStage,
    InverterInput,
    LoadLoop,
    OneShotInput,
    SchmittInput,
    ToneDecoderInput,
    TransistorInput,
)

__all__ = ["describe_machine"]

_UNITS = {
    "ohm": (("Mohm", 1e6), ("kohm", 1e3), ("ohm", 1.0)),
    "F": (("F", 1.0), ("uF", 1e-6), ("nF", 1e-9), ("pF", 1e-12)),
    "s": (("s", 1.0), ("ms", 1e-3), ("us", 1e-6)),
    "A": (("A", 1.0), ("mA", 1e-3), ("uA", 1e-6)),
    "V": (("V", 1.0),),
    "Hz": (("Hz", 1.0),),
}
_STAGES = {
    "transistor": "a transistor with its emitter to ground, into a logic input",
    "comparator": "a comparator",
    "inverter": "a CMOS inverter that biases itself, into a logic input",
    "schmitt": "a Schmitt trigger behind a divider",
    "clamp": "a resistor into two diodes, to ground and to the supply, and a Schmitt trigger",
    "one-shot": "a comparator, and a pulse at every crossing",
    "tone-decoder": "a phase-locked tone decoder",
}
_MEASURES = {
    "cycle": "measures the time from one rise to the next",
    "high": "measures how long it is 1",
    "low": "measures how long it is 0",
    "halves": "measures how long it is 1 and how long it is 0",
    "count": "counts its changes in windows of {}, each of which begins with one",
    "burst": "counts its changes until there have been none for {}",
}


def describe_machine(card: MachineCard) -> list[str]:
    """Describe a machine in plain words.

    Parameters
    ----------
    card : MachineCard

    Returns
    -------
    list of str
        Lines: name, source, format, then whatever the card has of output stage, input stage, load routine,
        connector and lead, memory, and the cautions. Items of a list are indented by two spaces.

    Examples
    --------
    >>> from tapewright.cards import load_machine
    >>> describe_machine(load_machine("plover-board"))[2]
    'Format: plover-ratio-200'
    """
    lines = [f"{card.name}: {card.title}", f"Source: {card.source}", f"Format: {card.format}"]
    if card.output is not None:
        lines += _output(card.output)
    if card.input is not None:
        lines += [f"Input stage: {_STAGES[card.input.kind]}", *(f"  {line}" for line in _input(card.input))]
    if card.loop is not None:
        lines += _loop(card.loop)
    if card.connector is not None:
        lines += _connector(card.connector)
    if card.memory is not None:
        first, last = card.memory.programs
        notes = f" ({card.memory.notes})" if card.memory.notes else ""
        lines.append(f"Memory for programs: {first:04X}..{last:04X}{notes}")
    lines += [f"Caution: {caution.text}" for caution in card.caution]
    return lines


def _value(value: float, unit: str) -> str:
    """Write with the largest prefix that leaves at least 1."""
    for name, size in _UNITS[unit]:
        if abs(value) >= size * (1 - 1e-9):
            return f"{value / size:.4g} {name}"
    name, size = _UNITS[unit][-1]
    return f"{value / size:.4g} {name}"


def _output(stage: OutputStage) -> Iterator[str]:
    resistors = ", ".join(_value(ohms, "ohm") for ohms in stage.bit_ohms)
    count = len(stage.bit_ohms)
    bits = "one port bit through" if count == 1 else f"{count} port bits through"
    yield f"Output stage: {bits} {resistors}, {_value(stage.supply_volts, 'V')}"
    if stage.coupling_farads is not None:
        yield f"  then a capacitor of {_value(stage.coupling_farads, 'F')}"
    share = f", of which {100 * stage.gain:g} % is sent" if stage.gain < 1 else ""
    yield f"  into {_value(stage.load_ohms, 'ohm')}{share}"


def _input(stage: InputStage) -> Iterator[str]:
    if stage.series_ohms:
        yield f"{_value(stage.series_ohms, 'ohm')} in series"
    if stage.coupling_farads is None:
        yield "coupled directly"
    else:
        yield f"a coupling capacitor of {_value(stage.coupling_farads, 'F')}"
    yield from _own_parts(stage)
    if isinstance(stage, (TransistorInput, InverterInput, SchmittInput, ClampInput)):
        low, high = _value(stage.low_volts, "V"), _value(stage.high_volts, "V")
        what = "collector" if isinstance(stage, TransistorInput) else "gate"
        yield f"the {what} counts as high from {high} on, and as low again from {low} down"
    if stage.is_inverted:
        yield "what it says is turned over on its way to the input bit"


def _own_parts(stage: InputStage) -> Iterator[str]:
    """Tell the parts that only this kind of stage has."""
    if isinstance(stage, TransistorInput):
        if stage.pulldown_ohms is None:
            yield "no pull-down: nothing drains the capacitor"
        else:
            where = "in the lead, not on the board" if stage.is_pulldown_in_lead else "on the board"
            yield f"a pull-down of {_value(stage.pulldown_ohms, 'ohm')}, {where}"
        bias = f", {_value(stage.bias_ohms, 'ohm')} from there to the supply" if stage.bias_ohms else ""
        yield f"{_value(stage.base_ohms, 'ohm')} to the base{bias}, current gain {stage.gain:g}"
        yield f"{_value(stage.collector_ohms, 'ohm')} from the collector to {_value(stage.supply_volts, 'V')}"
    elif isinstance(stage, ComparatorInput):  # a one-shot has one before it
        yield f"at rest at {_value(stage.bias_volts, 'V')} through {_value(stage.bias_ohms, 'ohm')}"
        yield (
            f"threshold {_value(stage.threshold_volts, 'V')},"
            f" {_value(stage.hysteresis_volts, 'V')} of hysteresis"
        )
        if isinstance(stage, OneShotInput):
            yield f"pulses of {_value(stage.pulse_seconds, 's')}"
    elif isinstance(stage, InverterInput):
        yield f"{_value(stage.feedback_ohms, 'ohm')} from its output to its input"
        yield f"voltage gain {stage.gain:g}, supply {_value(stage.supply_volts, 'V')}"
    elif isinstance(stage, SchmittInput):
        upper, lower = _value(stage.upper_ohms, "ohm"), _value(stage.lower_ohms, "ohm")
        yield f"{upper} to {_value(stage.supply_volts, 'V')} and {lower} to ground"
        if stage.input_amps:
            yield f"the gate gives {_value(stage.input_amps, 'A')} while it is low"
    elif isinstance(stage, ClampInput):
        yield f"{_value(stage.clamp_ohms, 'ohm')} to the diodes, supply {_value(stage.supply_volts, 'V')}"
        yield f"at rest at {_value(stage.bias_volts, 'V')} through {_value(stage.bias_ohms, 'ohm')}"
    else:
        yield from _tone(stage)


def _tone(stage: ToneDecoderInput) -> Iterator[str]:
    yield f"{_value(stage.input_ohms, 'ohm')} to ground"
    yield f"in tune at {_value(stage.center_hz, 'Hz')}, from {_value(stage.least_volts, 'V')} peak on"
    yield f"holds on to tones within {_value(stage.lock_hz, 'Hz')} of that"
    yield f"its loop takes {_value(stage.loop_seconds, 's')}, its detector {_value(stage.lock_seconds, 's')}"


def _loop(loop: LoadLoop) -> Iterator[str]:
    span = loop.window_seconds or loop.quiet_seconds or 0.0
    measures = _MEASURES[loop.reads].format(_value(span, "s"))
    yield f"Load routine: looks at the input bit every {_value(loop.poll_seconds, 's')} and {measures}"
    for number, (low, high) in enumerate(zip(loop.limits, loop.limits[1:], strict=False)):
        yield f"  kind {number}: {_range(low, high, loop)}"
    yield "  anything else is an error"


def _range(low: float, high: float, loop: LoadLoop) -> str:
    if loop.reads in ("count", "burst"):  # whole numbers from the one up to, not including, the other
        first, last = math.ceil(low), math.ceil(high) - 1
        return f"{first} changes" if first == last else f"{first} to {last} changes"
    return f"{_value(low, 's')} to {_value(high, 's')}"


def _connector(connector: Connector) -> Iterator[str]:
    yield f"Connector: {connector.plug}"
    for pin, use in connector.pins.items():
        yield f"  {pin}: {use}"
    if connector.bridge:
        yield f"  in the lead: {connector.bridge}"
    if connector.notes:
        yield f"  {connector.notes}"
