"""Why it does not load: faults made on purpose, each with the level, tone or repair that takes it away."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest

from small_machines import (
    COMPARATOR,
    CYCLES,
    LOPSIDED,
    TRANSISTOR,
    UPPER_HALVES,
    machine,
    scaled,
    sound_of,
    times,
    with_hum,
    with_sound,
    with_treble_lift,
    with_treble_loss,
)
from tapewright.machine.eye import Eye
from tapewright.machine.played import Played, dulled
from tapewright.machine.reasons import Reason, Setting, why
from tapewright.machine.remedies import heard_with
from tapewright.machine.simulate import RATE_HZ, edges

STEPS = "sorrel-step-1200"
#: The first datum of `sound_of`.
DATA_SECONDS = 0.5
#: A loop with little room: a fast cycle lasts 417 us, and 393 us when the tape is 6 % fast.
TIGHT = {**CYCLES, "limits": ["400u", "600u", "1200u"]}


@dataclass(frozen=True)
class Fault:
    """A sound and a machine that does not load it, and both without the fault.

    Parameters
    ----------
    kind : str
        What has to be found.
    seconds : tuple of float
        Between which the first wrong symbol is.
    cured : tuple of Played, Eye, Setting
    """

    kind: str
    part: Played
    eye: Eye
    setting: Setting
    seconds: tuple[float, float]
    cured: tuple[Played, Eye, Setting]


def loads(part: Played, eye: Eye, setting: Setting) -> bool:
    volts = np.float32(setting.volts) * dulled(part.sound, setting.corner_hz)
    return eye.reader.first_wrong(edges(volts, eye.port), part.symbol) is None


def fading(part: Played, at_seconds: float, factor: float) -> Played:
    """As an automatic level control turns the volume down, within a tenth of a second."""
    since = np.maximum(times(part) - at_seconds, 0.0)
    return with_sound(part, part.sound * (factor + (1 - factor) * np.exp(-since / 0.03)))


def fluttering(part: Played, depth: float, hertz: float) -> Played:
    """Play it at a speed that swings."""
    passed = np.concatenate(([0.0], np.cumsum(1 + depth * np.sin(2 * np.pi * hertz * times(part)))[:-1]))
    count = int(np.searchsorted(passed, len(part.sound) - 1))
    sound = np.interp(passed[:count], np.arange(len(part.sound)), part.sound)

    def then(seconds: np.ndarray) -> np.ndarray:
        return np.interp(seconds * RATE_HZ, passed, np.arange(len(passed))) / RATE_HZ

    start, end = then(part.start_seconds), then(part.end_seconds)
    speed = (part.end_seconds - part.start_seconds) / (end - start)
    return Played(sound.astype(np.float32), 0.0, part.symbol, start, end, speed)


def faults() -> dict[str, Fault]:
    plain, steps = sound_of(), sound_of(STEPS)
    wide, one = machine(COMPARATOR), machine(TRANSISTOR)
    tight, stepped = machine(COMPARATOR, TIGHT), machine(TRANSISTOR, name=STEPS)
    lifted = with_treble_lift(steps, 1500)
    lopsided, halves = sound_of(LOPSIDED, 300, leader="0"), machine(COMPARATOR, UPPER_HALVES, LOPSIDED)
    at_data = (DATA_SECONDS - 0.01, DATA_SECONDS + 0.01)
    ten = Setting(-10.0)
    return {
        "too quiet": Fault("too quiet", plain, wide, Setting(-30), at_data, (plain, wide, ten)),
        "hardly too quiet": Fault("too quiet", plain, wide, Setting(-21), at_data, (plain, wide, ten)),
        "transistor too quiet": Fault(
            "too quiet", plain, one, Setting(-20), at_data, (plain, one, Setting(3))
        ),
        # steps, slightly dulled: a window from -6.9 to -4.5 dB
        "too loud": Fault(
            "too loud", lifted, stepped, Setting(-4, 6000), at_data, (lifted, stepped, Setting(-5.5, 6000))
        ),
        "too bright": Fault(
            "too bright", lifted, stepped, Setting(-2), at_data, (lifted, stepped, Setting(-2, 3000))
        ),
        "too bright and too quiet": Fault(
            "too bright and too quiet", lifted, stepped, Setting(-9.5), at_data,
            (lifted, stepped, Setting(-6, 6000)),
        ),
        "tone too dull": Fault(
            "too dull", plain, wide, Setting(-14, 500), at_data, (plain, wide, Setting(-14))
        ),
        "recorded too dull": Fault(
            "too dull", with_treble_loss(plain, 300), tight, Setting(0), at_data, (plain, tight, Setting(0))
        ),
        "upside down": Fault(
            "upside down", with_sound(lopsided, -lopsided.sound), halves, ten, at_data,
            (lopsided, halves, ten),
        ),
        "hum": Fault("hum", with_hum(plain, 0.5), wide, Setting(-16), at_data, (plain, wide, Setting(-16))),
        "hum at a hair": Fault(
            "hum", with_hum(plain, 0.5, 60), wide, Setting(-14.2), (0.5, 1.3), (plain, wide, Setting(-14.2))
        ),
        "too fast": Fault("too fast", sound_of(speed=1.06), tight, ten, (0.46, 0.49), (plain, tight, ten)),
        "flutter": Fault(
            "flutter", fluttering(plain, 0.06, 3), tight, ten, (0.5, 1.3), (plain, tight, ten)
        ),
        "dropout": Fault(
            "dropout", scaled(plain, 0.8, 0.803, 0.01), wide, ten, (0.798, 0.804), (plain, wide, ten)
        ),
        "long dropout": Fault(
            "dropout", scaled(plain, 0.8, 0.83, 0.2), wide, ten, (0.798, 0.804), (plain, wide, ten)
        ),
        "automatic level": Fault(
            "level not steady", fading(plain, 0.7, 0.4), wide, Setting(-14), (0.7, 0.8),
            (plain, wide, Setting(-14)),
        ),
        "part missing": Fault(
            "part missing", plain, replace(one, has_lead_parts=False), Setting(0), at_data,
            (plain, one, Setting(0)),
        ),
        "part missing and too quiet": Fault(
            "part missing and too quiet", plain, replace(one, has_lead_parts=False), Setting(-5), at_data,
            (plain, one, Setting(0)),
        ),
    }  # fmt: skip


FAULTS = faults()


@pytest.fixture(scope="module", params=FAULTS)
def found(request: pytest.FixtureRequest) -> tuple[Fault, Reason]:
    fault = FAULTS[request.param]
    assert not loads(fault.part, fault.eye, fault.setting)
    assert loads(*fault.cured)
    reason = why([fault.part], fault.eye, fault.setting)
    assert reason is not None
    return fault, reason


def test_the_fault_is_named(found):
    fault, reason = found
    assert reason.kind == fault.kind, reason.sentence


def test_at_the_place_where_it_goes_wrong(found):
    fault, reason = found
    low, high = fault.seconds
    assert low <= reason.seconds <= high
    assert reason.seconds == fault.part.start_seconds[reason.symbol]
    assert f"At {reason.seconds:.3f} s" in reason.sentence


def test_the_remedy_it_names_makes_all_of_it_load(found):
    fault, reason = found
    if reason.kind == "dropout":
        assert reason.changes == ()  # nothing but another copy helps
        return
    seen = heard_with(fault.part, fault.eye, fault.setting, reason.changes)
    assert fault.eye.reader.first_wrong(seen, fault.part.symbol) is None
    assert "and it loads" in reason.sentence


def test_the_evidence_is_the_sound_and_the_bit_around_the_place(found):
    fault, reason = found
    shown = reason.evidence
    assert shown.seconds[0] < reason.seconds < shown.seconds[-1]
    first = round(shown.seconds[0] * RATE_HZ)
    sound = dulled(fault.part.sound, fault.setting.corner_hz)[first : first + len(shown.volts)]
    assert shown.volts == pytest.approx(fault.setting.volts * sound, rel=1e-5)
    seen = edges(
        np.float32(fault.setting.volts) * dulled(fault.part.sound, fault.setting.corner_hz), fault.eye.port
    )
    assert set(shown.edges) <= set(seen.seconds)
    assert f"changes {len(shown.edges)} times" in reason.sentence


def test_nothing_is_wrong_where_it_loads():
    assert why([sound_of()], machine(COMPARATOR), Setting(-10)) is None


def test_the_level_it_names_can_be_set_by_hand():
    fault = FAULTS["too quiet"]
    reason = why([fault.part], fault.eye, fault.setting)
    assert reason.amount == pytest.approx(
        10.1, abs=3
    )  # the comparator wants 0.1 V: -20 dB, the step above it
    assert loads(fault.part, fault.eye, Setting(fault.setting.level_db + reason.amount))
    assert not loads(fault.part, fault.eye, Setting(fault.setting.level_db + reason.amount - 4))


def test_the_tone_it_names_can_be_set_by_hand():
    fault = FAULTS["too bright"]
    reason = why([fault.part], fault.eye, fault.setting)
    assert loads(fault.part, fault.eye, Setting(fault.setting.level_db, reason.amount))


def test_how_much_hum_there_is_is_measured():
    reason = why([with_hum(sound_of(), 0.5)], machine(COMPARATOR), Setting(-16))
    assert reason.amount == pytest.approx(20 * np.log10(0.5), abs=0.5)


def test_how_fast_the_tape_is_is_measured():
    reason = why([FAULTS["too fast"].part], FAULTS["too fast"].eye, Setting(-10))
    assert reason.amount == pytest.approx(6.0, abs=0.1)


def test_too_bright_shows_more_changes_than_are_due():
    fault = FAULTS["too bright"]
    shown = why([fault.part], fault.eye, fault.setting).evidence
    assert len(shown.edges) > shown.due


def test_a_machine_that_wants_another_signal_is_doubted():
    # its capacitor and resistor leave a thousandth of the tone
    stranger = machine({**COMPARATOR, "coupling_farads": "10p", "bias_ohms": "10k", "hysteresis_volts": 4})
    reason = why([sound_of()], stranger, Setting(0))
    assert reason.kind == "unknown"
    assert "right machine card" in reason.sentence
    assert reason.changes == ()


def test_a_second_stretch_is_told_with_its_own_time():
    first, second = sound_of(), replace(scaled(sound_of(seed=2), 0.8, 0.803, 0.01), since_seconds=10.0)
    reason = why([first, second], machine(COMPARATOR), Setting(-10))
    assert reason.kind == "dropout"
    assert reason.seconds == pytest.approx(10.8, abs=0.003)
    assert reason.evidence.seconds[0] == pytest.approx(10.8, abs=0.01)


@pytest.mark.parametrize("level_db", [-45.0, -32.0, -21.0])
def test_a_sound_with_all_its_treble_is_called_quiet_and_not_dull(level_db):
    # a lift of the treble makes it louder too; that is no reason to call it dull
    for eye in (machine(COMPARATOR), machine(TRANSISTOR)):
        assert why([sound_of()], eye, Setting(level_db)).kind == "too quiet"
