"""Will the machine load it, at which level and tone, and if not, why not?"""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from tapewright import audio
from tapewright.cards import FormatCard, MachineCard, load_format, load_machine
from tapewright.cards.load import load_rig
from tapewright.cards.rig import RigCard
from tapewright.chain.read import AudioLike, read
from tapewright.chain.write import synthesize
from tapewright.image import is_program_file
from tapewright.machine.dial import Dial, eye_dial, tone_dial
from tapewright.machine.dial_words import DialWindow
from tapewright.machine.eye import RECORDER_OHMS, Eye
from tapewright.machine.played import Played, played
from tapewright.machine.reasons import Reason, Setting, volts_text, why
from tapewright.machine.simulate import RATE_HZ
from tapewright.machine.whatif import Tolerance, changed, tolerance
from tapewright.machine.window import CORNERS_HZ, LEVELS_DB, Island, WindowMap, islands_at, maps
from tapewright.model import AudioSource, Image, Reading, SignalError, UsageError
from tapewright.model.reading import open_ended, unvouched
from tapewright.model.words import byte_count

__all__ = ["Window", "window"]

#: The map is of so much of a recording at most: parts, and seconds of each.
MAP_PARTS, MAP_SECONDS = 2, 10.0
#: Levels and tones that can be asked about.
LEAST_DB, MOST_DB, LEAST_HZ = -80.0, 30.0, 100.0
#: So much wider has a window at another tone to be, to be told.
MUCH_WIDER_DB = 1.5
#: Level steps of a tolerance run.
FINE_LEVELS_DB = np.arange(LEVELS_DB[0], LEVELS_DB[-1], 0.5)


@dataclass(frozen=True, eq=False)
class Window:
    """Whether and where a machine loads a program.

    Parameters
    ----------
    machine, format : str
    map : WindowMap
    corner_hz : float
        The tone asked about, or the one with the widest window where none was; infinite for no tone control.
    islands : list of Island
        Windows at that tone, to a tenth of a dB.
    best : Setting or None
        The middle of the widest of them; None where there is an obstacle.
    setting : Setting or None
        The level and tone asked about.
    loads : bool
        Whether it loads there; where nothing was asked about, whether it loads anywhere.
    reason : Reason or None
        Why it does not load there.
    tolerance : Tolerance or None
    is_map_of_part : bool
        Whether the map is of the beginning of the recording only.
    changes : mapping of str to float
        Parts that were taken to be other than the card says.
    has_lead_parts : bool
    marks : DialWindow or None
        The widest window in marks of the recorder's volume dial, where a rig was given.
    obstacle : str or None
        What on the recording itself makes the machine refuse it at any level and tone. Then it loads nowhere,
        and `islands` and `map` are of what the machine's input hears.
    doubt : str or None
        What may be missing of the program on the recording, in a sentence.
    """

    machine: str
    format: str
    map: WindowMap
    corner_hz: float
    islands: list[Island]
    best: Setting | None
    setting: Setting | None
    loads: bool
    reason: Reason | None
    tolerance: Tolerance | None
    is_map_of_part: bool
    changes: Mapping[str, float] = field(default_factory=dict)
    has_lead_parts: bool = True
    marks: DialWindow | None = None
    obstacle: str | None = None
    doubt: str | None = None

    @property
    def sentence(self) -> str:
        """The verdict in one line."""
        return self._verdict if self.doubt is None else f"{self._verdict} {self.doubt}"

    @property
    def _verdict(self) -> str:
        if self.obstacle is not None:
            return f"It would hardly load at any level, since {self.obstacle}; record the program again."
        if self.setting is None:
            return self.where
        at = volts_text(self.setting.level_db)
        if not self.loads and self.reason is not None:
            return f"It does not load at {at}. {self.reason.sentence}"
        return f"It loads at {at}. {self.where}"

    @property
    def where(self) -> str:
        """Where it loads, in one line."""
        tone = "" if not math.isfinite(self.corner_hz) else f" with the tone at {self.corner_hz:.0f} Hz"
        if not self.islands or self.best is None:
            return f"There is no level at which it loads{tone}.{self._elsewhere(0.0)}"
        widest = max(self.islands, key=lambda island: island.width_db)
        more = " or more" if widest.high_db >= LEVELS_DB[-1] else ""
        marks = "" if self.marks is None else f" On the dial: {self.marks.words}."
        at = f"from {volts_text(widest.low_db)} to {volts_text(widest.high_db)}{more} of tone peak"
        return (
            f"The window{tone} is {widest.width_db:.1f} dB wide, {at}; set {volts_text(self.best.level_db)}."
            f"{marks}{self._elsewhere(widest.width_db)}"
        )

    def _elsewhere(self, width_db: float) -> str:
        """At which other tone the window is a good deal wider."""
        found = self.map.widest()
        if found is None or found[1].width_db < width_db + MUCH_WIDER_DB:
            return ""
        hertz = float(self.map.corners_hz[found[0]])
        if hertz == self.corner_hz:  # the map is of the beginning, the windows of all of it
            return "" if self.islands else " Its beginning would load; what comes later does not."
        if not math.isfinite(hertz):
            return " With the tone open it would be wider."
        turned = "down" if hertz < self.corner_hz else "up"
        return (
            f" With the tone {turned}, at {hertz:.0f} Hz, it would be about {found[1].width_db:.0f} dB wide."
        )


def window(
    sound: AudioLike | Image,
    machine: str | Path | MachineCard,
    *,
    format: str | Path | FormatCard | None = None,
    start: int | None = None,
    level_db: float | None = None,
    corner_hz: float | None = None,
    rig: str | Path | RigCard | None = None,
    mark: float | None = None,
    tone_mark: float | None = None,
    recorder_ohms: float | None = None,
    has_lead_parts: bool = True,
    parts: Mapping[str, float] | None = None,
    with_tolerance: bool = False,
    on_map: Callable[[WindowMap], None] | None = None,
) -> Window:
    """Simulate loading a recording, or a program played directly, over all levels and tones.

    Parameters
    ----------
    sound : path, Recording or Image
        A recording, or a program (also as a path): then the sound is what the machine itself would send.
    machine : str, path or MachineCard
    format : str, path or FormatCard, optional
        Other than the machine's own.
    start : int, optional
        Address of a program's first byte, where it does not say.
    level_db : float, optional
        The playback level asked about: peak of the tone at the ear socket, nothing connected, in dB over 1 V.
    corner_hz : float, optional
        The tone setting asked about: corner of the recorder's low-pass. Without it, the one with the widest
        window.
    rig : str, path or RigCard, optional
        The owner's recorder. Its volume dial as it stands today is asked about, and the window told in marks.
    mark, tone_mark : float, optional
        Marks of the rig's dials to ask about, other than today's.
    recorder_ohms : float, optional
        Resistance of the ear socket, if not the rig's.
    has_lead_parts : bool
        Whether the parts that belong in the lead are there.
    parts : mapping of str to float, optional
        Parts of the input stage that are not as the card says: what each is multiplied by.
    with_tolerance : bool
        Whether to build many machines with parts within their tolerances.
    on_map : callable, optional
        Called with each picture of the map, from a first rough one on.

    Returns
    -------
    Window

    Raises
    ------
    TapewrightError
        One sentence that says what to change.
    """
    machine_card = load_machine(machine)
    card = load_format(format if format is not None else machine_card.format)
    owner = _Owner.of(rig, mark, tone_mark)
    if owner is not None:
        level_db = owner.level_db if level_db is None else level_db
        corner_hz = owner.corner_hz if corner_hz is None else corner_hz
        recorder_ohms = owner.ohms if recorder_ohms is None else recorder_ohms
    _check_setting(level_db, corner_hz)
    eye = Eye.of(machine_card, card, RECORDER_OHMS if recorder_ohms is None else recorder_ohms)
    eye = replace(eye, has_lead_parts=has_lead_parts)
    if parts:
        eye = changed(eye, parts)
    source = _recording(sound, machine_card, card, start)
    reading = _program_read(source, card)
    obstacle = _obstacle(reading)
    whole = _played(source, reading)
    short = [part.part(0.0, MAP_SECONDS) for part in whole[:MAP_PARTS]]
    port = eye.port
    for picture in maps(short, port, eye.reader, LEVELS_DB, CORNERS_HZ):
        if on_map is not None:
            on_map(picture)
    corner = corner_hz if corner_hz is not None else _best_corner(picture, short, eye)
    islands = islands_at(whole, port, eye.reader, corner)
    best, marks = None, None
    if islands and obstacle is None:
        most = max(islands, key=lambda island: island.width_db)
        best = Setting(0.5 * (most.low_db + most.high_db), corner)
        marks = owner.dial.window(most.low_db, most.high_db) if owner is not None else None
    setting = Setting(level_db, corner) if level_db is not None else None
    reason = why(whole, eye, setting) if setting is not None else None
    return Window(
        machine_card.name,
        card.name,
        picture,
        corner,
        islands,
        best,
        setting,
        obstacle is None and (bool(islands) if setting is None else reason is None),
        reason,
        tolerance(short, eye, corner, FINE_LEVELS_DB) if with_tolerance else None,
        sum(part.seconds for part in short) < 0.99 * sum(part.seconds for part in whole),
        dict(parts or {}),
        has_lead_parts,
        marks,
        obstacle,
        _doubt(reading),
    )


def _check_setting(level_db: float | None, corner_hz: float | None) -> None:
    if level_db is not None and not LEAST_DB <= level_db <= MOST_DB:
        raise UsageError(
            f"{level_db:g} dB is no playback level; give one between {LEAST_DB:g} and {MOST_DB:g} dB over 1 V"
        )
    if corner_hz is not None and not corner_hz >= LEAST_HZ:
        raise UsageError(f"{corner_hz:g} Hz is no tone setting; give a corner of {LEAST_HZ:g} Hz or more")


def _best_corner(picture: WindowMap, parts: list[Played], eye: Eye) -> float:
    """Give the tone with the widest window, even one that slips between two levels of the map."""
    widest = picture.widest()
    if widest is not None:
        return float(picture.corners_hz[widest[0]])
    for corner in reversed(picture.corners_hz.tolist()):
        if islands_at(parts, eye.port, eye.reader, corner, picture.levels_db):
            return float(corner)
    return math.inf


@dataclass(frozen=True)
class _Owner:
    """What a rig card says of the recorder, and where its dials are."""

    dial: Dial
    level_db: float | None
    corner_hz: float | None
    ohms: float | None

    @classmethod
    def of(
        cls, rig: str | Path | RigCard | None, mark: float | None, tone_mark: float | None
    ) -> _Owner | None:
        if rig is None:
            if mark is not None or tone_mark is not None:
                raise UsageError("marks belong to a recorder's dials; name the rig card that has them")
            return None
        card = load_rig(rig)
        dial, tone = eye_dial(card), tone_dial(card)
        mark = card.volume.today if mark is None else mark
        _refuse_beyond(dial, "the volume dial", mark)
        if tone_mark is None and card.tone is not None:
            tone_mark = card.tone.today
        if tone_mark is not None and tone is None:
            raise UsageError(f"the rig '{card.name}' has no tone dial, so there is no tone mark")
        if tone is not None:
            _refuse_beyond(tone, "the tone dial", tone_mark)
        return cls(
            dial,
            None if mark is None else dial.level_db(mark),
            None if tone is None or tone_mark is None else 10.0 ** (tone.level_db(tone_mark) / 20.0),
            None if card.ear is None else card.ear.source_ohms,
        )


def _refuse_beyond(dial: Dial, name: str, mark: float | None) -> None:
    if mark is not None and dial.ends is not None and not dial.ends[0] <= mark <= dial.ends[1]:
        raise UsageError(
            f"there is no mark {mark:g} on {name}; give one from {dial.ends[0]:g} to {dial.ends[1]:g}"
        )


def _recording(
    sound: AudioLike | Image, machine: MachineCard, card: FormatCard, start: int | None
) -> AudioSource:
    if isinstance(sound, Image) or (isinstance(sound, (str, os.PathLike)) and is_program_file(sound)):
        stage = machine if machine.output is not None else None
        return synthesize(sound, format=card, machine=stage, start=start, rate_hz=RATE_HZ)
    if start is not None:
        raise UsageError("a start address goes with a program, and a recording has its own; leave it out")
    if isinstance(sound, (str, os.PathLike)):
        return audio.open_audio(sound)
    if isinstance(sound, np.ndarray):
        raise UsageError("an array has no sample rate; give a Recording")
    return sound


def _program_read(source: AudioSource, card: FormatCard) -> Reading:
    reading = read(source, format=card)
    if not reading.blocks:  # sound of another format has symbols of this one in it, and no program to load
        why = reading.faults[0].text if reading.faults else "no block was found"
        raise SignalError(f"no program of format {card.name} to load: {why}; see tapewright read --explain")
    return reading


def _obstacle(reading: Reading) -> str | None:
    """Say what is wrong with the program on the recording, whoever listens to it.

    The machine is taken to load what makes the same symbols of the sound as the reading did. If a check fails
    among those, it fails for the machine too.
    """
    for block in unvouched(reading.blocks):
        at = f"the {block.kind} block at {block.span.start_seconds:.1f} s"
        if not block.complete:
            return f"a part of {at} is missing on the recording itself"
        if block.check == "bad":
            return f"the check of {at} fails on the recording itself"
        unheard = int(np.count_nonzero(block.byte_confidence <= 0))
        if unheard:
            return f"{byte_count(unheard)} of {at} cannot be heard on the recording itself"
    return None


def _doubt(reading: Reading) -> str | None:
    for block in open_ended(reading.blocks):
        return (
            f"Bytes may be missing from the {block.kind} block at {block.span.start_seconds:.1f} s, as its"
            " leader or its end was not heard: this is about the rest."
        )
    return None


def _played(source: AudioSource, reading: Reading) -> list[Played]:
    channel = reading.source.channel
    chunks = [
        chunk.mean(axis=1) if channel == "average" else chunk[:, int(channel)] for chunk in source.chunks(5.0)
    ]
    samples = np.concatenate(chunks) if chunks else np.zeros(0, np.float32)
    return played(np.asarray(samples, np.float32), source.rate_hz, reading.symbols)
