"""Why a machine does not load: the smallest change that makes it load, tried out on the spot where it failed.

Nothing is looked up. The sound up to the first wrong symbol is played again, louder, quieter, duller,
brighter, upside down, without hum, at another speed, with the lead's parts in place (`remedies`); what helps
soonest is the reason.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tapewright.machine.eye import Eye
from tapewright.machine.played import Played, dulled
from tapewright.machine.remedies import Change, Remedy, Setting, best_remedy, heard_with
from tapewright.machine.simulate import RATE_HZ, Edges, edges
from tapewright.machine.steady import drop_db

__all__ = ["Evidence", "Reason", "Setting", "volts_text", "why"]

FloatArray = npt.NDArray[np.float64]

#: So much sound after the first wrong symbol is played, and symbols shown around it.
AFTER_SECONDS, SHOWN_SYMBOLS = 0.2, 4
#: A level of the sound this far below that around it is a dropout.
DROPOUT_DB = 6.0
#: It is the reason unless a change of less weight helps, and that is none of those it may be taken for.
DROPOUT_WEIGHT = 2.0
LIKE_A_DROPOUT = ("too quiet", "level not steady")


@dataclass(frozen=True, eq=False)
class Evidence:
    """What happens around the first wrong symbol.

    Parameters
    ----------
    seconds, volts : ndarray of float64
        The voltage at the ear socket, times in the recording.
    edges : ndarray of float64
        Times at which the input bit changes.
    due : int
        How many times it should change within these symbols: as often as a sound that is read right does.
    """

    seconds: FloatArray
    volts: FloatArray
    edges: FloatArray
    due: int | None


@dataclass(frozen=True, eq=False)
class Reason:
    """Why it does not load.

    Parameters
    ----------
    kind : str
        "too quiet", "too loud", "too bright", "too dull", "upside down", "hum", "level not steady",
        "too fast", "too slow", "flutter", "part missing", "dropout" or "unknown"; two of them with "and"
        between where it takes two changes.
    sentence : str
        With what to do.
    seconds : float
        In the recording, where the first symbol is read wrongly.
    symbol : int
        Number of that symbol, counted from the beginning of its stretch.
    amount : float or None
        In dB, Hz or per cent, as the (first) kind has it.
    evidence : Evidence
    changes : tuple of Change
        What makes it load; empty for a dropout, and where nothing was found.
    """

    kind: str
    sentence: str
    seconds: float
    symbol: int
    amount: float | None
    evidence: Evidence
    changes: tuple[Change, ...] = ()


def why(parts: list[Played], eye: Eye, setting: Setting) -> Reason | None:
    """Say why a recording does not load; None if it does.

    Parameters
    ----------
    parts : list of Played
    eye : Eye
    setting : Setting
    """
    for place, part in enumerate(parts):
        sound = dulled(part.sound, setting.corner_hz)
        heard = edges(np.float32(setting.volts) * sound, eye.port)
        wrong = eye.reader.first_wrong(heard, part.symbol)
        if wrong is None:
            continue
        number = min(wrong.index, len(part.symbol) - 1)
        until = min(part.seconds, float(part.end_seconds[number]) + AFTER_SECONDS)
        short = part.part(0.0, until)
        found = best_remedy(parts, (place, number), short, eye, setting)
        changes = found.changes if found else ()
        kind = " and ".join(change.kind for change in changes) or "unknown"
        amount = changes[0].amount if changes else None
        drop = drop_db(part, number)
        is_else = found is not None and found.weight < DROPOUT_WEIGHT and kind not in LIKE_A_DROPOUT
        if drop > DROPOUT_DB and not is_else:
            found, changes, kind, amount = None, (), "dropout", drop
        at = part.since_seconds + float(part.start_seconds[number])
        right = heard_with(short, eye, setting, changes) if changes else None
        evidence = _evidence(part, sound, heard, right, number, setting)
        sentence = _sentence(found, drop if kind == "dropout" else None, at, evidence, setting)
        return Reason(kind, sentence, at, number, amount, evidence, changes)
    return None


def _evidence(
    part: Played, sound: npt.NDArray[np.float32], heard: Edges, right: Edges | None, number: int,
    setting: Setting,
) -> Evidence:  # fmt: skip
    low = float(part.start_seconds[max(0, number - SHOWN_SYMBOLS)])
    high = float(part.end_seconds[min(len(part.symbol) - 1, number + SHOWN_SYMBOLS)])
    first, last = round(low * RATE_HZ), min(len(sound), round(high * RATE_HZ))
    shown = (heard.seconds >= low) & (heard.seconds < high)
    due = None if right is None else int(np.count_nonzero((right.seconds >= low) & (right.seconds < high)))
    return Evidence(
        part.since_seconds + np.arange(first, last) / RATE_HZ,
        setting.volts * sound[first:last].astype(np.float64),
        part.since_seconds + heard.seconds[shown],
        due,
    )


def _sentence(
    found: Remedy | None, drop: float | None, at: float, evidence: Evidence, setting: Setting
) -> str:
    seen = len(evidence.edges)
    if evidence.due is None:
        counted = f"the input bit changes {seen} times around it"
    else:
        counted = f"the input bit changes {seen} times around it, and should {evidence.due} times"
        if seen == evidence.due:
            counted = f"the input bit changes {seen} times around it, as it should, but at the wrong moments"
    if drop is not None:
        told = (
            f"a dropout: the sound is {drop:.0f} dB below its usual level there; clean the head, or use"
            " another copy"
        )
    elif found is None:
        told = (
            "and no change of level, tone, polarity or speed helps: is it the right machine card, and are"
            " its loop's limits right?"
        )
    else:
        first, *more = [_told(change, setting) for change in found.changes]
        told = ": ".join(first) + "".join(f"; and {fault}: {remedy}" for fault, remedy in more)
        told += ", and it loads" if found.is_whole else ", and it gets past this place"
    return f"At {at:.3f} s the machine goes wrong, {told} ({counted})."


def _told(change: Change, setting: Setting) -> tuple[str, str]:
    """What is wrong, and what to do."""
    value = change.amount or 0.0
    if change.kind == "too dull" and change.lift_hz is not None:
        return (
            f"too dull (treble is lost from {value:.0f} Hz on)",
            "clean the head, set its azimuth, turn the tone up",
        )
    level = setting.level_db + change.level_db
    return {
        "too quiet": ("too quiet", f"play it {value:g} dB louder, at {volts_text(level)}"),
        "too loud": ("too loud", f"play it {value:g} dB quieter, at {volts_text(level)}"),
        "too bright": ("too bright", f"turn the tone down to {value:.0f} Hz"),
        "too dull": (
            "too dull",
            f"turn the tone up to {value:.0f} Hz" if np.isfinite(value) else "turn the tone all the way up",
        ),
        "upside down": ("upside down", "swap the two wires of the lead, or turn the sound's polarity round"),
        "hum": (
            f"hum ({value:.0f} dB against the tone)",
            "find the ground loop, or run the recorder on batteries",
        ),
        "level not steady": (
            f"the level is not steady ({abs(value):.1f} dB too {'high' if value > 0 else 'low'} there)",
            "switch the automatic level control off, or make a new copy",
        ),
        "too fast": (f"{abs(value):.1f} % too fast", "play it that much slower"),
        "too slow": (f"{abs(value):.1f} % too slow", "play it that much faster"),
        "flutter": (
            f"the speed is not steady ({abs(value):.1f} % too {'fast' if value > 0 else 'slow'} there)",
            "clean the capstan and the pinch roller, or use another recorder",
        ),
        "part missing": ("the part that belongs in the lead is missing", "fit it"),
    }[change.kind]


def volts_text(level_db: float) -> str:
    """Tell a level as the peak voltage of the tone."""
    volts = 10.0 ** (level_db / 20.0)
    return f"{volts:.2f} V" if volts >= 1.0 else f"{1000 * volts:.0f} mV"
