"""One input stage of every kind, with parts as such circuits have them, for tests of the machine's eye."""

from __future__ import annotations

import numpy as np

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
from tapewright.machine.simulate import RATE_HZ

TRANSISTOR = TransistorInput(
    kind="transistor", coupling_farads="100n", pulldown_ohms="10k", is_pulldown_in_lead=True,
    base_ohms="10k", collector_ohms="4.7k", gain=200, low_volts=0.8, high_volts=2.0,
)  # fmt: skip
STAGES: dict[str, InputStage] = {
    "transistor": TRANSISTOR,
    "transistor with bias": TransistorInput(
        kind="transistor", coupling_farads="47n", base_ohms="4.7k", bias_ohms="470k",
        collector_ohms="2.2k", gain=100, low_volts=1.4, high_volts=1.4,
    ),
    "transistor, no capacitor": TransistorInput(
        kind="transistor", base_ohms="10k", collector_ohms="4.7k", gain=100, low_volts=1.1, high_volts=1.3
    ),
    "comparator": ComparatorInput(
        kind="comparator", coupling_farads="100n", bias_ohms="10k", bias_volts=2.5, threshold_volts=2.5,
        hysteresis_volts=0.1,
    ),
    "inverter": InverterInput(
        kind="inverter", coupling_farads="10n", series_ohms="10k", feedback_ohms="1M", low_volts=1.5,
        high_volts=3.5,
    ),
    "schmitt, CMOS": SchmittInput(
        kind="schmitt", coupling_farads="100n", upper_ohms="22k", lower_ohms="22k", low_volts=1.4,
        high_volts=3.6,
    ),
    "schmitt, TTL": SchmittInput(
        kind="schmitt", coupling_farads="1u", upper_ohms="4.7k", lower_ohms="2.2k", low_volts=0.8,
        high_volts=1.6, input_amps=0.16e-3,
    ),
    "clamp": ClampInput(
        kind="clamp", coupling_farads="100n", clamp_ohms="4.7k", bias_ohms="47k", bias_volts=2.5,
        low_volts=2.2, high_volts=3.0,
    ),
    "one-shot": OneShotInput(
        kind="one-shot", coupling_farads="100n", bias_ohms="10k", hysteresis_volts=0.05,
        pulse_seconds=300e-6,
    ),
    "tone-decoder": ToneDecoderInput(
        kind="tone-decoder", coupling_farads="100n", input_ohms="20k", center_hz=2400.0, lock_hz=300.0,
        loop_seconds=1e-3, lock_seconds=5e-3,
    ),
}  # fmt: skip


def sine(hertz: float, seconds: float, peak_volts: float = 1.0) -> np.ndarray:
    """A sine at the simulator's rate, from a crossing upwards on."""
    turns = hertz * np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return (peak_volts * np.sin(2 * np.pi * turns)).astype(np.float32)


def square_ish(seconds: float) -> np.ndarray:
    """What a recorder makes of a frequency-shift square wave: rounded edges, 150 Hz of wobble, lopsided."""
    time = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    turns = 2 * np.pi * 1200 * time + 3 * np.sin(2 * np.pi * 150 * time)
    return (np.tanh(4 * np.sin(turns)) - 0.25 * np.sin(2 * turns)).astype(np.float32)
