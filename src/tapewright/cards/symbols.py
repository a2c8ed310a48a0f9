"""The ``[symbols]`` table of a format card: what one bit, leader or mark sounds like."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Discriminator, Field, Tag, model_validator

from tapewright.cards.base import CardPart

__all__ = ["HalfWaves", "Levels", "Piece", "Silence", "Tone"]

#: Limits: wide enough for any tape ever made, narrow enough that no card can hang or exhaust memory.
LONGEST_PIECE_US = 1_000_000.0
Microseconds = Annotated[float, Field(ge=10.0, le=LONGEST_PIECE_US)]
Hertz = Annotated[float, Field(ge=20.0, le=20_000.0)]


class Tone(CardPart):
    """A sine, for a number of cycles or for a time, going on from the phase before it.

    Written ``{ tone = 1200, cycles = 4 }`` or ``{ tone = 1270, us = 3333 }``.
    """

    tone: Hertz
    cycles: Annotated[float, Field(ge=0.5, le=1000, multiple_of=0.5)] | None = None
    us: Microseconds | None = None

    @model_validator(mode="after")
    def _one_length(self) -> Tone:
        if (self.cycles is None) == (self.us is None):
            raise ValueError("give a tone either 'cycles' (whole or half ones) or 'us', and not both")
        return self

    @property
    def seconds(self) -> float:
        """Length in seconds."""
        return self.cycles / self.tone if self.cycles is not None else (self.us or 0.0) * 1e-6

    @property
    def turns(self) -> float:
        """Cycles from beginning to end, whole or not."""
        return self.cycles if self.cycles is not None else self.tone * self.seconds


class HalfWaves(CardPart):
    """Half-waves of these lengths in microseconds; the sign alternates on from whatever came before.

    Written ``{ half_waves = [250, 500] }``.
    """

    half_waves: Annotated[list[Microseconds], Field(min_length=1, max_length=256)]


class Levels(CardPart):
    """Levels -1..1 held for a time in microseconds: absolute polarity, or several levels.

    Written ``{ levels = [[1.0, 500], [-1.0, 500]] }``.
    """

    levels: Annotated[
        list[
            Annotated[
                list[float],
                Field(min_length=2, max_length=2),
            ]
        ],
        Field(min_length=1, max_length=256),
    ]

    @model_validator(mode="after")
    def _in_range(self) -> Levels:
        for level, us in self.levels:
            if not -1.0 <= level <= 1.0:
                raise ValueError(f"level {level:g} is outside -1..1")
            if not 10.0 <= us <= LONGEST_PIECE_US:
                raise ValueError(f"a level is held for 10 to {LONGEST_PIECE_US:g} us, not {us:g}")
        return self


class Silence(CardPart):
    """Nothing, for a time in microseconds. Written ``{ silence = 2600 }``."""

    silence: Microseconds


PIECE_KINDS: dict[str, type[CardPart]] = {
    "tone": Tone, "half_waves": HalfWaves, "levels": Levels, "silence": Silence,
}  # fmt: skip
PIECE_KEYS = tuple(PIECE_KINDS)


def _piece_kind(value: Any) -> str | None:
    if isinstance(value, dict):
        return next((f"={key}" for key in PIECE_KINDS if key in value), None)
    return next((f"={key}" for key, kind in PIECE_KINDS.items() if isinstance(value, kind)), None)


# Tags begin with = so that nobody takes them for a key when an error says where it is.
Piece = Annotated[
    Annotated[Tone, Tag("=tone")]
    | Annotated[HalfWaves, Tag("=half_waves")]
    | Annotated[Levels, Tag("=levels")]
    | Annotated[Silence, Tag("=silence")],
    Discriminator(
        _piece_kind,
        custom_error_type="piece_kind",
        custom_error_message="a piece is one of { tone = ... }, { half_waves = ... }, { levels = ... },"
        " { silence = ... }",
    ),
]
