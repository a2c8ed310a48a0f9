"""Every input stage as a netlist, made from its card, and what ngspice makes of it: for tests/truth.

Solver, time steps, transistor and diodes are ngspice's own. Of ours it gets the parts' values; where a device
is not the point (a gate's threshold, a one-shot), the plainest possible stand-in follows here.
"""

from __future__ import annotations

import subprocess
from pathlib import Path

import numpy as np

from tapewright.cards import machine_input as cards
from tapewright.machine import devices, port

RECORDER_OHMS = 100.0
#: ngspice's longest step.
STEP_SECONDS = 1e-6

#: Capacitances and transit times, which our model leaves out (from memory: usual for such a transistor).
SLOW_PARTS = "CJE=4.493p CJC=3.638p TF=301.2p TR=239.5n"


def bit_transitions(stage, emf, rate_hz, gains, directory: Path):
    """Transitions of the bit, in seconds, and the first bit: one pair a gain."""
    netlist, watch, low, high, rests_high = NETLISTS[type(stage)](stage)
    seconds = len(emf) / rate_hz
    times = np.arange(len(emf)) / rate_hz
    points = [f"+ {t:.9g} {v:.7g}" for t, v in zip(times, emf.astype(float), strict=True)]
    lines = ["* input stage", "Vbase base 0 PWL(", *points, "+ )"]
    for lane, gain in enumerate(gains):
        lines += [f"E{lane} e{lane} 0 base 0 {gain:.9g}", f"X{lane} e{lane} out{lane} stage"]
    lines += [".subckt stage e out", *_coupling(stage), *netlist, f"Eout out 0 {watch} 0 1", ".ends"]
    lines += [
        ".options reltol=1e-4 abstol=1e-12 vntol=1e-6 method=trap",
        ".save " + " ".join(f"v(out{lane})" for lane in range(len(gains))),
        f".tran {STEP_SECONDS:g} {seconds - 1 / rate_hz:.9g} 0 {STEP_SECONDS:g}",
        ".end",
    ]
    circuit, raw = directory / "stage.cir", directory / "stage.raw"
    circuit.write_text("\n".join(lines) + "\n", encoding="ascii")
    subprocess.run(["ngspice", "-b", "-r", str(raw), str(circuit)], check=True, capture_output=True)
    time, *nodes = _read_raw(raw)
    found = []
    for volts in nodes:
        changes, is_first_high = _schmitt(time, volts, low, high, rests_high)
        if isinstance(stage, cards.OneShotInput):
            changes, is_first_high = _pulses(changes, stage.pulse_seconds, time[-1]), False
        found.append((changes, int(is_first_high != stage.is_inverted)))
    return found


def _coupling(stage):
    series = RECORDER_OHMS + stage.series_ohms
    if stage.coupling_farads is None:
        return [f"Rs e u {series:.9g}"]
    return [f"Rs e c {series:.9g}", f"Cc c u {stage.coupling_farads:.9g}"]


def _transistor(stage):
    device = devices.transistor_of_gain(stage.gain)
    lines = [f"Vcc vcc 0 {stage.supply_volts}", f"Rb u b {stage.base_ohms}"]
    if stage.pulldown_ohms:
        lines.append(f"Rp u 0 {stage.pulldown_ohms}")
    if stage.bias_ohms:
        lines.append(f"Rbias b vcc {stage.bias_ohms}")
    lines += [
        f"Rc vcc col {stage.collector_ohms}",
        "Q1 col b 0 small",
        f".model small NPN(IS=6.734f BF={device.forward_gain:.6g} BR=0.7371 VAF=74.03 "
        f"ISE={device.leak_amps:.6g} NE=1.259 RB=10 {SLOW_PARTS})",
        # ngspice's transistor knows no breakdown; a diode that does nothing else has it
        "Dz b 0 zener",
        f".model zener D(IS=1e-22 BV={device.breakdown_volts} IBV=1m)",
    ]
    return lines, "col", stage.low_volts, stage.high_volts, False


def _comparator(stage):
    half = 0.5 * stage.hysteresis_volts
    lines = [f"Vb vb 0 {stage.bias_volts}", f"Rb u vb {stage.bias_ohms}"]
    return lines, "u", stage.threshold_volts - half, stage.threshold_volts + half, False


def _inverter(stage):
    supply = stage.supply_volts
    lines = [
        f"Vcc vcc 0 {supply}",
        *_guards("u", "g", f"{port.CMOS_GUARD_OHMS}", "IS=1e-14"),
        f"Bf out1 0 V={supply / 2}*(1-tanh({2 * stage.gain / supply}*(V(g)-{supply / 2})))",
        f"Rf out1 u {stage.feedback_ohms}",
    ]
    # the gate that follows sees this one's output, which rests half way: high, as when the input has come up
    return lines, "out1", stage.low_volts, stage.high_volts, True


def _schmitt_gate(stage):
    lines = [f"Vcc vcc 0 {stage.supply_volts}", f"R1 vcc u {stage.upper_ohms}", f"R2 u 0 {stage.lower_ohms}"]
    if not stage.input_amps:
        return [*lines, *_guards("u", "g", f"{port.CMOS_GUARD_OHMS}", "IS=1e-14")], "g", *_levels(stage)
    # a current out of the input that stops a little above the threshold
    lines += [
        "D1 0 u clamp",
        ".model clamp D(IS=1e-14)",
        f"Bi 0 u I={stage.input_amps}/(1+exp(max(min((V(u)-{stage.high_volts + 0.3})/0.10346,50),-50)))",
    ]
    return lines, "u", *_levels(stage)


def _clamp(stage):
    lines = [
        f"Vcc vcc 0 {stage.supply_volts}",
        f"Vb vb 0 {stage.bias_volts}",
        f"Rb g vb {stage.bias_ohms}",
        *_guards("u", "g", stage.clamp_ohms, "IS=2.52n N=1.752 CJO=4p TT=6n"),
    ]
    return lines, "g", *_levels(stage)


def _tone_decoder(stage):
    """The loop as an analogue computer: integrator, multipliers, RC filters."""
    lines = [
        f"Ri u 0 {stage.input_ohms}",
        "Bx x 0 V=max(min(V(u)/0.2,1),-1)",
        f"Bf 0 ph I={stage.center_hz}+{stage.lock_hz}*max(min(V(lf),1),-1)",
        "Cp ph 0 1",
        ".ic V(ph)=0",
        "Bs s 0 V=tanh(60*sin(6.283185307*V(ph)))",
        "Bc cq 0 V=tanh(60*cos(6.283185307*V(ph)))",
        "Bl li 0 V=V(x)*V(cq)",
        "Rl li lf 1",
        f"Cl lf 0 {stage.loop_seconds}",
        "Bq qi 0 V=V(x)*V(s)",
        "Rq qi q 1",
        f"Cq q 0 {stage.lock_seconds}",
    ]
    lock = 2 * stage.least_volts / (np.pi * 0.2)  # below the limiter
    return lines, "q", 0.8 * lock, lock, False


NETLISTS = {
    cards.TransistorInput: _transistor,
    cards.ComparatorInput: _comparator,
    cards.InverterInput: _inverter,
    cards.SchmittInput: _schmitt_gate,
    cards.ClampInput: _clamp,
    cards.OneShotInput: _comparator,
    cards.ToneDecoderInput: _tone_decoder,
}


def _guards(outside, inside, ohms, model):
    return [
        f"Rg {outside} {inside} {ohms}",
        f"D1 0 {inside} dg",
        f"D2 {inside} vcc dg",
        f".model dg D({model})",
    ]


def _levels(stage):
    return stage.low_volts, stage.high_volts, False


def _schmitt(time, volts, low, high, rests_high):
    """Crossings of a Schmitt trigger; what it is at first where it rests between its thresholds is given."""
    is_high = is_first = bool(volts[0] >= low if rests_high else volts[0] > high)
    above, below = volts > high, volts < low
    found = []
    for k in np.flatnonzero(above | below):
        if below[k] if is_high else above[k]:
            level = low if is_high else high
            share = (level - volts[k - 1]) / (volts[k] - volts[k - 1])
            found.append(time[k - 1] + share * (time[k] - time[k - 1]))
            is_high = not is_high
    return np.array(found), is_first


def _pulses(triggers, seconds, until):
    """Retriggerable one-shot, in the plainest way."""
    found, end = [], None
    for trigger in triggers:
        if end is None or trigger > end:
            found += [] if end is None else [end]
            found.append(trigger)
        end = trigger + seconds
    if end is not None and end < until:
        found.append(end)
    return np.array(found)


def _read_raw(path):
    """Columns of ngspice's binary output: time, then each saved voltage."""
    head, body = path.read_bytes().split(b"Binary:\n", 1)
    count = int(next(line for line in head.splitlines() if line.startswith(b"No. Variables:")).split(b":")[1])
    values = np.frombuffer(body, "<f8").reshape(-1, count)
    return [values[:, column].copy() for column in range(count)]
