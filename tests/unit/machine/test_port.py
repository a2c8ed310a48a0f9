"""Static curves and thresholds of the input stages, against textbook figures."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import optimize

from input_stages import STAGES, TRANSISTOR
from tapewright.cards.machine_input import ClampInput, InverterInput, SchmittInput, TransistorInput
from tapewright.machine import devices, port
from tapewright.machine.port import port_of
from tapewright.model import CardError, UsageError

#: Ebers and Moll's equations alone, as the figures of standards.md 7.2 were computed.
PLAIN = {"early_volts": math.inf, "leak_amps": 0.0, "base_ohms": 0.0}


@pytest.mark.parametrize("amps, volts", [(1e-5, 0.5462), (1e-4, 0.6058), (1e-3, 0.6653), (1e-2, 0.7249)])
def test_base_voltage_at_a_collector_current(amps, volts):
    # standards.md 7.2, computed: IS 6.734 fA, 27 C
    device = devices.Transistor(**PLAIN)
    found = optimize.brentq(lambda base: float(device.collector_amps(base, base + 2.0)) - amps, 0.3, 0.9)
    assert found == pytest.approx(volts, abs=1e-4)


@pytest.mark.parametrize("ratio, volts", [(10, 0.07222), (20, 0.08880)])
def test_saturation_voltage(ratio, volts):
    # standards.md 7.2, computed: VT ln[(1 + (1 + k) / BR) / (1 - k / BF)]
    device = devices.Transistor(**PLAIN)

    def excess(collector):
        return float(device.collector_amps(0.75, collector) - ratio * device.base_amps(0.75, collector))

    assert optimize.brentq(excess, 0.01, 0.5) == pytest.approx(volts, abs=1e-5)


@pytest.mark.parametrize("gain, volts", [(40, 0.8499), (100, 0.7350), (300, 0.6840)])
def test_input_a_transistor_stage_needs(monkeypatch, gain, volts):
    # standards.md 7.2, computed: 5 V, 4.7k at the collector, 10k at the base, output at 1.4 V
    monkeypatch.setattr(
        port, "transistor_of_gain", lambda gain: devices.Transistor(**PLAIN, forward_gain=gain)
    )
    stage = TransistorInput(
        kind="transistor", base_ohms="10k", collector_ohms="4.7k", gain=gain, low_volts=1.4, high_volts=1.4
    )
    assert port_of(stage, 0.0).rise_volts == pytest.approx(volts, abs=1e-4)


@pytest.mark.parametrize("gain", [5, 100, 800])
def test_card_gain_is_that_at_a_milliampere_and_less_below(gain):
    device = devices.transistor_of_gain(gain)

    def gain_at(amps):
        base = optimize.brentq(lambda base: float(device.collector_amps(base, base)) - amps, 0.3, 0.9)
        return amps / float(device.base_amps(base, base))

    assert gain_at(1e-3) == pytest.approx(gain, rel=1e-4)
    # data sheet, smallest values at 0.1 and 1 mA: 40 and 70 (another: 60 and 80), standards.md 7.2
    assert 40 / 70 < gain_at(1e-4) / gain < 60 / 80


@pytest.mark.parametrize("name", STAGES)
def test_curves_rise(name):
    found = port_of(STAGES[name], 100.0)
    assert (np.diff(found.volts) > 0).all()
    assert (np.diff(found.amps) >= 0).all()
    assert found.rise_volts >= found.fall_volts
    assert found.volts[0] < found.fall_volts <= found.rise_volts < found.volts[-1] or found.tone is not None


@pytest.mark.parametrize(
    "name, volts",
    [
        ("transistor", 0.0),
        ("comparator", 2.5),
        ("inverter", 2.5),  # half the supply, where output and input agree
        ("schmitt, CMOS", 2.5),  # two equal resistors
        # Thevenin: 5 V over 4.7k and 2.2k is 1.5942 V behind 1.4986k, up which 0.16 mA flows: 0.2398 V; less
        # what the input no longer gives that high
        ("schmitt, TTL", 1.79),
        ("clamp", 2.5),
    ],
)
def test_resting_voltage(name, volts):
    assert port_of(STAGES[name], 100.0).rest_volts == pytest.approx(volts, abs=0.015)


def test_resting_base_of_a_biased_stage_conducts():
    # a bias resistor alone: its current, some (5 V - 0.6 V) / 470k = 9.4 uA, all goes into the base
    assert 0.6 < port_of(STAGES["transistor with bias"], 100.0).rest_volts < 0.7


def test_without_capacitor_rest_is_where_the_source_holds_it():
    # 5 V through 10k into a source of 10k: half of it
    stage = SchmittInput(kind="schmitt", upper_ohms="10k", lower_ohms="1G", low_volts=1.4, high_volts=3.6)
    assert port_of(stage, 10e3).rest_volts == pytest.approx(2.5, abs=1e-4)


def test_base_breaks_down_in_reverse():
    # beyond 7 V (from memory; data sheets promise 6 V) the base's resistor takes what is left, and the
    # pull-down its share
    found = port_of(TRANSISTOR, 0.0)
    amps = np.interp([-6.5, -10.0, -12.0], found.volts, found.amps)
    assert amps[0] == pytest.approx(-6.5 / 10e3, rel=1e-3)
    assert amps[1] == pytest.approx(-10.0 / 10e3 - 3.0 / 10e3, rel=0.02)
    assert amps[2] - amps[1] == pytest.approx(-2 * 2.0 / 10e3, rel=0.02)


def test_clamped_node_stays_near_the_rails():
    stage = STAGES["clamp"]
    assert isinstance(stage, ClampInput)
    found = port_of(stage, 0.0)
    node = found.volts - stage.clamp_ohms * found.amps
    far = np.abs(found.volts) > 15
    assert node[far & (found.volts > 0)] == pytest.approx(5.65, abs=0.1)  # a silicon diode at milliamperes
    assert node[far & (found.volts < 0)] == pytest.approx(-0.65, abs=0.1)


def test_self_biased_inverter_multiplies_its_resistor():
    # Miller's theorem: in the middle a resistor from output to input counts as R / (1 + gain)
    stage = STAGES["inverter"]
    assert isinstance(stage, InverterInput)
    found = port_of(stage, 0.0)
    slope = np.interp(2.501, found.volts, found.amps) - np.interp(2.499, found.volts, found.amps)
    assert 0.002 / slope == pytest.approx(1e6 / 31, rel=1e-3)
    # and its thresholds are those of the gate that follows, divided by the gain: nearly, the curve bends
    assert found.rise_volts - found.fall_volts == pytest.approx(2.0 / 30, rel=0.1)


@pytest.mark.parametrize("name", STAGES)
def test_a_further_gate_turns_the_bit_round(name):
    stage = STAGES[name]
    turned = stage.model_copy(update={"is_inverted": True})
    assert port_of(turned, 0.0).is_inverting != port_of(stage, 0.0).is_inverting
    assert port_of(stage, 0.0).is_inverting == (stage.kind in ("transistor", "inverter"))


def test_parts_can_be_multiplied():
    stage = STAGES["comparator"]
    found = port_of(stage, 50.0, part_factors={"coupling_farads": 0.5, "hysteresis_volts": 2, "bias_ohms": 3})
    assert found.coupling_farads == pytest.approx(50e-9)
    assert (found.rise_volts, found.fall_volts) == pytest.approx((2.6, 2.4))
    assert np.diff(found.volts) / np.diff(found.amps) == pytest.approx(30e3)
    assert port_of(stage, 50.0).coupling_farads == pytest.approx(100e-9)


def test_thresholds_that_factors_have_put_past_each_other_are_one():
    stage = STAGES["schmitt, CMOS"]  # 1.4 and 3.6 V
    found = port_of(stage, 0.0, part_factors={"low_volts": 2.0, "high_volts": 0.5})
    assert found.rise_volts == found.fall_volts == pytest.approx((2.8 + 1.8) / 2, abs=1e-3)


def test_more_gain_needs_less_input():
    needs = [port_of(TRANSISTOR, 0.0, part_factors={"gain": factor}).rise_volts for factor in (0.5, 1, 2)]
    assert needs[0] > needs[1] > needs[2] > 0.6


def test_pulldown_in_the_lead_can_be_missing():
    def ohms_at_minus_1(found):
        return -1.0 / np.interp(-1.0, found.volts, found.amps)

    assert ohms_at_minus_1(port_of(TRANSISTOR, 0.0)) == pytest.approx(10e3, rel=1e-3)
    assert ohms_at_minus_1(port_of(TRANSISTOR, 0.0, has_lead_parts=False)) > 1e9
    on_board = TRANSISTOR.model_copy(update={"is_pulldown_in_lead": False})
    assert ohms_at_minus_1(port_of(on_board, 0.0, has_lead_parts=False)) == pytest.approx(10e3, rel=1e-3)


@pytest.mark.parametrize("factors", [{"gains": 2.0}, {"kind": 2.0}, {"bias_ohms": 2.0}, {"is_inverted": 2.0}])
def test_unknown_parts_are_named(factors):
    with pytest.raises(UsageError, match=f"no value '{next(iter(factors))}'"):
        port_of(TRANSISTOR, 0.0, part_factors=factors)


@pytest.mark.parametrize("factor", [0.0, -1.0, math.nan, math.inf])
def test_factors_are_positive(factor):
    with pytest.raises(UsageError, match="positive number"):
        port_of(TRANSISTOR, 0.0, part_factors={"gain": factor})


def test_recorder_resistance_is_not_negative():
    with pytest.raises(UsageError, match="at least 0 ohms"):
        port_of(TRANSISTOR, -1.0)


@pytest.mark.parametrize("key, volts", [("low_volts", 0.01), ("high_volts", 5.0), ("low_volts", -1.0)])
def test_thresholds_the_collector_never_reaches(key, volts):
    with pytest.raises(CardError, match="never comes to") as caught:
        port_of(TRANSISTOR.model_copy(update={key: volts}), 0.0)
    assert caught.value.key == f"input.{key}"


def test_thresholds_the_inverter_never_reaches():
    with pytest.raises(CardError, match=r"never comes to 5\.5 V") as caught:
        port_of(STAGES["inverter"].model_copy(update={"high_volts": 5.5}), 0.0)
    assert caught.value.key == "input.high_volts"
