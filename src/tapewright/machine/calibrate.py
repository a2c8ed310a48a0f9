"""Guided calibration of a dial: level steps to play, and what a recording of them tells.

The owner records the steps onto a tape (or plays them directly), turns the dial to the next mark in each
pause, and records what comes out of the ear socket. A rising start mark and an end mark at one and a half
times the tone's frequency tell where the steps are; one of the two is enough, so that a first mark too quiet
to hear does no harm. `measure_calibration` (in `calibration_levels`) reads the recording, and `volume_points`
makes the rig card's points of it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from tapewright.cards.rig import MOST_MARK, MOST_MILLIVOLTS, VolumePoint
from tapewright.machine.calibration_levels import Calibration, measure_levels
from tapewright.machine.calibration_plan import Burst, CalibrationPlan
from tapewright.model import Recording, Samples, SignalError, UsageError

__all__ = [
    "CAUTIONS",
    "Calibration",
    "CalibrationPlan",
    "calibration_audio",
    "measure_calibration",
    "volume_points",
]

#: What a surface prints before the steps are played. Common practice.
CAUTIONS = (
    "Take headphones off, and begin with the dial at its lowest mark: the last steps are as loud as the"
    " recorder goes.",
    "An ear socket may carry loudspeaker level, more than the line input of a sound card is made for: begin"
    " with the input's gain at its lowest, and put an attenuator in the lead where the loudest steps still"
    " clip.",
    "Never connect either side of an output that floats (a bridge amplifier) to the ground of a sound card.",
    "Read a meter at the plug only. The inside of anything that runs on mains belongs to a qualified"
    " technician; use batteries where the recorder takes them.",
)

_RAMP_SECONDS = 0.02


def calibration_audio(plan: CalibrationPlan, rate_hz: float = 48_000.0) -> Recording:
    """Make the sound of the level steps.

    A second of silence; a start mark of five beeps that grow from 24 dB below the first step, so that nobody
    is startled; then a pause and a step of the tone, and so on; an end mark.

    It is made to be played with the dial at its lowest mark first. Not with headphones on: the last steps are
    as loud as the recorder goes. An ear socket may carry loudspeaker level; see `CAUTIONS`, which whoever
    offers these steps to an owner has to show.

    Parameters
    ----------
    plan : CalibrationPlan
    rate_hz : float
        At least four times the tone's frequency.

    Returns
    -------
    Recording
        One channel.

    Raises
    ------
    UsageError
        If the sample rate is too low.

    Examples
    --------
    >>> calibration_audio(CalibrationPlan(steps_db=(0, 0, 0)))
    <Recording 30.55 s, 48000 Hz, 1 channel(s)>
    """
    if not rate_hz >= 4.0 * plan.tone_hz:
        raise UsageError(
            f"a tone of {plan.tone_hz:g} Hz and its marks need a sample rate of {4 * plan.tone_hz:g} Hz at"
            f" least, not {rate_hz:g}; give a higher rate or a lower tone"
        )
    samples = np.zeros(math.ceil(plan.seconds * rate_hz), np.float32)
    for burst in plan.bursts:
        first = round(burst.start_seconds * rate_hz)
        wave = _burst(burst, plan.tone_dbfs, rate_hz)
        samples[first : first + len(wave)] = wave
    return Recording(samples, rate_hz, history=("calibration steps",))


def measure_calibration(
    recording: Recording, plan: CalibrationPlan, *, channel: int | None = None
) -> Calibration:
    """Find the steps in a recording of them and measure their levels.

    Parameters
    ----------
    recording : Recording
        What came out of the ear socket; the recorder may run up to 10 % fast or slow.
    plan : CalibrationPlan
        The one the steps were made from.
    channel : int, optional
        From 0; the one with the most of the tone, if left out.

    Returns
    -------
    Calibration
        Level of each step, which were not heard, clipped or unsteady, and what to do about it.

    Raises
    ------
    SignalError
        If neither mark is found, or the playback was interrupted.
    UsageError
        If there is no such channel.
    """
    if channel is not None and not 0 <= channel < recording.channels:
        raise UsageError(f"there is no channel {channel}; the recording has {recording.channels}, from 0 on")
    return measure_levels(recording, plan, channel)


def volume_points(
    calibration: Calibration,
    plan: CalibrationPlan,
    marks: Sequence[float],
    millivolts: Mapping[int, float] | None = None,
) -> tuple[VolumePoint, ...]:
    """Make the points of a rig card's volume dial from the steps that can be used.

    Levels are those of a step of 0 dB: what a step was made quieter by is added.

    Parameters
    ----------
    calibration : Calibration
    plan : CalibrationPlan
    marks : sequence of float
        Where the dial stood at each step.
    millivolts : mapping of int to float, optional
        Meter readings, rms, by the number of the step (from 1) during which they were taken.

    Raises
    ------
    UsageError
        If there is not one mark a step, or a reading belongs to no step.
    SignalError
        If a reading was taken at a step that cannot be used, or fewer than two can.
    """
    readings = dict(millivolts or {})
    count = len(plan.steps_db)
    if len(marks) != count:
        raise UsageError(f"{count} steps were played but {len(marks)} marks given; give one mark a step")
    for number, mark in enumerate(marks, 1):
        if not abs(mark) <= MOST_MARK:
            raise UsageError(f"{mark:g} is no mark of a dial, at step {number}; give its number on the dial")
    for step, reading in readings.items():
        if not 1 <= step <= count:
            raise UsageError(f"there is no step {step} to have a meter reading; steps are 1 to {count}")
        if not 0 < reading <= MOST_MILLIVOLTS:
            raise UsageError(
                f"a meter reading of {reading:g} mV at step {step} is none; give millivolts above 0, and"
                f" {MOST_MILLIVOLTS:g} at most"
            )
    usable = dict(calibration.usable)
    lost = sorted(set(readings) - set(usable))
    if lost:
        raise SignalError(
            f"the meter was read at step {lost[0]}, which cannot be used (not heard, clipped or unsteady);"
            " read it at another step"
        )
    if len({float(marks[step - 1]) for step in usable}) < 2:
        raise SignalError(
            "fewer than two marks have a step that can be used; see what is said about each step, and record"
            " them again"
        )
    points = []
    for step, level_db in usable.items():
        quieter_db = -plan.steps_db[step - 1]
        reading_mv = None
        if step in readings:
            reading_mv = float(f"{min(readings[step] * _ratio(quieter_db), MOST_MILLIVOLTS):.6g}")
        points.append(
            VolumePoint(
                mark=float(marks[step - 1]), level_db=round(level_db + quieter_db, 2), millivolts=reading_mv
            )
        )
    return tuple(points)


def _burst(burst: Burst, tone_dbfs: float, rate_hz: float) -> Samples:
    """A sine that begins and ends softly."""
    seconds = np.arange(round(burst.seconds * rate_hz)) / rate_hz
    edge = np.minimum(1.0, np.minimum(seconds, burst.seconds - seconds) / _RAMP_SECONDS)
    envelope = np.sin(0.5 * np.pi * np.clip(edge, 0.0, 1.0)) ** 2
    peak = _ratio(tone_dbfs + burst.level_db)
    return np.asarray(peak * envelope * np.sin(2 * np.pi * burst.hertz * seconds), np.float32)


def _ratio(level_db: float) -> float:
    return float(10.0 ** (level_db / 20.0))
