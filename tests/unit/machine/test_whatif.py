"""What if parts differ: the window moves as circuit theory says, and a tolerance run repeats."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from small_machines import COMPARATOR, TRANSISTOR, machine, sound_of, with_sound
from tapewright.machine.eye import Eye
from tapewright.machine.played import Played
from tapewright.machine.whatif import TOLERANCES, changed, parts_of, tolerance
from tapewright.machine.window import islands_at, load_at
from tapewright.model import UsageError

SIX_DB = 20 * np.log10(2)
FINE_DB = np.arange(-32.0, -8.0, 0.3)
SINES = "kcs-1200"


@pytest.fixture(scope="module")
def part() -> Played:
    return sound_of(data_symbols=300)


def low_edge(part: Played, eye: Eye) -> float:
    return islands_at([part], eye.port, eye.reader, np.inf)[0].low_db


def test_twice_the_thresholds_are_six_decibels_exactly(part):
    eye = machine(COMPARATOR)
    doubled = changed(eye, {"hysteresis_volts": 2.0})
    before = load_at([part], eye.port, eye.reader, FINE_DB)
    after = load_at([part], doubled.port, doubled.reader, FINE_DB + SIX_DB)
    assert before.any()
    assert not before.all()
    assert np.array_equal(before, after)


# A divider: bias_ohms / (bias_ohms + series_ohms) of the voltage is left (textbook; 10 ohm of the recorder).
@pytest.mark.parametrize("factor", [0.5, 1.0, 3.0])
def test_resistors_in_series_divide(part, factor):
    plain = machine({**COMPARATOR, "series_ohms": "1"})
    divided = machine({**COMPARATOR, "series_ohms": "100k"})
    moved = low_edge(part, changed(divided, {"series_ohms": factor})) - low_edge(part, plain)
    assert moved == pytest.approx(20 * np.log10(1 + factor), abs=0.11)


def test_half_the_capacitor_lets_less_of_a_tone_through():
    # |H| = f / sqrt(f^2 + fc^2), fc = 1 / (2 pi R C): 1.6 kHz and 3.2 kHz (textbook: RC corner). The slow
    # tone, 1200 Hz, is the weaker one behind it.
    tones = sound_of(SINES, 200)
    eye = machine({**COMPARATOR, "coupling_farads": "1n"}, name=SINES)

    def left(farads: float) -> float:
        return 1200.0 / np.hypot(1200.0, 1 / (2 * np.pi * (100e3 + 10) * farads))

    moved = low_edge(tones, changed(eye, {"coupling_farads": 0.5})) - low_edge(tones, eye)
    assert moved == pytest.approx(20 * np.log10(left(1e-9) / left(0.5e-9)), abs=0.3)


def test_half_the_capacitor_with_twice_the_resistor_is_the_same(part):
    eye = machine({**COMPARATOR, "coupling_farads": "10n", "bias_ohms": "20k"})
    other = changed(eye, {"coupling_farads": 0.5, "bias_ohms": 2.0})
    assert low_edge(part, other) == pytest.approx(low_edge(part, eye), abs=0.11)


def test_more_gain_needs_less_level(part):
    eye = machine({**TRANSISTOR, "pulldown_ohms": "100k"})
    strong, weak = (low_edge(part, changed(eye, {"gain": factor})) for factor in (2.0, 0.5))
    assert strong < weak


def test_changes_add_up_and_the_machine_stays_as_it_was(part):
    eye = machine(COMPARATOR)
    before = dict(eye.part_factors)
    both = changed(changed(eye, {"hysteresis_volts": 2.0}), {"bias_ohms": 0.5})
    assert dict(both.part_factors) == {"hysteresis_volts": 2.0, "bias_ohms": 0.5}
    assert dict(eye.part_factors) == before


def test_parts_are_those_of_the_stage():
    assert parts_of(machine(COMPARATOR)) == {
        "coupling_farads": 1e-6, "bias_ohms": 100e3, "hysteresis_volts": 0.2,
    }  # fmt: skip


@pytest.mark.parametrize("factors", [{"valve_ohms": 2.0}, {"kind": 2.0}, {"is_inverted": 2.0}])
def test_an_unknown_part_is_refused_and_the_known_ones_are_named(factors):
    with pytest.raises(
        UsageError, match=r"has no part .* it has bias_ohms, coupling_farads, hysteresis_volts"
    ):
        changed(machine(COMPARATOR), factors)


@pytest.mark.parametrize("factor", [0.0, -1.0, float("nan"), float("inf")])
def test_a_part_is_multiplied_by_a_positive_number(factor):
    with pytest.raises(UsageError, match="'bias_ohms' cannot be"):
        changed(machine(COMPARATOR), {"bias_ohms": factor})


@pytest.fixture(scope="module")
def run(part):
    return tolerance([part], machine(COMPARATOR), np.inf, FINE_DB, machines=60, seed=5)


def test_the_window_of_most_machines_lies_inside_that_of_the_nominal_one(part, run):
    nominal = low_edge(part, machine(COMPARATOR))
    (island,) = run.islands
    # the worst threshold is 15 % high: 1.2 dB
    assert nominal < island.low_db < nominal + 20 * np.log10(TOLERANCES["volts"]) + 0.6
    assert run.share[run.levels_db >= island.low_db].min() >= 0.95
    assert run.share[run.levels_db < island.low_db].max() < 0.95


def test_share_is_that_of_machines(run):
    assert run.machines == 60
    assert np.allclose(60 * run.share, np.round(60 * run.share))
    assert run.share[[0, -1]].tolist() == [0, 1]
    assert (np.diff(run.share) >= 0).all()  # more level never hurts a comparator


def test_the_part_that_tells_most_is_named_first(run):
    first = run.parts[0]
    assert first.part == "hysteresis_volts"
    # from 1 / 1.15 to 1.15
    assert first.low_db == pytest.approx(40 * np.log10(TOLERANCES["volts"]), abs=0.2)
    assert [one.most_db for one in run.parts] == sorted((one.most_db for one in run.parts), reverse=True)


def test_the_same_seed_gives_the_same_run(part, run):
    again = tolerance([part], machine(COMPARATOR), np.inf, FINE_DB, machines=60, seed=5)
    other = tolerance([part], machine(COMPARATOR), np.inf, FINE_DB, machines=60, seed=6)
    assert np.array_equal(again.share, run.share)
    assert not np.array_equal(other.share, run.share)


def test_where_nothing_loads_there_is_no_window(part):
    silent = with_sound(part, 0 * part.sound)
    none = tolerance([silent], machine(COMPARATOR), np.inf, FINE_DB, machines=4)
    assert none.islands == []
    assert none.share.max() == 0


def test_machines_of_a_run_keep_the_other_settings(part):
    bare = replace(machine(TRANSISTOR), has_lead_parts=False)
    none = tolerance([part], bare, np.inf, np.arange(-20.0, 5.0, 1.0), machines=4)
    assert none.share.max() == 0


def test_far_from_the_edge_all_machines_are_like_the_nominal_one(part):
    # beyond what the spread of the parts can move the edge by, all machines are as the nominal one
    eye = machine({**COMPARATOR, "hysteresis_volts": 0.01, "threshold_volts": 0.0})
    levels = np.arange(-60.0, -20.0, 0.7)
    alone = load_at([part], eye.port, eye.reader, levels)
    run = tolerance([part], eye, np.inf, levels, machines=40)
    certain = np.abs(levels - levels[np.flatnonzero(alone)[0]]) > 20 * np.log10(TOLERANCES["volts"]) + 1.0
    assert np.array_equal(run.share[certain], alone[certain].astype(float))
