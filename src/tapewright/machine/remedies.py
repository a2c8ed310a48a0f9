"""What could make a machine load, each tried out on the sound itself."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import signal

from tapewright.machine.eye import Eye
from tapewright.machine.played import Played, dulled
from tapewright.machine.simulate import RATE_HZ, Edges, edges_at
from tapewright.machine.steady import evened, hum_level, level_off_db, speed_off, steadied, without_hum

__all__ = ["Change", "Remedy", "Setting", "best_remedy", "heard_with"]

FloatArray = npt.NDArray[np.float64]
Sound = npt.NDArray[np.float32]

#: Changes tried: of the level in dB, of the tone's corner, of a treble lift's, and of the speed.
STEPS_DB = (0.5, 1.0, 1.5, 2.0, 2.5, *(float(step) for step in range(3, 61)))
#: No ear socket gives more than this, in dB over 1 V peak (common practice: a few volts).
MOST_LEVEL_DB = 15.0
DULLER_HZ = tuple(float(hertz) for hertz in np.geomspace(12_000.0, 600.0, 14))
BRIGHTER = (1.25, 1.5, 2.0, 3.0, math.inf)
LIFTS_HZ = (4000.0, 2800.0, 2000.0, 1400.0, 1000.0, 700.0)
SPEEDS = (0.01, 0.02, 0.03, 0.04, 0.06, 0.08, 0.10, 0.12)
#: A treble lift ends this far above where it begins.
LIFT_RATIO = 8.0
#: What a change weighs against one of 1 dB (chosen): the least that helps is the reason. What is measured to
#: be wrong with the sound weighs almost nothing. Upside down weighs much: near the edge of a window the other
#: polarity may help by accident; and so does a lift of the treble, as that something is missing is a guess.
OCTAVE, LIFTED, LIFT, TURN, SPEED, MEASURED, LEAD = 3.0, 10.0, 1.0, 9.0, 3.0, 0.3, 0.25
#: Added where it helps at the place only, but not all the way; and where it takes two changes, which are not
#: tried while one of less than the third figure helps.
NOT_ALL, TWO, TWO_FROM = 10.0, 4.0, 8.0
#: And they have to weigh less than this share of what one change does.
TWO_SHARE = 0.6
#: Added where it helps to turn the tone down, though the bit does not change more often than it should within
#: so many symbols of the place.
NO_EXTRA, NEAR_SYMBOLS = 2.0, 4
#: Measured: hum from this share of the tone on, speed off by this share, level off by so many dB.
LEAST_HUM, LEAST_SPEED, LEAST_DB = 0.05, 0.007, 1.0
#: Two changes at once are tried on so many seconds of sound at most.
TWO_SECONDS = 20.0
#: Pairs of changes of one sort that are tried on all of it.
MOST_PAIRS = 12


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


@dataclass(frozen=True)
class Change:
    """How a sound is played otherwise than it was.

    Parameters
    ----------
    kind : str
        What is wrong if this helps; empty for no change.
    weight : float
    amount : float or None
        In dB, Hz or per cent, as the kind has it.
    level_db : float
        Louder by so much.
    corner_hz : float or None
        Of the tone control, instead of the setting's.
    lift_hz : float or None
        Corner from which the treble is lifted.
    slower : float
        Played slower by this factor.
    is_turned, is_without_hum, is_steadied, is_evened, has_lead_parts : bool
    """

    kind: str = ""
    weight: float = 0.0
    amount: float | None = None
    level_db: float = 0.0
    corner_hz: float | None = None
    lift_hz: float | None = None
    slower: float = 1.0
    is_turned: bool = False
    is_without_hum: bool = False
    is_steadied: bool = False
    is_evened: bool = False
    has_lead_parts: bool = False


@dataclass(frozen=True, eq=False)
class Remedy:
    """Changes that make it load.

    Parameters
    ----------
    changes : tuple of Change
        One or two.
    is_whole : bool
        Whether all of the recording loads with them, not only the place where it had failed.
    """

    changes: tuple[Change, ...]
    is_whole: bool

    @property
    def weight(self) -> float:
        """The least one is the reason."""
        more = TWO * (len(self.changes) - 1) + (0.0 if self.is_whole else NOT_ALL)
        return sum(change.weight for change in self.changes) + more


def heard_with(part: Played, eye: Eye, setting: Setting, changes: Sequence[Change]) -> Edges:
    """Changes of the input bit when the sound is played so."""
    level = sum(change.level_db for change in changes)
    return _heard(part, eye, setting, changes, np.array([level]))[0]


def best_remedy(
    parts: list[Played], wrong: tuple[int, int], short: Played, eye: Eye, setting: Setting
) -> Remedy | None:
    """Find the least change that makes a machine load; None if nothing that is tried does.

    Parameters
    ----------
    parts : list of Played
        All of the recording.
    wrong : tuple of int
        Number of the part with the first wrong symbol, and of that symbol in it.
    short : Played
        That part up to a little after the symbol.
    eye : Eye
    setting : Setting
    """
    others = _others(parts[wrong[0]], wrong[1], eye, setting)
    found = list(_single([*_levels(setting), *others], short, parts, eye, setting))
    least = min((remedy.weight for remedy in found), default=math.inf)
    if least > TWO_FROM and short.seconds <= TWO_SECONDS:
        two = _double(others, short, parts, eye, setting)
        found += [remedy for remedy in two if remedy.weight < TWO_SHARE * least]
    part, number = parts[wrong[0]], wrong[1]
    low = part.start_seconds[max(0, number - NEAR_SYMBOLS)]
    high = part.end_seconds[min(len(part.symbol) - 1, number + NEAR_SYMBOLS)]

    def count(changes: Sequence[Change]) -> int:
        seconds = heard_with(short, eye, setting, changes).seconds
        return int(np.count_nonzero((seconds >= low) & (seconds < high)))

    now = count(())

    def weight(remedy: Remedy) -> float:
        is_dulled = any(change.kind == "too bright" for change in remedy.changes)
        if is_dulled and count(remedy.changes) >= now:
            return remedy.weight + NO_EXTRA
        return remedy.weight

    return min(found, key=weight, default=None)


def _single(
    groups: list[list[Change]], short: Played, parts: list[Played], eye: Eye, setting: Setting
) -> Iterator[Remedy]:
    """Of each sort, the least that makes all load; else the least that helps at the place."""
    for group in groups:
        if group and group[0].level_db:
            helping = _louder([short], eye, setting, group)
            whole = next(iter(_louder(parts, eye, setting, helping)), None)
        else:
            helping = [change for change in group if _loads([short], eye, setting, (change,))]
            whole = next((change for change in helping if _loads(parts, eye, setting, (change,))), None)
        if whole is not None:
            yield Remedy((whole,), True)
        if helping and whole is not helping[0]:
            yield Remedy((helping[0],), False)


def _double(
    groups: list[list[Change]], short: Played, parts: list[Played], eye: Eye, setting: Setting
) -> Iterator[Remedy]:
    """Each other change together with one of the level: of each sort the least."""
    levels = [change for group in _levels(setting) for change in group]
    steps = np.array([change.level_db for change in levels])
    for group in groups:
        pairs = []
        for change in group:
            heard = _heard(short, eye, setting, (change,), steps)
            pairs += [
                (change, level)
                for level, seen in zip(levels, heard, strict=True)
                if eye.reader.first_wrong(seen, short.symbol) is None
            ]
        pairs.sort(key=lambda pair: pair[0].weight + pair[1].weight)
        whole = next((pair for pair in pairs[:MOST_PAIRS] if _loads(parts, eye, setting, pair)), None)
        if pairs:
            yield Remedy(whole or pairs[0], whole is not None)


def _levels(setting: Setting) -> list[list[Change]]:
    return [
        [
            Change(kind, step, step, level_db=sign * step)
            for step in STEPS_DB
            if setting.level_db + sign * step <= MOST_LEVEL_DB
        ]
        for kind, sign in (("too quiet", 1.0), ("too loud", -1.0))
    ]


def _others(part: Played, number: int, eye: Eye, setting: Setting) -> list[list[Change]]:
    """Changes of each sort that make sense here, the least of the sort first."""
    now = min(setting.corner_hz, 16_000.0)
    groups = [
        [
            Change("too bright", OCTAVE * max(math.log2(now / corner), 0.1), corner, corner_hz=corner)
            for corner in DULLER_HZ
            if corner < now
        ],
        [Change("too dull", LIFTED + LIFT * k, corner, lift_hz=corner) for k, corner in enumerate(LIFTS_HZ)],
        [Change("upside down", TURN, is_turned=True)],
    ]
    if math.isfinite(setting.corner_hz):
        groups.append(
            [
                Change("too dull", OCTAVE * math.log2(min(factor, 4.0)), corner, corner_hz=corner)
                for factor in BRIGHTER
                for corner in (factor * setting.corner_hz,)
            ]
        )
    if not eye.has_lead_parts:
        groups.append([Change("part missing", LEAD, has_lead_parts=True)])
    hum = hum_level(part)
    if hum >= LEAST_HUM:
        groups.append([Change("hum", MEASURED, 20.0 * math.log10(hum), is_without_hum=True)])
    off_db = level_off_db(part, number)
    if abs(off_db) >= LEAST_DB:
        groups.append([Change("level not steady", MEASURED, off_db, is_steadied=True)])
    fast, here = speed_off(part, number)
    if abs(fast) >= LEAST_SPEED:
        kind = "too fast" if fast > 0 else "too slow"
        groups.append([Change(kind, MEASURED, 100 * fast, slower=1.0 + fast)])
    if abs(here) >= LEAST_SPEED:
        groups.append([Change("flutter", MEASURED, 100 * here, is_evened=True)])
    for kind, sign in (("too fast", 1.0), ("too slow", -1.0)):
        # a guess, but where the speed is known to be right
        if part.speed is None or sign * fast >= LEAST_SPEED:
            shares = [(share, 1.0 + sign * share) for share in SPEEDS]
            groups.append(
                [
                    Change(kind, SPEED * 100 * share, 100 * sign * share, slower=slower)
                    for share, slower in shares
                ]
            )
    return groups


def _loads(parts: list[Played], eye: Eye, setting: Setting, changes: tuple[Change, ...]) -> bool:
    return all(
        eye.reader.first_wrong(heard_with(part, eye, setting, changes), part.symbol) is None for part in parts
    )


def _louder(parts: list[Played], eye: Eye, setting: Setting, group: list[Change]) -> list[Change]:
    """Changes of the level that make all parts load."""
    for part in parts:
        if group:
            heard = _heard(part, eye, setting, (), np.array([change.level_db for change in group]))
            pairs = zip(group, heard, strict=True)
            group = [change for change, seen in pairs if eye.reader.first_wrong(seen, part.symbol) is None]
    return group


def _heard(
    part: Played, eye: Eye, setting: Setting, changes: Sequence[Change], levels_db: FloatArray
) -> list[Edges]:
    """Play with all of the changes but that of the level, at several levels."""
    corner, sound, sign = setting.corner_hz, part.sound, 1.0
    for change in changes:
        if change.is_steadied:
            sound = steadied(part)
        if change.is_without_hum:
            sound = without_hum(sound)
        if change.lift_hz is not None:
            sound = _lifted(sound, change.lift_hz)
        if change.corner_hz is not None:
            corner = change.corner_hz
        if change.has_lead_parts:
            eye = replace(eye, has_lead_parts=True)
        sign = -sign if change.is_turned else sign
    sound = dulled(sound, corner)
    for change in changes:
        if change.is_evened:
            sound = evened(part, sound)
        if change.slower != 1.0:
            sound = _stretched(sound, change.slower)
    return edges_at(sound, eye.port, sign * setting.volts * 10.0 ** (levels_db / 20.0))


def _stretched(sound: Sound, factor: float) -> Sound:
    """Play it slower by a factor."""
    place = np.arange(round(len(sound) * factor)) / factor
    return np.asarray(np.interp(place, np.arange(len(sound)), sound), np.float32)


def _lifted(sound: Sound, corner_hz: float) -> Sound:
    """Lift the treble by 6 dB an octave from a corner on, undoing a first-order loss there.

    The power stays the same: else it would be nothing but louder.
    """
    zero, pole = 2.0 * math.pi * corner_hz, 2.0 * math.pi * corner_hz * LIFT_RATIO
    numerator, denominator = signal.bilinear([1.0 / zero, 1.0], [1.0 / pole, 1.0], fs=RATE_HZ)
    lifted = signal.lfilter(numerator, denominator, sound)
    powers = float(np.mean(np.square(sound))), float(np.mean(np.square(lifted)))
    return np.asarray(lifted * math.sqrt(powers[0] / max(powers[1], 1e-20)), np.float32)
