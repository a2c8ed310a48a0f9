"""``tapewright rig``: measure a recorder's volume dial, and keep it as a rig card."""

from __future__ import annotations

from typing import Annotated

from cyclopts import Parameter

from tapewright.cli.app import DAMAGED, DONE
from tapewright.cli.options import Force, Json, Output
from tapewright.cli.screen import BAD, DOUBT, GOOD, print_json, say, say_table, working

__all__ = ["measure_rig", "steps"]

Marks = Annotated[
    str,
    Parameter(
        metavar="N,N,...", help="Where the dial stands at each step, in order, such as 1,2,3,4,5,6,7,8."
    ),
]


def steps(
    *,
    output: Annotated[Output, Parameter(metavar="FILE", help="Sound file to make: .wav or .flac.")],
    marks: Marks = "1,2,3,4,5,6,7,8",
    rate: Annotated[float, Parameter(metavar="HZ", help="Samples per second.", show_default=True)] = 44_100.0,
    force: Force = False,
) -> int:
    """Make the sound of the level steps."""
    from tapewright.audio import check_audio_output, create_audio
    from tapewright.machine.calibrate import CAUTIONS, calibration_audio

    wanted = _marks(marks)
    check_audio_output(output, rate, 1, "pcm16", force=force)
    plan = _plan(wanted)
    made = calibration_audio(plan, rate)
    with create_audio(output, rate, 1, "pcm16", force=force) as file:
        file.write(made.samples)
    say((output, GOOD), f": {len(wanted)} steps, {plan.seconds:.0f} s")
    for caution in CAUTIONS:
        say(("Before you begin: ", DOUBT), caution)
    say("Record it onto a cassette. Play that, and record what comes out of the ear socket.")
    places = ", ".join(f"{mark:g}" for mark in wanted)
    say(
        f"Begin with the dial at {wanted[0]:g}; before each tone there are {plan.pause_seconds:g} s to turn"
        f" it to the next mark ({places})."
    )
    return DONE


def measure_rig(
    recording: Annotated[str, Parameter(help="Sound file: what came out of the ear socket.")],
    /,
    *,
    output: Annotated[Output, Parameter(metavar="FILE", help="Rig card to make: .toml.")],
    marks: Marks = "1,2,3,4,5,6,7,8",
    millivolts: Annotated[
        list[str] | None,
        Parameter(
            metavar="STEP=MV",
            help="What a meter showed at the ear socket (rms) during a step, such as 6=260; may be repeated."
            " One makes volts of all levels.",
        ),
    ] = None,
    source: Annotated[
        float | None, Parameter(metavar="OHM", help="Resistance of the ear socket, if known.")
    ] = None,
    name: Annotated[str, Parameter(metavar="NAME", help="Of the rig.", show_default=True)] = "my-recorder",
    force: Force = False,
    json: Json = False,
) -> int:
    """Measure the level steps in a recording, and write a rig card."""
    from tapewright.audio import load
    from tapewright.cards.rig import measured_rig, rig_text
    from tapewright.files import check_output, write_text
    from tapewright.machine.calibrate import measure_calibration, volume_points

    wanted, readings = _marks(marks), _readings(millivolts or [])
    check_output(output, force=force)
    plan = _plan(wanted)
    with working(f"measuring {recording} ..."):
        found = measure_calibration(load(recording), plan)
    points = volume_points(found, plan, wanted, readings)
    card = measured_rig(name, plan.tone_hz, plan.tone_dbfs, points, source)
    write_text(output, rig_text(card), force=force)
    whole = len(points) == len(wanted)
    if json:
        print_json(
            {
                "rig": card.model_dump(exclude_none=True),
                "speed": round(found.speed, 5),
                "faults": [fault.text for fault in found.faults],
            }
        )
        return DONE if whole else DAMAGED
    rows: list[list[str | tuple[str, str]]] = []
    for mark, step in zip(wanted, found.steps, strict=True):
        level = "not heard" if step.level_db is None else f"{step.level_db:.1f} dB"
        state = "clipped" if step.is_clipped else "" if step.is_steady else "unsteady"
        rows.append([f"{step.step}", f"{mark:g}", level, (state, BAD)])
    say_table(["step", "mark", "level", ""], rows)
    for fault in found.faults:
        say((fault.text, DOUBT), f"; {fault.remedy}" if fault.remedy else "")
    say((output, GOOD), f": {len(points)} of {len(wanted)} steps; 'window --rig {output}' uses it")
    if not readings:
        say("Levels only: with a meter reading (--millivolts STEP=MV) they become volts, which window needs.")
    return DONE if whole else DAMAGED


def _plan(marks: list[float]):  # type: ignore[no-untyped-def]
    """One step a mark, all equally loud: it is the dial that makes the difference."""
    from tapewright.machine.calibrate import CalibrationPlan

    return CalibrationPlan(steps_db=(0.0,) * len(marks))


def _marks(text: str) -> list[float]:
    from tapewright.model import UsageError

    try:
        return [float(mark) for mark in text.split(",")]
    except ValueError:
        raise UsageError(f"'--marks {text}' are no marks; write numbers with commas, such as 1,2,3") from None


def _readings(texts: list[str]) -> dict[int, float]:
    from tapewright.model import UsageError

    readings = {}
    for text in texts:
        step, _, reading = text.partition("=")
        try:
            readings[int(step)] = float(reading)
        except ValueError:
            raise UsageError(f"'--millivolts {text}' is no reading; write STEP=MV, such as 6=260") from None
    return readings
