"""The rig card: one owner's recorder, lead and sound card, with its dials as they were measured."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationError, model_validator

from tapewright.cards.base import CardName, CardPart, PartValue, Text, near_word
from tapewright.model import CardError

__all__ = [
    "MOST_MARK",
    "MOST_MILLIVOLTS",
    "EarSocket",
    "RigCard",
    "TonePoint",
    "ToneScale",
    "VolumePoint",
    "VolumeScale",
    "decibels",
    "dial_problem",
    "in_decibels",
    "in_hertz",
    "measured_rig",
    "rig_text",
]

#: Two measurements at one mark, or two meter readings, further apart than this are a mistake: chosen, about
#: twice what setting a dial by eye to a tenth of a mark costs on a dial of 50 dB in ten marks.
MOST_SPREAD_DB = 1.5

#: No dial has higher numbers; and no socket of a recorder gives more than 100 V.
MOST_MARK, MOST_MILLIVOLTS = 1000.0, 1e5

Mark = Annotated[float, Field(ge=-MOST_MARK, le=MOST_MARK, allow_inf_nan=False)]
Level = Annotated[float, Field(ge=-200, le=200, allow_inf_nan=False)]
Direction = Literal["up", "down"]


def decibels(ratio: float) -> float:
    """Turn a ratio of voltages into decibels: ``20 log10`` of it, by definition."""
    return 20.0 * math.log10(ratio)


def in_decibels(level_db: float) -> str:
    """Write a level."""
    return f"{level_db:.1f} dB"


def in_hertz(level_db: float) -> str:
    """Write a corner frequency that is kept as 20 log10 of its hertz."""
    return f"{10.0 ** (level_db / 20.0):.0f} Hz"


def dial_problem(
    marks: Sequence[float],
    levels_db: Sequence[float],
    direction: Direction | None = None,
    *,
    noun: str = "level",
    shown: Callable[[float], str] = in_decibels,
) -> str | None:
    """Say what makes measured points no dial, or nothing where they are one.

    A dial goes one way: whatever its mark, a higher one is louder (`direction` "up") or quieter ("down").
    Without a direction the outermost marks tell it.

    Parameters
    ----------
    marks, levels_db : sequence of float, as long as each other
        One measurement each, in any order; a mark may occur several times.
    direction : {"up", "down"}, optional
    noun, shown
        What the level is called, and how one is written.

    Returns
    -------
    str or None
        Part of a sentence: what is wrong and what to do.
    """
    if any(not math.isfinite(number) for number in (*marks, *levels_db)):
        return "a mark or level is not a finite number; leave that point out or measure it again"
    rows: dict[float, list[float]] = {}
    for mark, level in sorted(zip(marks, levels_db, strict=True)):
        rows.setdefault(mark, []).append(level)
    if len(rows) < 2:
        return f"{len(rows)} mark was measured; measure at two different marks at least"
    for mark, found in rows.items():
        if max(found) - min(found) > MOST_SPREAD_DB:
            return (
                f"at mark {mark:g} one {noun} is {shown(min(found))} and another {shown(max(found))}, more"
                f" than {MOST_SPREAD_DB:g} dB apart; measure that mark again"
            )
    means = [(mark, sum(found) / len(found)) for mark, found in rows.items()]
    rises = means[-1][1] > means[0][1] if direction is None else direction == "up"
    way = "up" if rises else "down"
    for (mark, level), (next_mark, next_level) in pairwise(means):
        if next_level == level:
            return (
                f"marks {mark:g} and {next_mark:g} have the same {noun}, {shown(level)}, as if the dial did"
                " nothing between them; measure them again, or leave one out"
            )
        if (next_level > level) != rises:
            expected = (
                f"the card says direction = '{direction}'"
                if direction
                else f"the rest of the dial goes {way}"
            )
            return (
                f"from mark {mark:g} to {next_mark:g} the {noun} goes from {shown(level)} to"
                f" {shown(next_level)}, though {expected}; measure those two marks again, or leave one out"
            )
    return None


class _RigPart(CardPart):
    """A table of a rig card, whose unknown keys are told with the keys of that table."""

    @model_validator(mode="before")
    @classmethod
    def _known_keys(cls, table: Any) -> Any:
        for word in table if isinstance(table, dict) else ():
            if word not in cls.model_fields:
                hint = near_word(word, cls.model_fields) or f"; known here are {', '.join(cls.model_fields)}"
                raise ValueError(f"there is no key '{str(word)[:60]}' here{hint}")
        return table


class EarSocket(_RigPart):
    """The socket the machine is fed from.

    Parameters
    ----------
    source_ohms : float
        Its own resistance.
    load_ohms : float, optional
        What hung on it while the meter was read; nothing if left out.
    """

    source_ohms: Annotated[PartValue, Field(ge=0, le=1e6)]
    load_ohms: Annotated[PartValue, Field(gt=0, le=1e9)] | None = None

    @property
    def unloaded_ratio(self) -> float:
        """Voltage without a load over the voltage with it: the divider of source and load."""
        return 1.0 if self.load_ohms is None else 1.0 + self.source_ohms / self.load_ohms


class VolumePoint(_RigPart):
    """One measurement of the volume dial, with the test tone playing.

    Parameters
    ----------
    mark : float
        Where the dial stood.
    level_db : float, optional
        Level of the tone, in dB over anything that stayed the same throughout: what the sound card heard.
    millivolts : float, optional
        A meter's reading, rms, at the ear socket. One of the two has to be there.
    """

    mark: Mark
    level_db: Level | None = None
    millivolts: Annotated[PartValue, Field(gt=0, le=MOST_MILLIVOLTS)] | None = None

    @model_validator(mode="after")
    def _measured(self) -> VolumePoint:
        if self.level_db is None and self.millivolts is None:
            raise ValueError("level_db: this key is missing; give it, or millivolts, or both")
        return self

    @property
    def volts_db(self) -> float | None:
        """The meter's reading in dB over 1 V rms."""
        return None if self.millivolts is None else decibels(self.millivolts / 1000.0)


class _Scale(_RigPart):
    """What both dials have.

    Parameters
    ----------
    today : float, optional
        The mark the dial stands at now.
    ends : [float, float], optional
        Lowest and highest mark it can be turned to.
    direction : {"up", "down"}, optional
        Whether it gets louder (brighter) or quieter (duller) as marks rise; the points tell, if left out.
    """

    today: Mark | None = None
    ends: Annotated[list[Mark], Field(min_length=2, max_length=2)] | None = None
    direction: Direction | None = None

    def _check_marks(self, marks: Sequence[float]) -> None:
        if self.ends is None:
            return
        low, high = self.ends
        if low >= high:
            raise ValueError("ends: the lower mark comes first, and the other is higher")
        for key, mark in [("points", mark) for mark in marks] + [("today", self.today)]:
            if mark is not None and not low <= mark <= high:
                raise ValueError(f"{key}: mark {mark:g} is not on a dial that ends at {low:g} and {high:g}")


class VolumeScale(_Scale):
    """The volume dial.

    Parameters
    ----------
    tone_hz : float
        Frequency of the test tone.
    tone_dbfs : float
        Its peak as it was written into the file, in dB below full scale. A program written louder comes out
        louder by the difference.
    points : list of VolumePoint
    """

    tone_hz: Annotated[PartValue, Field(ge=20, le=20_000)] = 1035.0
    tone_dbfs: Annotated[float, Field(ge=-80, le=0, allow_inf_nan=False)] = -12.0
    points: Annotated[list[VolumePoint], Field(min_length=2, max_length=200)]

    @model_validator(mode="after")
    def _one_curve(self) -> VolumeScale:
        marks = [point.mark for point in self.points]
        self._check_marks(marks)
        if self._reference_problem is not None:
            raise ValueError(f"points: {self._reference_problem}")
        problem = dial_problem(marks, self.levels_db, self.direction)
        if problem is not None:
            raise ValueError(f"points: {problem}")
        return self

    @property
    def _references_db(self) -> list[float]:
        """What to add to a level to have dB over 1 V rms, from each point that has both."""
        return [
            p.volts_db - p.level_db for p in self.points if p.volts_db is not None and p.level_db is not None
        ]

    @property
    def _reference_problem(self) -> str | None:
        found = self._references_db
        if found and max(found) - min(found) > MOST_SPREAD_DB:
            return (
                f"meter and levels disagree by {max(found) - min(found):.1f} dB from one point to another;"
                " read the meter again with the tone playing, or leave one of its readings out"
            )
        kinds = {point.level_db is None for point in self.points}
        if not found and len(kinds) == 2:
            return "some have level_db, others millivolts, and nothing ties the two together; give one both"
        return None

    @property
    def volts_at_zero_db(self) -> float | None:
        """Volts rms, as the meter would show, of a level of 0 dB; None without a reading."""
        found = self._references_db
        if found:
            return float(10.0 ** (sum(found) / len(found) / 20.0))
        return 1.0 if all(point.level_db is None for point in self.points) else None

    @property
    def levels_db(self) -> list[float]:
        """Level of each point, those with a meter reading alone brought to the scale of the others."""
        zero_db = decibels(self.volts_at_zero_db or 1.0)
        return [
            point.level_db if point.level_db is not None else (point.volts_db or 0.0) - zero_db
            for point in self.points
        ]


class TonePoint(_RigPart):
    """One measurement of the tone dial.

    Parameters
    ----------
    mark : float
    corner_hz : float, optional
        Where the response is 3 dB down.
    level_db, at_hz : float, optional
        Or how far down it is at one frequency, against low frequencies at the same mark. A first-order
        low-pass, ``1 / sqrt(1 + (f / corner)^2)``, is taken for granted.
    """

    mark: Mark
    corner_hz: Annotated[PartValue, Field(ge=20, le=200_000)] | None = None
    level_db: Annotated[float, Field(ge=-40, le=-0.1, allow_inf_nan=False)] | None = None
    at_hz: Annotated[PartValue, Field(ge=20, le=20_000)] | None = None

    @model_validator(mode="after")
    def _one_way(self) -> TonePoint:
        has_level = self.level_db is not None and self.at_hz is not None
        has_any = self.level_db is not None or self.at_hz is not None
        if (self.corner_hz is not None) == has_any or has_any != has_level:
            raise ValueError("give either corner_hz, or both level_db and at_hz")
        return self

    @property
    def corner(self) -> float:
        """Corner of the low-pass in hertz, whichever way it was given."""
        if self.level_db is None or self.at_hz is None:
            return self.corner_hz or 0.0
        return self.at_hz / math.sqrt(10.0 ** (-self.level_db / 10.0) - 1.0)


class ToneScale(_Scale):
    """The tone dial.

    Parameters
    ----------
    points : list of TonePoint
    """

    points: Annotated[list[TonePoint], Field(min_length=2, max_length=200)]

    @model_validator(mode="after")
    def _one_curve(self) -> ToneScale:
        marks = [point.mark for point in self.points]
        self._check_marks(marks)
        problem = dial_problem(
            marks,
            [decibels(point.corner) for point in self.points],
            self.direction,
            noun="corner",
            shown=in_hertz,
        )
        if problem is not None:
            raise ValueError(f"points: {problem}")
        return self


class RigCard(CardPart):
    """A whole rig card. Load one with :func:`tapewright.cards.load.load_rig`."""

    card: Literal["rig"]
    name: CardName
    title: Text
    recorder: Text = ""
    lead: Text = ""
    sound_card: Text = ""
    notes: Text = ""
    ear: EarSocket | None = None
    volume: VolumeScale
    tone: ToneScale | None = None


def measured_rig(
    name: str, tone_hz: float, tone_dbfs: float, points: Sequence[VolumePoint], source_ohms: float | None
) -> RigCard:
    """Make a card of what was measured.

    Raises
    ------
    CardError
        If that is no dial, or the name no card's.
    """
    try:
        return RigCard(
            card="rig",
            name=name,
            title=f"{name}, its volume dial measured",
            ear=None if source_ohms is None else EarSocket(source_ohms=source_ohms),
            volume=VolumeScale(tone_hz=tone_hz, tone_dbfs=tone_dbfs, points=list(points)),
        )
    except ValidationError as error:
        first = error.errors()[0]
        what = str(first["msg"]).removeprefix("Value error, ")
        where = ".".join(str(step) for step in first["loc"]) or "volume"
        raise CardError(f"no rig card can be made of this: {where}: {what}") from None


def rig_text(card: RigCard) -> str:
    """Write a rig card as TOML, which `load_rig` reads back as the same card."""
    written = card.model_dump(exclude_none=True, exclude_unset=True)
    tables = {key: value for key, value in written.items() if isinstance(value, dict)}
    lines = [f"{key} = {_toml(value)}" for key, value in written.items() if key not in tables]
    for key, table in tables.items():
        lines += ["", f"[{key}]", *(f"{name} = {_toml(value)}" for name, value in table.items())]
    return "\n".join(lines) + "\n"


def _toml(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_toml(inner)}" for key, inner in value.items()) + " }"
    if isinstance(value, list) and value and isinstance(value[0], dict):
        return "[\n" + "".join(f"  {_toml(inner)},\n" for inner in value) + "]"
    if isinstance(value, list):
        return "[" + ", ".join(map(_toml, value)) + "]"
    if isinstance(value, str):  # TOML's basic strings are those of JSON, but for one control character more
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    return repr(value)
