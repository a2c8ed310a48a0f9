"""Calibration steps: quiet at first, found again, and wrong levels told from right ones."""

from __future__ import annotations

import doctest
import re

import numpy as np
import pytest
import soxr

from tapewright.channel import CassetteChannel
from tapewright.channel import play as play_tape
from tapewright.machine import calibrate, dial
from tapewright.machine.calibrate import (
    CAUTIONS,
    CalibrationPlan,
    calibration_audio,
    measure_calibration,
    volume_points,
)
from tapewright.machine.dial import Dial
from tapewright.model import Recording, SignalError, UsageError

RATE_HZ = 16_000
PLAN = CalibrationPlan(steps_db=(0.0,) * 6, step_seconds=1.5, pause_seconds=2.0)
DIAL_DB = np.array([-44.0, -35.0, -27.0, -20.0, -14.0, -9.0])
#: What a step of the plan comes to at each setting: its peak is at -12 dB where the dial is at 0 dB.
LEVELS_DB = DIAL_DB - 12.0
#: Hum as a rectifier makes it: the mains frequency and its harmonics, up to the twentieth.
HUM = ((1, 1.0), (2, 0.7), (3, 0.5), (5, 0.2), (9, 0.1), (20, 0.02))


def turned(sound: np.ndarray, dial_db: np.ndarray, plan: CalibrationPlan, rate_hz: float) -> np.ndarray:
    """Turn the dial in the middle of each pause."""
    time = np.arange(len(sound)) / rate_hz
    turns = [step.start_seconds - plan.pause_seconds / 2 for step in plan.steps()[1:]]
    return sound * 10 ** (dial_db[np.searchsorted(turns, time)] / 20)


def recorded(
    *, dial_db=DIAL_DB, speed=1.0, noise_db=-90.0, hum=0.0, clip=None, lead=0.0, cut=0.0, plan=PLAN, seed=1,
    rate_hz=RATE_HZ, offset=0.0,
):  # fmt: skip
    """Play the steps while somebody turns the dial, over a bad lead, into a bad sound card."""
    sound = turned(calibration_audio(plan, rate_hz).samples[:, 0], dial_db, plan, rate_hz)
    sound = soxr.resample(sound, rate_hz, rate_hz / speed)
    sound = np.concatenate([np.zeros(round(lead * rate_hz)), sound])[round(cut * rate_hz) :]
    time = np.arange(len(sound)) / rate_hz
    rng = np.random.default_rng(seed)
    sound = sound + 10 ** (noise_db / 20) * rng.standard_normal(len(sound)) + offset
    for order, part in HUM:
        sound = sound + hum * part * np.sin(2 * np.pi * 50 * order * time + order)
    if clip is not None:
        sound = np.clip(sound, -clip, clip)
    return Recording(np.round(sound * 32767).astype(np.float32) / 32768, rate_hz)


def levels(calibration):
    return [np.nan if step.level_db is None else step.level_db for step in calibration.steps]


def kinds(calibration):
    return [(fault.kind, int(re.search(r"step (\d+)", fault.text)[1])) for fault in calibration.faults]


@pytest.mark.parametrize("module", [calibrate, dial])
def test_examples_in_docstrings(module):
    failed, tried = doctest.testmod(module)
    assert (failed, tried > 0) == (0, True)


# ---- the sound


def test_a_step_has_the_level_it_is_said_to_have():
    plan = CalibrationPlan(steps_db=(0.0, -20.0), tone_dbfs=-6.0)
    sound = calibration_audio(plan, 48_000).samples[:, 0].astype(np.float64)
    for step, level_db in zip(plan.steps(), (-6.0, -26.0), strict=True):
        middle = sound[round((step.start_seconds + 1) * 48_000) : round((step.start_seconds + 3) * 48_000)]
        # rms of a sine is its peak over sqrt 2 (definition)
        assert 20 * np.log10(np.sqrt(2 * np.mean(middle**2))) == pytest.approx(level_db, abs=0.001)
        assert np.abs(middle).max() == pytest.approx(10 ** (level_db / 20), rel=0.001)


def test_it_begins_quietly_and_nothing_is_louder_than_the_steps():
    recording = calibration_audio(PLAN, 48_000)
    sound = np.abs(recording.samples[:, 0])
    peak = 10 ** (PLAN.tone_dbfs / 20)
    assert sound[:48_000].max() == 0.0
    first_beep = sound[48_000 : round(1.3 * 48_000)].max()
    assert first_beep == pytest.approx(peak * 10 ** (-24 / 20), rel=0.01)
    beeps = [sound[round(b.start_seconds * 48_000) :][:12_000].max() for b in PLAN.mark(0)]
    assert np.all(np.diff(beeps) > 0)
    assert sound.max() <= peak * 1.0001
    assert (
        np.abs(np.diff(recording.samples[:, 0])).max() < peak * 2 * np.pi * PLAN.mark_hz / 48_000 * 1.1
    )  # no click
    assert recording.seconds == pytest.approx(PLAN.seconds, abs=1e-4)


def test_cautions_name_ears_loudspeaker_level_and_mains():
    text = " ".join(CAUTIONS)
    for word in ("headphones", "loudspeaker level", "qualified technician", "lowest mark"):
        assert word in text


@pytest.mark.parametrize(
    "settings, said",
    [
        ({"steps_db": (0.0,)}, "there are 1 level steps; give 2 to 64"),
        ({"steps_db": (0.0,) * 65}, "there are 65 level steps"),
        ({"steps_db": (0.0, 1.0)}, "step 2 is 1 dB; give levels from -60 to 0 dB"),
        ({"steps_db": (float("nan"), 0.0)}, "step 1 is nan dB"),
        ({"steps_db": (0.0, 0.0), "tone_hz": 50.0}, "tone_hz is 50 Hz; give 200 to 4000"),
        ({"steps_db": (0.0, 0.0), "tone_dbfs": 3.0}, "tone_dbfs is 3 dB; give -60 to 0"),
        ({"steps_db": (0.0, 0.0), "step_seconds": 0.1}, "step_seconds is 0.1 s; give 1 to 30"),
        ({"steps_db": (0.0, 0.0), "pause_seconds": float("inf")}, "pause_seconds is inf s; give 1 to 60"),
    ],
)
def test_plans_that_cannot_be(settings, said):
    with pytest.raises(UsageError, match=re.escape(said)):
        CalibrationPlan(**settings)


def test_a_rate_too_low_for_the_marks():
    with pytest.raises(UsageError, match="need a sample rate of 4140 Hz"):
        calibration_audio(PLAN, 4000)
    with pytest.raises(SignalError, match="record at 4140 Hz or more"):
        measure_calibration(Recording(np.zeros(40_000, np.float32), 4000), PLAN)


# ---- the levels


@pytest.mark.parametrize(
    "damage",
    [
        {},
        {"speed": 0.9},
        {"speed": 1.1},
        {"lead": 8.3},
        {"cut": 3.5},  # all of the start mark is missing
        {"hum": 0.15, "speed": 1.03},
        {"hum": 0.15, "noise_db": -70.0, "speed": 1.07, "lead": 2.0},
        {"offset": 0.1},
        {"rate_hz": 44_100},
        {"rate_hz": 8_000},
    ],
    ids=str,
)
def test_levels_after(damage):
    calibration = measure_calibration(recorded(**damage), PLAN)
    assert levels(calibration) == pytest.approx(LEVELS_DB, abs=0.3)
    assert levels(calibration)[2:] == pytest.approx(LEVELS_DB[2:], abs=0.05)
    assert calibration.speed == pytest.approx(damage.get("speed", 1.0), rel=0.002)
    assert calibration.faults == ()
    assert [step for step, _ in calibration.usable] == [1, 2, 3, 4, 5, 6]


@pytest.mark.parametrize("seed", range(4))
def test_steps_in_noise_are_right_or_not_heard(seed):
    calibration = measure_calibration(recorded(noise_db=-38.0, seed=seed), PLAN)
    # white noise of -38 dB rms has -38 - 10 log10(8000 / 25) = -63 dB in a band of 25 Hz; the first step's
    # power, -56 - 3 dB, is only 4 dB over that
    assert ("too-quiet", 1) in kinds(calibration)
    assert levels(calibration)[2:] == pytest.approx(LEVELS_DB[2:], abs=0.6)
    assert dict(calibration.usable)[6] == pytest.approx(LEVELS_DB[5], abs=0.1)


def test_a_harmonic_of_hum_in_the_band_of_the_tone_is_not_the_tone():
    # 4 % slow the tone is at 993.6 Hz; the hum's twentieth harmonic, at 1000 Hz, is 0.003, or -50.5 dB
    calibration = measure_calibration(recorded(hum=0.15, speed=0.96), PLAN)
    assert kinds(calibration) == [("too-quiet", 1), ("too-quiet", 2)]  # they are at -56 and -47 dB
    assert levels(calibration)[2:] == pytest.approx(LEVELS_DB[2:], abs=0.4)


def test_noise_alone_holds_no_steps():
    noise = 0.1 * np.random.default_rng(5).standard_normal(30 * RATE_HZ)
    with pytest.raises(SignalError, match="neither the start mark nor the end mark"):
        measure_calibration(Recording(noise.astype(np.float32), RATE_HZ), PLAN)


@pytest.mark.parametrize("length", [1, 1000, 20_000])
def test_silence_and_scraps_hold_no_steps(length):
    with pytest.raises(SignalError, match="neither the start mark nor the end mark"):
        measure_calibration(Recording(np.zeros(length, np.float32), RATE_HZ), PLAN)


def test_a_steady_tone_is_not_a_calibration():
    tone = 0.3 * np.sin(2 * np.pi * PLAN.tone_hz * np.arange(30 * RATE_HZ) / RATE_HZ)
    with pytest.raises(SignalError, match="neither the start mark nor the end mark"):
        measure_calibration(Recording(tone.astype(np.float32), RATE_HZ), PLAN)


def test_a_sound_card_that_clips_is_told_step_by_step():
    # steps 5 and 6 peak at -26 and -21 dB; the card clips 3 dB below step 6, at 0.0631
    calibration = measure_calibration(recorded(clip=0.0631, rate_hz=44_100), PLAN)
    assert kinds(calibration) == [("clipped", 6)]
    assert [step for step, _ in calibration.usable] == [1, 2, 3, 4, 5]


def test_clipping_by_a_hair_over_hum_is_seen_by_the_flat_tops():
    # 5 % of the peak cut off makes a third harmonic of 1.2 % (Fourier series), less than tape makes
    loud = DIAL_DB + 18.0
    peak = 10 ** ((loud[5] - 12.0) / 20)
    calibration = measure_calibration(recorded(dial_db=loud, clip=0.95 * peak, rate_hz=44_100), PLAN)
    assert kinds(calibration) == [("clipped", 6)]


def test_a_recorder_that_rounds_its_tops_is_seen_by_the_harmonics():
    sound = recorded(dial_db=DIAL_DB + 18.0, rate_hz=44_100)
    # tanh of 1.2 has a third harmonic of 9 % (series); at half that drive 3 %
    peak = 10 ** ((DIAL_DB[5] + 6.0) / 20)
    rounded = np.tanh(sound.samples[:, 0] * 1.2 / peak).astype(np.float32) * 0.5
    calibration = measure_calibration(Recording(rounded, 44_100), PLAN)
    assert kinds(calibration) == [("clipped", 6)]


def test_a_dial_turned_during_a_step_is_seen():
    sound = recorded().samples[:, 0].copy()
    step = PLAN.steps()[3]
    sound[round((step.start_seconds + 0.75) * RATE_HZ) : round((step.start_seconds + 1.5) * RATE_HZ)] *= 0.6
    calibration = measure_calibration(Recording(sound, RATE_HZ), PLAN)
    assert kinds(calibration) == [("unsteady", 4)]
    assert [step for step, _ in calibration.usable] == [1, 2, 3, 5, 6]


def test_a_playback_that_was_stopped_in_between_is_refused():
    sound = recorded().samples[:, 0]
    middle = round((PLAN.steps()[2].start_seconds - 1.0) * RATE_HZ)
    paused = np.concatenate([sound[:middle], np.zeros(2 * RATE_HZ, np.float32), sound[middle:]])
    with pytest.raises(SignalError, match="the playback was interrupted"):
        measure_calibration(Recording(paused, RATE_HZ), PLAN)


def test_a_recording_that_ends_early_says_which_steps_are_missing():
    sound = recorded().samples[:, 0]
    last = round((PLAN.steps()[4].start_seconds + 0.2) * RATE_HZ)
    calibration = measure_calibration(Recording(sound[:last], RATE_HZ), PLAN)
    assert kinds(calibration) == [("missing", 5), ("missing", 6)]
    assert levels(calibration)[:4] == pytest.approx(LEVELS_DB[:4], abs=0.3)


def test_the_channel_with_the_tone_is_taken():
    sound = recorded().samples[:, 0]
    noise = (0.01 * np.random.default_rng(2).standard_normal(len(sound))).astype(np.float32)
    both = Recording(np.column_stack([noise, sound]), RATE_HZ)
    assert measure_calibration(both, PLAN).channel == 1
    assert levels(measure_calibration(both, PLAN))[3:] == pytest.approx(LEVELS_DB[3:], abs=0.1)
    with pytest.raises(SignalError):
        measure_calibration(both, PLAN, channel=0)
    with pytest.raises(UsageError, match="there is no channel 2; the recording has 2, from 0 on"):
        measure_calibration(both, PLAN, channel=2)


def test_through_a_tape_with_automatic_level_control_flutter_and_hiss():
    # the dial comes after the tape, so whatever level the tape has, differences are the dial's
    tape = play_tape(calibration_audio(PLAN, 44_100), CassetteChannel.PORTABLE, seed=3)
    sound = turned(tape.samples[:, 0], DIAL_DB, PLAN, 44_100)
    calibration = measure_calibration(Recording(sound.astype(np.float32), 44_100), PLAN)
    assert np.diff(levels(calibration)) == pytest.approx(np.diff(DIAL_DB), abs=0.1)
    assert calibration.speed == pytest.approx(1.01, abs=0.001)  # the portable is 1 % fast
    assert calibration.faults == ()


# ---- the points


def test_points_make_the_dial_that_was_turned():
    plan = CalibrationPlan(steps_db=(0.0, 0.0, 0.0, 0.0, -10.0, -20.0), step_seconds=1.5, pause_seconds=2.0)
    calibration = measure_calibration(recorded(plan=plan, speed=1.04), plan)
    points = volume_points(calibration, plan, [1, 2, 3, 4, 5, 6], {6: 25.0})
    # what was played 20 dB quieter counts as if it had not been, on the meter as well: 25 mV become 250 mV
    assert points[5].millivolts == pytest.approx(250.0)
    assert [point.millivolts for point in points[:5]] == [None] * 5
    found = Dial([point.mark for point in points], [point.level_db for point in points])
    assert [found.level_db(mark) for mark in range(1, 7)] == pytest.approx(LEVELS_DB, abs=0.3)


def test_steps_that_cannot_be_used_make_no_points():
    calibration = measure_calibration(recorded(clip=0.0631, rate_hz=44_100), PLAN)
    points = volume_points(calibration, PLAN, [1, 2, 3, 4, 5, 6])
    assert [point.mark for point in points] == [1, 2, 3, 4, 5]
    with pytest.raises(SignalError, match="the meter was read at step 6, which cannot be used"):
        volume_points(calibration, PLAN, [1, 2, 3, 4, 5, 6], {6: 100.0})
    with pytest.raises(SignalError, match="fewer than two marks"):
        volume_points(calibration, PLAN, [1, 1, 1, 1, 1, 6])


@pytest.mark.parametrize(
    "marks, millivolts, said",
    [
        ([1, 2, 3], None, "6 steps were played but 3 marks given"),
        ([1, 2, 3, 4, 5, 6], {7: 10.0}, "there is no step 7"),
        ([1, 2, 3, 4, 5, 6], {0: 10.0}, "there is no step 0"),
        ([1, 2, 3, 4, 5, 6], {2: -1.0}, "a meter reading of -1 mV at step 2 is none"),
        ([1, 2, 3, 4, 5, 6], {2: float("nan")}, "a meter reading of nan mV"),
        ([1, 2, 3, 4, 5, float("nan")], None, "nan is no mark of a dial, at step 6"),
    ],
)
def test_points_that_cannot_be(marks, millivolts, said):
    calibration = measure_calibration(recorded(), PLAN)
    with pytest.raises(UsageError, match=re.escape(said)):
        volume_points(calibration, PLAN, marks, millivolts)
