"""Fitted sound: it changes sign where the format's does, and the machine loads it at more levels."""

from __future__ import annotations

import numpy as np
import pytest

import tapewright as tw
from tapewright import line
from tapewright.cards import Alphabet, load_format, load_machine
from tapewright.chain.fit import fit_program
from tapewright.chain.write import synthesize
from tapewright.machine.fitted import PATHS, Fitting, Shape, fit, shaped
from tapewright.model import Image, TapePart, UsageError

PROGRAM = Image.from_bytes(bytes(np.random.default_rng(4).integers(0, 256, 120, dtype=np.uint8)), 0x300)
SHAPES = [
    Shape(),
    Shape(width=0.4),
    Shape(width=0.6, tilt=0.8),
    Shape(tilt=-0.5, depth=0.3),
    Shape(is_turned=True, depth=0.5),
]


def sound_of(text: str, name: str, shape: Shape | None, rate_hz: float = 96_000.0) -> np.ndarray:
    alphabet = Alphabet.of(load_format(name))
    parts = [TapePart("gap", seconds=0.02), TapePart("symbols", symbols=text), TapePart("gap", seconds=0.02)]
    waves = line.wave_of(parts, alphabet)
    return np.concatenate(list(line.render(waves if shape is None else shaped(waves, shape), rate_hz)))


def rises(sound: np.ndarray) -> np.ndarray:
    """Where it goes up through half its height, in samples."""
    above = sound > 0.3 * sound.max()
    return np.flatnonzero(above[1:] & ~above[:-1])


@pytest.mark.parametrize("name", ["mallow-fsk-600", "heron-cycle-1600", "kcs-1200"])
@pytest.mark.parametrize("shape", [shape for shape in SHAPES if not shape.is_turned and shape.tilt <= 0])
def test_positive_half_waves_begin_where_the_formats_do(name, shape):
    text = "".join(np.random.default_rng(1).choice(["0", "1"], 60))
    plain, drawn = rises(sound_of(text, name, Shape())), rises(sound_of(text, name, shape))
    assert len(plain) == len(drawn) > 50
    assert np.abs(plain - drawn).max() <= 1


@pytest.mark.parametrize("shape", SHAPES)
def test_the_sound_is_as_long_as_the_formats_and_within_full_scale(shape):
    text = "1" * 30 + "0110100110010110" * 4
    plain, drawn = sound_of(text, "mallow-fsk-600", None), sound_of(text, "mallow-fsk-600", shape)
    assert abs(len(plain) - len(drawn)) <= 1
    assert np.abs(drawn).max() < 1.25  # square edges overshoot by a fifth when they are band-limited


def test_turned_is_upside_down():
    text = "1" * 30 + "0110"
    one, other = (sound_of(text, "mallow-fsk-600", Shape(tilt=0.5, is_turned=turn)) for turn in (False, True))
    assert np.allclose(one, -other, atol=1e-6)


def test_longer_positive_half_waves_are_longer_by_what_was_asked():
    text = "1" * 200
    plain, drawn = (
        sound_of(text, "mallow-fsk-600", shape, 960_000.0) for shape in (Shape(), Shape(later_seconds=40e-6))
    )
    share = [float(np.mean(sound[30_000:-30_000] > 0)) for sound in (plain, drawn)]
    assert share[1] - share[0] == pytest.approx(40e-6 * 2400, abs=0.004)


@pytest.fixture(scope="module")
def fitting() -> Fitting:
    machine = load_machine("fescue-trainer")
    return fit_program(PROGRAM, load_format(machine.format), machine, "tape")


@pytest.fixture(scope="module")
def fitted_sound() -> tw.Recording:
    return synthesize(PROGRAM, machine="fescue-trainer", fit="tape", rate_hz=48_000)


def test_a_machine_with_hardly_a_window_gets_a_wide_one(fitting):
    assert fitting.before_db < 1.0
    assert fitting.after_db > 3.0
    assert fitting.island is not None
    assert not fitting.is_too_loud


def test_the_fitted_sound_loads_in_the_window_that_was_promised(fitting, fitted_sound):
    from tapewright.chain.window import window

    island = fitting.island
    middle = 0.5 * (island.low_db + island.high_db)
    for corner_hz in (10_000.0, 6_000.0, 4_000.0):  # the recorders it was fitted to
        found = window(fitted_sound, "fescue-trainer", level_db=middle, corner_hz=corner_hz)
        assert found.loads, found.sentence


def test_the_receiver_reads_fitted_sound_as_well(fitted_sound):
    reading = tw.read(fitted_sound, format="mallow-fsk-600")
    assert reading.verified
    assert reading.image == PROGRAM


def test_fitting_needs_a_machine_and_a_known_path():
    with pytest.raises(UsageError, match="machine"):
        synthesize(PROGRAM, format="kcs-300", fit="direct")
    with pytest.raises(UsageError, match=" or ".join(PATHS)):
        fit(lambda shape: [], None, "by pigeon")  # type: ignore[arg-type]
