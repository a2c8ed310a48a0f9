"""Why a machine does not load: the smallest change that makes it load, tried out on the spot where it failed.

Nothing is looked up. The sound up to the first wrong symbol is played again, louder, quieter, duller,
brighter, upside down, without hum, at another speed, with the lead's parts in place; what helps soonest is
the reason.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import signal

from tapewright.machine.eye import Eye
from tapewright.machine.played import Played, dulled
from tapewright.machine.simulate import RATE_HZ, Edges, edges, edges_at

__all__ = ["Evidence", "Reason", "Setting", "why"]

FloatArray = npt.NDArray[np.float64]

#: Changes tried, in dB, as factors of the tone's corner, and as shares of the speed.
STEPS_DB = np.array([0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0, 13.0, 16.0, 20.0, 25.0, 30.0, 40.0])
DULLER_HZ = np.geomspace(12_000.0, 600.0, 14)
SPEEDS = (0.01, 0.02, 0.03, 0.05, 0.08)
#: What a change weighs against one of 1 dB: the least is the reason.
OCTAVE_WEIGHT, TURN_WEIGHT, LEAD_WEIGHT, HUM_WEIGHT, SPEED_WEIGHT = 3.0, 1.5, 0.25, 3.0, 3.0
#: Below this there may be hum.
HUM_HZ = 150.0
#: So much sound after the first wrong symbol is played, and symbols shown around it.
AFTER_SECONDS, SHOWN_SYMBOLS = 0.2, 4
#: A level of the sound this far below its usual one is a dropout.
DROPOUT_DB = 6.0


@dataclass(frozen=True)
class Setting:
    """How the recording is played.

    Parameters
    ----------
    level_db : float
        Amplitude of its tone at the ear socket, nothing connected, in dB over 1 V peak.
    corner_hz : float
        Corner of the tone control's low-pass; infinite for none.
    """

    level_db: float
    corner_hz: float = math.inf

    @property
    def volts(self) -> float:
        """Peak voltage of the tone."""
        return float(10.0 ** (self.level_db / 20.0))


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
        "too quiet", "too loud", "too bright", "too dull", "upside down", "hum", "too fast", "too slow",
        "part missing", "dropout" or "unknown".
    sentence : str
        With what to do.
    seconds : float
        In the recording, where the first symbol is read wrongly.
    symbol : int
        Number of that symbol, counted from the beginning of its stretch.
    amount : float or None
        In dB, Hz or per cent, as the kind has it.
    evidence : Evidence
    """

    kind: str
    sentence: str
    seconds: float
    symbol: int
    amount: float | None
    evidence: Evidence


@dataclass(frozen=True, eq=False)
class _Remedy:
    kind: str
    weight: float
    amount: float | None
    heard: Edges


def why(parts: list[Played], eye: Eye, setting: Setting) -> Reason | None:
    """Say why a recording does not load; None if it does.

    Parameters
    ----------
    parts : list of Played
    eye : Eye
    setting : Setting
    """
    for part in parts:
        sound = dulled(part.sound, setting.corner_hz)
        heard = edges(np.float32(setting.volts) * sound, eye.port)
        wrong = eye.reader.first_wrong(heard, part.symbol)
        if wrong is None:
            continue
        number = min(wrong.index, len(part.symbol) - 1)
        until = min(part.seconds, float(part.end_seconds[number]) + AFTER_SECONDS)
        short = part.part(0.0, until)
        found = min(_remedies(short, eye, setting), key=lambda remedy: remedy.weight, default=None)
        drop = _drop_db(part, number)
        kind = found.kind if found else "unknown"
        if drop > DROPOUT_DB and kind in ("too quiet", "unknown"):
            kind = "dropout"
        amount = drop if kind == "dropout" else found.amount if found else None
        at = part.since_seconds + float(part.start_seconds[number])
        evidence = _evidence(part, sound, heard, found.heard if found else None, number, setting)
        return Reason(kind, _sentence(kind, amount, at, evidence, setting), at, number, amount, evidence)
    return None


def _remedies(part: Played, eye: Eye, setting: Setting) -> Iterator[_Remedy]:
    """Try changes of each sort, and yield the least of the sort that helps."""
    port = eye.port
    plain = dulled(part.sound, setting.corner_hz)

    def helps(heard: Edges) -> bool:
        return eye.reader.first_wrong(heard, part.symbol) is None

    for kind, sign in (("too quiet", 1.0), ("too loud", -1.0)):
        gains = setting.volts * 10.0 ** (sign * STEPS_DB / 20.0)
        for step, heard in zip(STEPS_DB, edges_at(plain, port, gains), strict=True):
            if helps(heard):
                yield _Remedy(kind, float(step), float(step), heard)
                break
    for corner in DULLER_HZ[min(setting.corner_hz, 20_000.0) > DULLER_HZ]:
        heard = edges(np.float32(setting.volts) * dulled(part.sound, float(corner)), port)
        if helps(heard):
            octaves = math.log2(min(setting.corner_hz, 16_000.0) / corner)
            yield _Remedy("too bright", OCTAVE_WEIGHT * max(octaves, 0.1), float(corner), heard)
            break
    if math.isfinite(setting.corner_hz):
        for factor in (1.25, 1.5, 2.0, 3.0, math.inf):
            heard = edges(np.float32(setting.volts) * dulled(part.sound, factor * setting.corner_hz), port)
            if helps(heard):
                weight = OCTAVE_WEIGHT * math.log2(min(factor, 4.0))
                yield _Remedy("too dull", weight, factor * setting.corner_hz, heard)
                break
    volume = np.float32(setting.volts)
    single: list[tuple[str, float, float | None, Callable[[], Edges]]] = [
        ("upside down", TURN_WEIGHT, None, lambda: edges(-volume * plain, port)),
        ("hum", HUM_WEIGHT, None, lambda: edges(volume * _without_hum(plain), port)),
    ]
    if not eye.has_lead_parts:
        whole = replace(eye, has_lead_parts=True).port
        single.append(("part missing", LEAD_WEIGHT, None, lambda: edges(volume * plain, whole)))
    for kind, weight, amount, play in single:
        heard = play()
        if helps(heard):
            yield _Remedy(kind, weight, amount, heard)
    for kind, sign in (("too fast", 1.0), ("too slow", -1.0)):
        for share in SPEEDS:
            heard = edges(volume * _stretched(plain, 1.0 + sign * share), port)
            if helps(heard):
                yield _Remedy(kind, SPEED_WEIGHT * 100 * share, 100 * share, heard)
                break


def _without_hum(sound: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    sections = signal.butter(2, HUM_HZ, "highpass", fs=RATE_HZ, output="sos")
    return np.asarray(signal.sosfilt(sections, sound), np.float32)


def _stretched(sound: npt.NDArray[np.float32], factor: float) -> npt.NDArray[np.float32]:
    """Play it slower by a factor."""
    place = np.arange(round(len(sound) * factor)) / factor
    return np.asarray(np.interp(place, np.arange(len(sound)), sound), np.float32)


def _drop_db(part: Played, number: int) -> float:
    """How far the sound around a symbol is below its usual level."""
    power = np.add.reduceat(
        part.sound.astype(np.float64) ** 2, np.round(part.start_seconds * RATE_HZ).astype(int)
    ) / np.maximum(np.diff(np.append(part.start_seconds, part.end_seconds[-1])) * RATE_HZ, 1.0)
    usual = float(np.median(power))
    low = float(power[max(0, number - 1) : number + 2].min())
    return 10.0 * math.log10(max(usual, 1e-20) / max(low, 1e-20))


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


def _sentence(kind: str, amount: float | None, at: float, evidence: Evidence, setting: Setting) -> str:
    place = f"At {at:.3f} s"
    seen = len(evidence.edges)
    if evidence.due is None:
        counted = f"the input bit changes {seen} times around it"
    else:
        counted = f"the input bit changes {seen} times around it, and should {evidence.due} times"
    value = amount or 0.0
    told = {
        "too quiet": f"too quiet: {value:g} dB louder, and it loads past this place",
        "too loud": f"too loud: {value:g} dB quieter, and it loads past this place",
        "too bright": f"too bright: with the tone turned down to {value:.0f} Hz it loads past this place",
        "too dull": "too dull: with the tone turned up it loads past this place",
        "upside down": "upside down: swap the two wires, or use the recorder's or the file's other polarity",
        "hum": "hum: without it, it loads past this place; look for a ground loop, or run on batteries",
        "too fast": f"too fast: {value:g} % slower, and it loads past this place",
        "too slow": f"too slow: {value:g} % faster, and it loads past this place",
        "part missing": "the part that belongs in the lead is missing: with it, it loads past this place",
        "dropout": f"a dropout: the sound is {value:.0f} dB below its usual level there; clean the head, or"
        " use another copy",
        "unknown": "no single change of level, tone, polarity or speed helps: is it the right machine card?",
    }
    return f"{place} the machine goes wrong, {told[kind]} ({counted})."
