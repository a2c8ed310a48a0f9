"""``tapewright window``: will the machine load it, at which level and tone, and how wide is the margin?"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Annotated, Any

from cyclopts import Parameter

from tapewright.cli.app import DAMAGED, DONE
from tapewright.cli.options import Force, Json, Start
from tapewright.cli.screen import BAD, DOUBT, GOOD, QUIET, print_json, say, working

if TYPE_CHECKING:
    from tapewright.chain.window import Window
    from tapewright.machine.dial_words import DialWindow
    from tapewright.machine.reasons import Reason
    from tapewright.machine.whatif import Tolerance
    from tapewright.machine.window import Island, WindowMap

__all__ = ["window"]

#: Cells of the map on the terminal: loads, tried with the whole program; loads, by the excerpt and its
#: neighbours; does not load.
WHOLE, LIKELY, FAILS, ASKED = "#", "+", ".", "?"
#: Room for the tones beside it, in characters.
LABEL = 13
#: Parts a tolerance run names.
MOST_PARTS = 3


def window(
    sound: Annotated[
        str, Parameter(help="Sound file of a recording; or a program, to be played directly to the machine.")
    ],
    /,
    *,
    machine: Annotated[
        str,
        Parameter(
            metavar="CARD", help="The machine: a name from 'tapewright machines list', or a TOML file."
        ),
    ],
    format: Annotated[
        str | None, Parameter(metavar="CARD", help="Format card, if it is not the machine's own.")
    ] = None,
    start: Start = None,
    volts: Annotated[
        float | None,
        Parameter(metavar="V", help="Playback level to ask about: peak of the tone at the ear socket."),
    ] = None,
    level: Annotated[
        float | None, Parameter(metavar="DB", help="The same in dB over 1 V peak, such as -12.")
    ] = None,
    tone: Annotated[
        float | None,
        Parameter(metavar="HZ", help="Tone setting to ask about: corner of the recorder's low-pass."),
    ] = None,
    rig: Annotated[
        str | None,
        Parameter(
            metavar="CARD",
            help="Your recorder, as measured: a TOML file. Its dials as they stand are asked about, and the"
            " window is told in marks.",
        ),
    ] = None,
    mark: Annotated[
        float | None, Parameter(metavar="N", help="Mark of the rig's volume dial to ask about.")
    ] = None,
    tone_mark: Annotated[
        float | None, Parameter(metavar="N", help="Mark of the rig's tone dial to ask about.")
    ] = None,
    source: Annotated[
        float | None, Parameter(metavar="OHM", help="Resistance of the ear socket, if not the rig's.")
    ] = None,
    bare_lead: Annotated[
        bool, Parameter(help="As if the parts that belong in the lead were missing.")
    ] = False,
    change: Annotated[
        list[str] | None,
        Parameter(
            metavar="PART=FACTOR",
            help="What if a part were not as the card says, such as coupling_farads=0.5; may be repeated.",
        ),
    ] = None,
    tolerance: Annotated[
        bool, Parameter(help="Build many machines, with parts within their tolerances.")
    ] = False,
    map: Annotated[
        str | None, Parameter(metavar="FILE", help="Draw the map: a page (.html) or a picture (.svg, .png).")
    ] = None,
    force: Force = False,
    json: Json = False,
) -> int:
    """Show where a machine loads."""
    from tapewright.cards import load_machine
    from tapewright.chain import window as simulation

    asked = _level(volts, level)
    if map is not None:
        from tapewright.report.machine_map import check_map

        check_map(map, force=force)
    with working(f"loading {sound} at every level and tone ..."):
        found = simulation.window(
            sound,
            machine,
            format=format,
            start=start,
            level_db=asked,
            corner_hz=tone,
            rig=rig,
            mark=mark,
            tone_mark=tone_mark,
            recorder_ohms=source,
            has_lead_parts=not bare_lead,
            parts=_changes(change or []),
            with_tolerance=tolerance,
        )
    cautions = [caution.text for caution in load_machine(machine).caution]
    if map is not None:
        from tapewright.report.machine_map import write_map

        write_map(found, map, cautions=cautions, force=force)
    if json:
        print_json(_document(found))
        return DONE if found.loads else DAMAGED
    say((found.sentence, GOOD if found.loads else BAD))
    if not found.loads and found.islands and found.obstacle is None:
        say(found.where)
    _say_map(found)
    for island in found.islands[:4]:
        say("  loads " if found.obstacle is None else "  hears it ", _span(island))
    if found.is_map_of_part:
        say(("  The map is of the beginning of the recording; the windows above are of all of it.", QUIET))
    if found.tolerance is not None:
        _say_tolerance(found.tolerance)
    for caution in cautions:
        say(("Before you connect anything: ", DOUBT), caution)
    return DONE if found.loads else DAMAGED


def _level(volts: float | None, level: float | None) -> float | None:
    from tapewright.model import UsageError

    if volts is not None and level is not None:
        raise UsageError("--volts and --level say the same; give one of them")
    if volts is not None:
        if not volts > 0:
            raise UsageError(f"--volts {volts:g} is no level; give a peak voltage above 0")
        return 20.0 * math.log10(volts)
    return level


def _changes(texts: list[str]) -> dict[str, float]:
    from tapewright.model import UsageError

    factors = {}
    for text in texts:
        name, _, number = text.partition("=")
        try:
            factors[name] = float(number)
        except ValueError:
            raise UsageError(
                f"'--change {text}' is no change; write PART=FACTOR, such as coupling_farads=0.5"
            ) from None
    return factors


def _span(island: Island) -> str:
    low, high = (10.0 ** (db / 20.0) for db in (island.low_db, island.high_db))
    return (
        f"from {low:.3g} to {high:.3g} V peak ({island.low_db:+.1f} to {island.high_db:+.1f} dB,"
        f" {island.width_db:.1f} dB wide)"
    )


def _say_map(found: Window) -> None:
    """Rows are tones, bright ones on top; columns are levels, loud ones on the right."""
    picture: WindowMap = found.map
    asked_column = asked_row = -1
    if found.setting is not None:
        asked_column = _nearest(picture.levels_db, found.setting.level_db)
        asked_row = _nearest([min(hz, 3e4) for hz in picture.corners_hz], min(found.setting.corner_hz, 3e4))
    say("")
    for row in reversed(range(len(picture.corners_hz))):
        hertz = picture.corners_hz[row]
        cells: list[str | tuple[str, str]] = [
            (f"{hertz:.0f} Hz" if math.isfinite(hertz) else "open").rjust(LABEL - 2) + "  "
        ]
        for column in range(len(picture.levels_db)):
            if (row, column) == (asked_row, asked_column):
                cells.append((ASKED, DOUBT))
            elif not picture.loads[row, column]:
                cells.append((FAILS, QUIET))
            else:
                cells.append((WHOLE if picture.is_certain[row, column] else LIKELY, GOOD))
        say(*cells)
    say(_axis(picture.levels_db))
    say("")


def _axis(levels_db: Any) -> str:
    line = [" "] * (len(levels_db) + LABEL + 8)
    last = -8
    for column, level in enumerate(levels_db):
        text = f"{10.0 ** (level / 20.0):.2g}"
        if column - last >= 8:
            line[LABEL + column : LABEL + column + len(text)] = text
            last = column
    return "".join(line).rstrip() + " V peak"


def _nearest(values: Any, value: float) -> int:
    return min(range(len(values)), key=lambda k: abs(values[k] - value))


def _say_tolerance(found: Tolerance) -> None:
    if found.islands:
        widest = max(found.islands, key=lambda island: island.width_db)
        say(f"Of {found.machines} machines with parts within their tolerances, 95 % load {_span(widest)}.")
    else:
        say(
            (
                f"At no level do 95 % of {found.machines} machines load that have parts within tolerance.",
                DOUBT,
            )
        )
    for part in found.parts[:MOST_PARTS]:
        moved = (
            "closes the window" if math.isinf(part.most_db) else f"moves it by up to {part.most_db:.1f} dB"
        )
        say(f"  {part.part}, {part.factor:g} times either way, {moved}")


def _document(found: Window) -> dict[str, Any]:
    picture = found.map
    return {
        "loads": found.loads,
        "sentence": found.sentence,
        "machine": found.machine,
        "format": found.format,
        "level_db": None if found.setting is None else found.setting.level_db,
        "tone_hz": _finite(found.corner_hz),
        "windows": [_island(island) for island in found.islands],
        "best": None
        if found.best is None
        else {"level_db": round(found.best.level_db, 2), "volts_peak": round(found.best.volts, 4)},
        "marks": None if found.marks is None else _marks(found.marks),
        "reason": None if found.reason is None else _reason(found.reason),
        "obstacle": found.obstacle,
        "doubt": found.doubt,
        "map": {
            "levels_db": picture.levels_db.tolist(),
            "tones_hz": [_finite(hertz) for hertz in picture.corners_hz.tolist()],
            "loads": picture.loads.tolist(),
            "certain": picture.is_certain.tolist(),
            "margin_db": picture.margin_db.round(2).tolist(),
            "timing": [[_finite(value) for value in row] for row in picture.timing.tolist()],
            "of_part": found.is_map_of_part,
        },
        "changes": dict(found.changes),
        "lead_parts": found.has_lead_parts,
        "tolerance": None if found.tolerance is None else _tolerance(found.tolerance),
    }


def _island(island: Island) -> dict[str, float]:
    return {"low_db": round(island.low_db, 2), "high_db": round(island.high_db, 2)}


def _marks(marks: DialWindow) -> dict[str, Any]:
    return {
        "low": _known(marks.low_mark),
        "high": _known(marks.high_mark),
        "set": _known(marks.set_mark),
        "uncertainty": _known(marks.uncertainty_marks),
        "words": marks.words,
    }


def _known(value: float | None) -> float | None:
    return None if value is None else _finite(value)


def _reason(reason: Reason) -> dict[str, Any]:
    evidence = reason.evidence
    return {
        "kind": reason.kind,
        "sentence": reason.sentence,
        "seconds": round(reason.seconds, 6),
        "symbol": reason.symbol,
        "amount": None if reason.amount is None else _finite(reason.amount),
        "seconds_shown": [round(s, 6) for s in evidence.seconds.tolist()],
        "volts_shown": [round(v, 5) for v in evidence.volts.tolist()],
        "edges": [round(s, 7) for s in evidence.edges.tolist()],
        "edges_due": evidence.due,
    }


def _tolerance(found: Tolerance) -> dict[str, Any]:
    return {
        "machines": found.machines,
        "levels_db": found.levels_db.tolist(),
        "share": [round(share, 4) for share in found.share.tolist()],
        "windows": [_island(island) for island in found.islands],
        "parts": [
            {
                "part": part.part,
                "factor": part.factor,
                "low_db": _finite(part.low_db),
                "high_db": _finite(part.high_db),
            }
            for part in found.parts
        ],
    }


def _finite(value: float) -> float | None:
    return round(value, 4) if math.isfinite(value) else None
