"""From volts at the socket to transitions: against RC formulas, and one way of running it against another."""

from __future__ import annotations

import math
from functools import cache
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from input_stages import STAGES, TRANSISTOR, sine, square_ish
from tapewright.cards.machine_input import ComparatorInput, OneShotInput, SchmittInput, ToneDecoderInput
from tapewright.machine.port import port_of
from tapewright.machine.simulate import RATE_HZ, Simulator, edges, edges_at
from tapewright.model import SignalError, UsageError


def _comparator(farads="100n", ohms="10k", threshold=0.0, hysteresis=0.0):
    return ComparatorInput(
        kind="comparator", coupling_farads=farads, bias_ohms=ohms, threshold_volts=threshold,
        hysteresis_volts=hysteresis,
    )  # fmt: skip


# --- RC, standards.md 7.3 (computed) ---


@pytest.mark.parametrize(
    "hertz, decibels, degrees",
    [(1200.0, -4.408, 52.98), (2400.0, -1.583, 33.55), (1591.549, -3.010, 45.0)],
)
def test_coupling_is_a_high_pass(hertz, decibels, degrees):
    # 10 nF into 10k
    emf = sine(hertz, 0.05)
    last = edges(emf, port_of(_comparator("10n"), 0.0)).seconds[-8:]
    # crossings lead those of the source, up to the 0.1 us that steps of 10 us and straight lines cost
    lead = (-last * 2 * hertz) % 1.0
    assert lead * 180 == pytest.approx(degrees, abs=0.09)
    # a threshold just below the peak is crossed, one just above is not
    peak = 10 ** (decibels / 20)
    below, above = (edges(emf, port_of(_comparator("10n", threshold=peak * k), 0.0)) for k in (0.993, 1.003))
    late = 0.01  # by then the capacitor has settled
    assert (below.seconds > late).sum() == pytest.approx(2 * hertz * 0.04, abs=2)
    assert (above.seconds > late).sum() == 0


def test_one_rc_shifts_two_tones_by_different_times():
    # standards.md 7.3: 122.6 and 38.8 us lead at 1200 and 2400 Hz
    leads = []
    for hertz in (1200.0, 2400.0):
        last = edges(sine(hertz, 0.05), port_of(_comparator("10n"), 0.0)).seconds[-1]
        leads.append(((-last * 2 * hertz) % 1.0) / (2 * hertz))
    assert leads == pytest.approx([122.6e-6, 38.8e-6], abs=0.1e-6)


@pytest.mark.parametrize("sag, seconds", [(0.1881, 208.333e-6), (0.3408, 416.667e-6)])
def test_square_wave_sags(sag, seconds):
    # standards.md 7.3: RC = 1 ms; a step between two samples stands for one half-way
    emf = np.zeros(400, np.float32)
    emf[100:] = 1.0
    found = edges(emf, port_of(_comparator(threshold=1.0 - sag), 0.0))
    assert found.first == 0
    up, down = found.seconds
    assert up == pytest.approx(99.5 / RATE_HZ, abs=0.5 / RATE_HZ)
    assert down - 99.5 / RATE_HZ == pytest.approx(seconds, abs=0.3e-6)


def test_source_resistance_divides():
    # 10k behind 10k: half, so a threshold of 0.499 V is crossed at 1 V and one of 0.501 V is not
    emf = sine(2000.0, 0.01)
    counts = [len(edges(emf, port_of(_comparator(None, threshold=v), 10e3))) for v in (0.499, 0.501)]
    assert counts == [40, 0]


@pytest.mark.parametrize(
    "low, high, least",
    # standards.md 7.1, typical: part A and part B of the 40106 (read: data sheets)
    [(1.4, 3.6, 1.1), (2.2, 3.0, 0.4)],
)
def test_smallest_sine_that_toggles_a_schmitt_gate(low, high, least):
    # half its hysteresis, with ideal bias in the middle of its thresholds
    middle = 0.5 * (low + high)
    stage = SchmittInput(
        kind="schmitt", coupling_farads="1u", upper_ohms=1e6 * (5 - middle) / middle, lower_ohms=1e6,
        low_volts=low, high_volts=high,
    )  # fmt: skip
    none, all_of_them = edges_at(sine(1000.0, 0.05), port_of(stage, 0.0), [0.99 * least, 1.02 * least])
    assert len(none) == 0
    assert len(all_of_them) == pytest.approx(100, abs=1)


# --- what it does with what it is fed ---


def test_silence_leaves_every_stage_alone():
    for name, stage in STAGES.items():
        found = edges(np.zeros(1000, np.float32), port_of(stage, 100.0))
        assert len(found) == 0, name
        # below, unless the stage inverts; and TTL's current holds its divider above the threshold
        assert found.first == (stage.kind in {"transistor", "inverter"} or name == "schmitt, TTL"), name


def test_first_and_last_bit():
    found = edges(sine(1000.0, 0.0052), port_of(_comparator(None), 0.0))
    assert (found.first, len(found), found.last) == (0, 11, 1)
    assert found.seconds[1:] == pytest.approx(np.arange(1, 11) / 2000, abs=1e-8)
    turned = edges(
        sine(1000.0, 0.0052), port_of(_comparator(None).model_copy(update={"is_inverted": True}), 0.0)
    )
    assert (turned.first, turned.last) == (1, 0)
    assert turned.seconds.tolist() == found.seconds.tolist()


def test_a_missing_pulldown_charges_the_capacitor():
    # Each peak charges it through the base and nothing drains it: transitions stop. Only when the base breaks
    # down in reverse, from some 8 V peak to peak on, do they go on (design.md 3).
    emf = sine(1200.0, 0.5)
    late = 0.4
    whole = edges_at(emf, port_of(TRANSISTOR, 100.0), [3.0, 6.0])
    broken = edges_at(emf, port_of(TRANSISTOR, 100.0, has_lead_parts=False), [3.0, 6.0])
    counts = [int((found.seconds > late).sum()) for found in (*whole, *broken)]
    assert counts == pytest.approx([240, 240, 0, 240], abs=2)


def test_transistor_stage_reads_half_waves_unevenly():
    # from its threshold of some 0.7 V up a sine of 1 V is high for far less than half the time
    found = edges(sine(1200.0, 0.05), port_of(TRANSISTOR, 100.0))
    assert found.first == 1
    low = (found.seconds[1::2] - found.seconds[0::2][: len(found.seconds[1::2])])[5:]
    assert low.max() < 0.4 / 1200


def test_a_small_capacitor_behind_diodes_does_not_ring():
    # 10 nF, 108 ohms: a microsecond, a tenth of a step. The trapezoidal rule makes three transitions of each.
    stage = STAGES["clamp"].model_copy(update={"coupling_farads": 10e-9, "clamp_ohms": 100.0})
    port = port_of(stage, 8.0)
    emf = np.sign(sine(1237.0, 0.02))
    counts = [len(found) for found in edges_at(emf, port, [4.0, 12.0, 30.0])]
    assert counts == pytest.approx([2 * 1237 * 0.02] * 3, abs=1)


def test_lead_the_wrong_way_round_is_a_negative_gain():
    emf = square_ish(0.03)
    port = port_of(TRANSISTOR, 100.0)
    assert edges_at(emf, port, [-2.0])[0].seconds.tolist() == edges(-2.0 * emf, port).seconds.tolist()
    assert edges(-2.0 * emf, port).seconds.tolist() != edges(2.0 * emf, port).seconds.tolist()


# --- one-shot and tone decoder ---


def _one_shot(pulse_seconds):
    return port_of(
        OneShotInput(kind="one-shot", bias_ohms="10k", hysteresis_volts=0.0, pulse_seconds=pulse_seconds), 0.0
    )


def test_each_crossing_makes_a_pulse():
    found = edges(sine(1000.0, 0.0104), _one_shot(300e-6))
    assert found.first == 0
    assert found.seconds[2::2] == pytest.approx(np.arange(1, 21) / 2000, abs=1e-8)  # both ways
    assert np.diff(found.seconds)[0::2] == pytest.approx(300e-6)
    assert found.seconds[-1] == pytest.approx(0.0103, abs=1e-8)


def test_a_pulse_that_is_begun_anew_does_not_end():
    simulator = Simulator(_one_shot(600e-6))
    found = simulator.feed(sine(1000.0, 0.0102))[0]
    assert (len(found), found.first, found.last) == (1, 0, 1)
    rest = simulator.finish()[0]
    assert rest.seconds == pytest.approx([0.0106], abs=1e-8)
    assert (rest.first, rest.last) == (1, 0)


def _tone_stage(**changes):
    stage = STAGES["tone-decoder"]
    assert isinstance(stage, ToneDecoderInput)
    return stage.model_copy(update=changes)


def test_tone_decoder_hears_its_tone_and_no_other():
    port = port_of(_tone_stage(lock_seconds=0.02), 0.0)
    for hertz, is_heard in [(2400.0, True), (2500.0, True), (2300.0, True), (1200.0, False), (3100.0, False)]:
        found = edges(sine(hertz, 0.5), port)
        assert found.first == 0
        assert found.last == is_heard, hertz


def test_tone_decoder_lets_go_when_the_tone_ends():
    emf = np.concatenate((sine(2400.0, 0.2), np.zeros(round(0.2 * RATE_HZ), np.float32)))
    found = edges(emf, port_of(_tone_stage(), 0.0))
    assert len(found) == 2
    up, down = found.seconds
    # the lock detector's time constant: the strong tone fills it fast, and it empties from there
    assert 0.0 < up < 5e-3
    full = (
        4 / math.pi / 2
    )  # a limited tone is nearly square: what a square wave makes of its fundamental, at most 1
    level = 0.8 * 2 * 0.02 / (math.pi * 0.2)
    assert 5e-3 * math.log(full / level) < down - 0.2 < 5e-3 * math.log(1.0 / level) + 1e-3


@pytest.mark.parametrize("share, is_heard", [(0.9, False), (1.1, True)])
def test_tone_decoder_needs_its_least_volts(share, is_heard):
    port = port_of(_tone_stage(least_volts=0.05, lock_seconds=0.05, coupling_farads=None), 0.0)
    assert edges(sine(2400.0, 1.0, share * 0.05), port).last == is_heard


def test_tone_decoder_holds_a_tone_that_moves_to_the_end_of_its_range():
    # swept slowly from the centre upwards; the hold range is `lock_hz` for a strong square wave
    port = port_of(_tone_stage(coupling_farads=None), 0.0)
    seconds = np.arange(round(2.0 * RATE_HZ)) / RATE_HZ
    turns = 2400.0 * seconds + 0.5 * 300.0 * seconds**2  # 300 Hz a second
    found = edges(np.sign(np.sin(2 * np.pi * turns)).astype(np.float32), port)
    assert found.seconds[1] == pytest.approx(1.0, abs=0.06)


# --- ways of running it ---


_NOISE = np.random.default_rng(20_260)
_RESTLESS = (square_ish(0.02) + 0.3 * _NOISE.standard_normal(1920)).astype(np.float32)


@cache
def _port(name):
    return port_of(STAGES[name], 100.0)


@pytest.mark.parametrize("name", STAGES)
@given(cuts=st.lists(st.integers(0, len(_RESTLESS)), max_size=8))
def test_pieces_of_any_size_give_the_same(name, cuts):
    port = _port(name)
    gains = [0.3, 2.0]
    whole = edges_at(_RESTLESS, port, gains)
    simulator = Simulator(port, gains)
    parts = [simulator.feed(piece) for piece in np.split(_RESTLESS, sorted(cuts))] + [simulator.finish()]
    for lane in range(2):
        pieces = [part[lane] for part in parts]
        assert np.concatenate([piece.seconds for piece in pieces]).tolist() == whole[lane].seconds.tolist()
        assert pieces[0].first == whole[lane].first
        for before, after in pairwise(pieces):
            assert before.last == after.first
    simulator.reset()
    again = simulator.feed(_RESTLESS)
    assert again[1].seconds[:5].tolist() == whole[1].seconds[:5].tolist()


@pytest.mark.parametrize("name", STAGES)
def test_lanes_are_single_runs(name):
    port = port_of(STAGES[name], 100.0)
    gains = [0.05, 0.3, -1.0, 2.0, 20.0, 200.0]
    together = edges_at(_RESTLESS, port, gains)
    for gain, found in zip(gains, together, strict=True):
        alone = edges_at(_RESTLESS, port, [gain])[0]
        assert (alone.first, len(alone)) == (found.first, len(found))
        assert alone.seconds == pytest.approx(found.seconds, abs=1e-12)
        assert (np.diff(found.seconds) > 0).all()
    assert any(len(found) for found in together)


def test_more_than_a_block_at_once():
    port = port_of(STAGES["comparator"], 100.0)
    found = edges(sine(1000.0, 2.0), port)
    assert len(found) == pytest.approx(4000, abs=1)
    assert np.diff(found.seconds[50:]) == pytest.approx(0.5e-3, abs=1e-7)


def test_a_voltage_that_is_not_finite():
    emf = np.zeros(1000, np.float32)
    emf[960] = np.nan
    with pytest.raises(SignalError, match=r"not finite 0\.0100 s"):
        edges(emf, port_of(TRANSISTOR, 100.0))


@pytest.mark.parametrize("gains", [[], [1.0, math.inf], [[1.0]]])
def test_levels_are_numbers(gains):
    with pytest.raises(UsageError, match="at least one playback level"):
        Simulator(port_of(TRANSISTOR, 100.0), gains)
