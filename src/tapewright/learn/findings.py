"""Everything that was found out about a format, together: what conclusions and advice are drawn from."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from tapewright.cards.symbols import Piece
from tapewright.learn.framing import Framing
from tapewright.learn.kinds import Kind
from tapewright.learn.known import Known
from tapewright.learn.line_code import LineCode
from tapewright.learn.rules import Rules

__all__ = ["Findings"]


@dataclass(frozen=True)
class Findings:
    """What was found out about a format.

    Parameters
    ----------
    code : LineCode
    symbols : dict of str to list of Piece
        As they stand in the card.
    framing : Framing
    framings : sequence of Framing
        All under which known bytes were found, the likeliest first.
    kinds : sequence of Kind
        In the order they stand on tape.
    rules : Rules
    knowns : sequence of Known
        What the owner said of each save.
    starts : tuple of (int or None)
        Address of each save, known or supposed.
    turned_lead_bits : float
        By how much the description is longer with 0 and 1 the other way round.
    starts_lead_bits : float
        By how much it is longer with other addresses.
    is_guess : bool
        Whether nobody said what was saved, and `knowns` are supposed.
    misheard : int or None
        The recording that was left out, if one was.
    """

    code: LineCode
    symbols: dict[str, list[Piece]]
    framing: Framing
    framings: Sequence[Framing]
    kinds: Sequence[Kind]
    rules: Rules
    knowns: Sequence[Known]
    starts: tuple[int | None, ...]
    turned_lead_bits: float = math.inf
    starts_lead_bits: float = math.inf
    is_guess: bool = False
    misheard: int | None = None

    @property
    def known_bytes(self) -> int:
        """How many bytes were known, of all saves."""
        return sum(len(known.data) for known in self.knowns)

    @property
    def sent_bytes(self) -> bytes:
        """The known bytes of all saves as they stand on tape."""
        return b"".join(self.framing.sent(known.data) for known in self.knowns)

    def framing_lead_bits(self, other: Framing) -> float:
        """By how many bits the framing leads another: eight for each byte found with it alone."""
        return 8.0 * self.known_bytes * (self.framing.found - other.found)
