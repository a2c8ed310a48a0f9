"""A card's symbols compiled to what writer and receiver need: segments in seconds, and phase."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

from tapewright.cards.format import FormatCard
from tapewright.cards.symbols import HalfWaves, Levels, Piece, Tone

__all__ = ["Alphabet", "Segment", "SymbolShape"]

#: A level below this share of full is silence: a step of a stepped sine is more.
SILENT_LEVEL = 0.25


@dataclass(frozen=True)
class Segment:
    """A stretch of a symbol with one simple waveform.

    The waveform carries on a phase, counted in turns (cycles): a ``tone`` is ``sin(2 pi (phase + f t))``,
    a ``half`` is +1 where the phase lies in [0, 0.5) and -1 in [0.5, 1), a ``level`` is itself, ``silence``
    is 0.

    Parameters
    ----------
    kind : {"tone", "half", "level", "silence"}
    seconds : float
    hertz : float
        Of a tone; for a half-wave, the tone whose half-wave this is.
    level : float
        Of a level.
    """

    kind: str
    seconds: float
    hertz: float = 0.0
    level: float = 0.0


@dataclass(frozen=True)
class SymbolShape:
    """One symbol: its segments and how far it carries the phase.

    Parameters
    ----------
    name : str
    segments : tuple of Segment
    turns : float
        How much the phase advances from the beginning to the end, in turns, not reduced. A level leaves the
        phase so that a half-wave after it alternates.
    """

    name: str
    segments: tuple[Segment, ...]
    turns: float

    @cached_property
    def seconds(self) -> float:
        """Length at nominal speed."""
        return sum(segment.seconds for segment in self.segments)

    @cached_property
    def is_absolute(self) -> bool:
        """Whether it is made of levels, whose sign does not depend on what came before."""
        return any(segment.kind == "level" for segment in self.segments)


@dataclass(frozen=True)
class Alphabet:
    """All symbols of a card, in the card's order.

    Parameters
    ----------
    names : str
        Entry k is the name of symbol k.
    shapes : tuple of SymbolShape
    """

    names: str
    shapes: tuple[SymbolShape, ...]

    @classmethod
    def of(cls, card: FormatCard) -> Alphabet:
        """Compile the ``[symbols]`` of a card."""
        shapes = tuple(_shape(name, pieces) for name, pieces in card.symbols.items())
        return cls("".join(card.symbols), shapes)

    def indices(self, text: str) -> list[int]:
        """Symbol numbers of a text of symbol names."""
        return [self.names.index(name) for name in text]

    @cached_property
    def has_free_phase(self) -> bool:
        """Whether a symbol carries the phase by something other than whole half-turns."""
        return any(abs(2 * shape.turns - round(2 * shape.turns)) > 1e-9 for shape in self.shapes)

    @property
    def flips_sign(self) -> bool:
        """Whether some symbol carries the phase by an odd number of half-turns."""
        return not self.has_free_phase and any(round(2 * shape.turns) % 2 for shape in self.shapes)

    @property
    def equal_lengths(self) -> bool:
        """Whether 0 and 1 last equally long."""
        zero, one = (self.shapes[self.names.index(bit)].seconds for bit in "01")
        return abs(zero - one) < 1e-6 * max(zero, one)

    @cached_property
    def is_sparse(self) -> bool:
        """Whether symbols are silent in part, so that a level is told by the bursts in between."""
        return any(
            segment.kind == "silence" or (segment.kind == "level" and abs(segment.level) < SILENT_LEVEL)
            for shape in self.shapes
            for segment in shape.segments
        )

    @cached_property
    def highest_hertz(self) -> float:
        """The fastest tone or half-wave pair in it."""
        return max((s.hertz for shape in self.shapes for s in shape.segments), default=0.0)

    @cached_property
    def mean_bit_seconds(self) -> float:
        """Mean length of a 0 and a 1."""
        return sum(self.shapes[self.names.index(bit)].seconds for bit in "01") / 2


def _shape(name: str, pieces: list[Piece]) -> SymbolShape:
    segments: list[Segment] = []
    turns = 0.0
    for piece in pieces:
        new = list(_segments(piece))
        segments += new
        if isinstance(piece, Tone):
            turns += piece.turns
        elif isinstance(piece, HalfWaves):
            turns += 0.5 * len(new)
    return SymbolShape(name, tuple(segments), turns)


def _segments(piece: Piece) -> Iterator[Segment]:
    if isinstance(piece, Tone):
        yield Segment("tone", piece.seconds, hertz=piece.tone)
    elif isinstance(piece, HalfWaves):
        for us in piece.half_waves:
            yield Segment("half", us * 1e-6, hertz=0.5e6 / us)
    elif isinstance(piece, Levels):
        for level, us in piece.levels:
            yield Segment("level", us * 1e-6, hertz=0.5e6 / us, level=level)
    else:
        yield Segment("silence", piece.silence * 1e-6)
