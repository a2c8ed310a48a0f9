"""The output stage against circuit theory: node voltages, stepped sines, the coupling capacitor."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pytest

from symbol_cards import symbol_alphabet
from tapewright import line
from tapewright.cards.machine import OutputStage
from tapewright.machine import coupled, port_levels
from tapewright.machine.output import node_volts
from tapewright.model import LEVEL, TapePart, Wave

TONES = symbol_alphabet("""
"0" = [{ tone = 1200, cycles = 4 }]
"1" = [{ tone = 2400, cycles = 8 }]
F = [{ tone = 1270, us = 3333.3333333333335 }]
H = [{ half_waves = [250, 500] }]
P = [{ levels = [[1.0, 150], [-1.0, 150], [0.0, 700]] }]
S = [{ silence = 1250 }]
""")
ONE_BIT = OutputStage(bit_ohms=["10k"])
TWO_BITS = OutputStage(bit_ohms=["10k", "20k"], load_ohms=1e12)


def joined(waves: Iterable[Wave]) -> Wave:
    arrays = zip(*((w.kind, w.seconds, w.hertz, w.level, w.phase) for w in waves), strict=True)
    return Wave(*map(np.concatenate, arrays))


def wave_of(text: str) -> Wave:
    return joined(line.wave_of([TapePart("symbols", symbols=text)], TONES))


def staircase_of(text: str, stage: OutputStage) -> Wave:
    return joined(port_levels(line.wave_of([TapePart("symbols", symbols=text)], TONES), stage))


def merged(wave: Wave) -> tuple[np.ndarray, np.ndarray]:
    """Levels and how long each is held, equal neighbours taken together."""
    assert np.all(wave.kind == LEVEL)
    first = np.flatnonzero(np.append(True, np.abs(np.diff(wave.level)) > 1e-9))
    return wave.level[first], np.add.reduceat(wave.seconds, first)


# Two-bit summing, 5 V, R1 = 10k, R0 = 20k: standards.md section 3 (computed there).
@pytest.mark.parametrize(
    "load_ohms, volts",
    [(1e12, [0, 1.6667, 3.3333, 5.0]), (1_000.0, [0, 0.2174, 0.4348, 0.6522])],
)
def test_node_voltages_of_two_bits(load_ohms, volts):
    stage = OutputStage(bit_ohms=["10k", "20k"], supply_volts=5.0, load_ohms=load_ohms)
    assert node_volts(stage) == pytest.approx(volts, abs=0.5001e-4)


def test_behind_a_capacitor_the_load_does_not_pull_the_resting_voltage_down():
    stage = OutputStage(bit_ohms=["10k", "20k"], load_ohms=1_000.0, coupling_farads="100n")
    assert node_volts(stage) == pytest.approx([0, 1.6667, 3.3333, 5.0], abs=0.5001e-4)


def test_one_bit_is_a_voltage_divider():
    # 5 V over 10k and 10k: 2.5 V
    assert node_volts(OutputStage(bit_ohms=["10k"], load_ohms=10_000.0)) == pytest.approx([0, 2.5])


def test_three_equal_bits_count_how_many_are_set():
    stage = OutputStage(bit_ohms=["10k", "10k", "10k"], supply_volts=3.0, load_ohms=1e12)
    assert node_volts(stage) == pytest.approx([0, 1, 1, 2, 1, 2, 2, 3])


def test_with_one_bit_a_tone_is_a_square_wave_that_changes_at_its_zeros():
    levels, seconds = merged(staircase_of("01", ONE_BIT))
    # 8 half-waves of 1/2400 s and 16 of 1/4800 s, upper half first (Kansas City tones)
    assert np.sign(levels).tolist() == [1, -1] * 12
    assert np.ptp(np.abs(levels)) < 1e-9
    assert seconds * 1e6 == pytest.approx([416.6667] * 8 + [208.3333] * 16, abs=1e-3)


def test_with_two_bits_a_tone_is_a_sine_in_steps():
    # Voltages -2.5, -0.8333, 0.8333 and 2.5 V about the middle. The sine of amplitude 2.5 V passes half-way
    # between two of them at 0 and +-1.6667 V: at asin(2/3) = 41.8103 degrees, 0.116140 of a turn.
    levels, seconds = merged(staircase_of("1", TWO_BITS))
    turn = [0.8333, 2.5, 0.8333, -0.8333, -2.5, -0.8333]
    assert levels == pytest.approx(turn * 8, abs=1e-4)
    corner = np.degrees(np.arcsin(2 / 3)) / 360
    assert corner == pytest.approx(0.116140, abs=1e-6)
    shares = [corner, 0.5 - 2 * corner, corner] * 2
    assert seconds == pytest.approx(np.tile(shares, 8) / 2400, rel=1e-6)


def test_the_staircase_is_the_nearest_level_everywhere():
    # Point by point against the definition, for a tone that begins and ends anywhere.
    wave = wave_of("FFFF0F1F")
    stairs = staircase_of("FFFF0F1F", TWO_BITS)
    ends = np.cumsum(stairs.seconds)
    begins = np.append(0, np.cumsum(wave.seconds))
    now = np.linspace(0, ends[-1], 20_011)[1:-1]
    segment = np.searchsorted(begins, now, side="right") - 1
    sine = 2.5 * np.sin(
        2 * np.pi * (wave.phase[segment] + wave.hertz[segment] * (now - begins[segment]))
    )  # fmt: skip
    held = stairs.level[np.searchsorted(ends, now, side="right")]
    steps = np.array([-2.5, -0.83333, 0.83333, 2.5])
    nearest = steps[np.abs(sine[:, None] - steps).argmin(axis=1)]
    undecided = np.min(np.abs(sine[:, None] - [-5 / 3, 0, 5 / 3]), axis=1) < 0.01
    assert np.mean(undecided) < 0.02
    assert held[~undecided] == pytest.approx(nearest[~undecided], abs=1e-4)


@pytest.mark.parametrize("stage", [ONE_BIT, TWO_BITS], ids=["one bit", "two bits"])
def test_steps_take_as_long_as_what_they_stand_for(stage):
    # Whole symbols begin and end where the ideal waveform's do, so nothing drifts however long the tape.
    for symbol in "01FHPS":
        ideal, stairs = wave_of("F" + symbol), staircase_of("F" + symbol, stage)
        assert stairs.seconds.min() > 0
        assert stairs.seconds.sum() == pytest.approx(ideal.seconds.sum(), rel=1e-12)
    text = "01FHPSSFF10" * 200
    ideal, stairs = wave_of(text), staircase_of(text, stage)
    ideal_ends, ends = np.cumsum(ideal.seconds), np.cumsum(stairs.seconds)
    assert ends[-1] == pytest.approx(ideal_ends[-1], rel=1e-12)
    nearest = ends[np.clip(np.searchsorted(ends, ideal_ends - 1e-7), 0, len(ends) - 1)]
    assert np.abs(nearest - ideal_ends).max() < 1e-9


def test_half_waves_and_levels_become_the_outer_and_nearest_voltages():
    levels, seconds = merged(staircase_of("H", TWO_BITS))
    assert levels == pytest.approx([2.5, -2.5])
    assert seconds * 1e6 == pytest.approx([250, 500])
    levels, seconds = merged(staircase_of("P", TWO_BITS))
    assert levels[:2] == pytest.approx([2.5, -2.5])
    assert abs(levels[2]) == pytest.approx(0.8333, abs=1e-4)  # two bits have no middle
    assert seconds * 1e6 == pytest.approx([150, 150, 700])


@pytest.mark.parametrize("rest, volts", [(0, -2.5), (1, -0.8333), (2, 0.8333), (3, 2.5)])
def test_silence_is_the_resting_pattern(rest, volts):
    stage = OutputStage(bit_ohms=["10k", "20k"], load_ohms=1e12, rest=rest)
    levels, seconds = merged(staircase_of("S", stage))
    assert levels == pytest.approx([volts], abs=1e-4)
    assert seconds == pytest.approx([1250e-6])


def filtered(sound: np.ndarray, stage: OutputStage, rate_hz: float, chunk: int | None = None) -> np.ndarray:
    """Pass through the capacitor, its voltage divider taken out again."""
    source = 1 / sum(1 / ohms for ohms in stage.bit_ohms)
    pieces = np.array_split(sound, max(1, len(sound) // chunk)) if chunk else [sound]
    out = np.concatenate(list(coupled((piece.astype(np.float32) for piece in pieces), stage, rate_hz)))
    return out.astype(np.float64) * (source + stage.load_ohms) / stage.load_ohms / stage.gain


#: 5k and 5k in series with 100 nF: RC = 1 ms, as in standards.md section 7.3.
ONE_MILLISECOND = OutputStage(bit_ohms=["5k"], load_ohms=5_000.0, coupling_farads="100n")


@pytest.mark.parametrize("flat_us, sag_percent", [(208.3333, 18.81), (416.6667, 34.08)])
@pytest.mark.parametrize("rate_hz", [48_000, 192_000])
def test_square_waves_sag_in_the_capacitor(flat_us, sag_percent, rate_hz):
    # Section 7.3 (computed): 1 - e^(-T/RC). Every flat of a square wave sags by that share of where it began.
    samples = round(flat_us * 1e-6 * rate_hz)
    sound = np.tile(np.repeat([1.0, -1.0], samples), 40)
    out = filtered(sound, ONE_MILLISECOND, rate_hz).reshape(-1, samples)
    out = out[1:]  # on the very first flat the capacitor is charged
    # a flat spans one sample less than its length: carry the exponential on over the last step
    ratio = (out[:, -1] / out[:, 0]) ** (samples / (samples - 1))
    assert 100 * (1 - ratio) == pytest.approx(sag_percent, abs=0.02)


# A 10k, 10 nF high-pass of 1591.549 Hz: section 7.3 (computed), frequency over corner and decibels.
RC_TABLE = [(0.1, -20.043), (0.5, -6.990), (1, -3.010), (2, -0.969), (10, -0.043)]
CORNER_HZ = 1591.549


def response(hertz: float) -> complex:
    """Gain and phase for a steady sine, by a fit over the second half of it."""
    rate_hz = 192_000
    stage = OutputStage(bit_ohms=["6k", "12k"], load_ohms=6_000.0, coupling_farads="10n")
    assert pytest.approx(10_000) == 1 / (1 / 6_000 + 1 / 12_000) + 6_000
    now = np.arange(int(0.2 * rate_hz)) / rate_hz
    out = filtered(np.sin(2 * np.pi * hertz * now), stage, rate_hz)
    late = now > 0.1
    basis = np.stack((np.sin(2 * np.pi * hertz * now), np.cos(2 * np.pi * hertz * now)), 1)[late]
    (in_phase, leading), *_ = np.linalg.lstsq(basis, out[late], rcond=None)
    return complex(in_phase, leading)


@pytest.mark.parametrize("ratio, gain_db", RC_TABLE)
def test_the_capacitor_is_a_first_order_high_pass(ratio, gain_db):
    assert 20 * np.log10(abs(response(ratio * CORNER_HZ))) == pytest.approx(gain_db, abs=0.01)


@pytest.mark.parametrize("hertz, gain_db, lead_degrees", [(1200, -4.408, 52.98), (2400, -1.583, 33.55)])
def test_the_capacitor_shifts_the_two_tones_differently(hertz, gain_db, lead_degrees):
    found = response(hertz)
    assert 20 * np.log10(abs(found)) == pytest.approx(gain_db, abs=0.01)
    assert np.degrees(np.angle(found)) == pytest.approx(lead_degrees, abs=0.05)


def test_the_resting_voltage_is_long_gone_when_the_sound_begins():
    # The capacitor has been charged since the machine was switched on: no thump at the start.
    out = filtered(np.full(4_800, 2.5), ONE_MILLISECOND, 48_000)
    assert np.abs(out).max() < 1e-6


def test_without_a_capacitor_only_the_attenuator_is_left():
    stage = OutputStage(bit_ohms=["10k"], load_ohms=10_000.0, gain=0.05)
    sound = np.linspace(-1, 1, 1000, dtype=np.float32)
    (out,) = coupled([sound], stage, 48_000)
    assert out == pytest.approx(0.05 * sound, abs=1e-7)


@pytest.mark.parametrize("chunk", [1, 7, 1000])
def test_pieces_are_filtered_like_the_whole(chunk):
    sound = np.random.default_rng(1).standard_normal(3_000)
    pieces = filtered(sound, ONE_MILLISECOND, 48_000, chunk)
    assert pieces == pytest.approx(filtered(sound, ONE_MILLISECOND, 48_000), abs=1e-6)
