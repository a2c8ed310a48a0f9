"""One block as read, and what each kind of evidence for it is worth."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from tapewright.blocks.coding import Decoded
from tapewright.cards import BlockLayout, check_width_bytes
from tapewright.cards.layout import Check, Lead
from tapewright.model import Fault

__all__ = [
    "ABSURD_BITS",
    "BAD_CHECK_BITS",
    "LEADER_SHARE",
    "LEAST_FIT",
    "LEAST_IDLE_SECONDS",
    "LEAST_STRUCTURE",
    "REPEATED_MOST_BITS",
    "SHORT_LEAD",
    "SLACK_FACTOR",
    "SLACK_SECONDS",
    "TRAILER_MOST_BITS",
    "Parsed",
    "lead_bits",
]

#: A leader is a steady tone, which is easily come by: what it is worth grows with its length only slowly.
LEAD_MOST_BITS = 30.0
LEAD_BITS_PER_OCTAVE = 10.0
TRAILER_MOST_BITS = 16.0
#: All bytes that repeat the one before them are together worth no more: a periodic signal makes endless ones.
REPEATED_MOST_BITS = 8.0
#: Bytes that run on for long give much evidence that there are bytes, and none that they are such a block:
#: so of what sync, marks and constants could show, this share must be there.
LEAST_STRUCTURE = 0.2
#: Evidence against a block whose check fails, and one that promises more than the recording holds.
BAD_CHECK_BITS = -2.0
ABSURD_BITS = -10.0
#: A pattern sought in the middle of a block must fit this well, as a share of what a perfect one scores.
LEAST_FIT = 0.6
#: How much longer than written a leader or gap within a block may be, in seconds and as a factor.
SLACK_SECONDS, SLACK_FACTOR = 0.5, 1.3
#: A leader this much shorter than a reader insists on is not mentioned (speed and first symbols vary).
SHORT_LEAD = 0.8
#: A leader shorter than this share of the least the card asks for was not heard whole.
LEADER_SHARE = 0.5
#: Checks that agree vouch for a block if it is likelier than this that it is right: they agree by chance too.
LEAST_VOUCHED = 0.5
#: Idle time that ends data "until lead" where the card does not say.
LEAST_IDLE_SECONDS = 0.1


def lead_bits(lead: Lead, seconds: npt.ArrayLike, symbol_bits: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Say what leaders heard for `seconds` are worth, given what their symbols score."""
    unit = lead.at_least or min(LEAST_IDLE_SECONDS, max(lead.seconds, 1e-3))
    by_length = LEAD_BITS_PER_OCTAVE * np.log2(1.0 + np.asarray(seconds, np.float64) / unit)
    return np.minimum(np.minimum(LEAD_MOST_BITS, symbol_bits), by_length)


@dataclass(frozen=True, eq=False)
class Parsed:
    """One block as read.

    Parameters
    ----------
    layout : BlockLayout
    first_symbol, end_symbol : int
        With leader and trailer.
    core_first, core_end : int
        From the sync or first byte to the last byte: what no other block can share.
    numbers, texts : mapping
    data : Decoded or None
    checks : tuple of (Check, said, found, ok)
        `said` is -1 where it could not be read.
    evidence_bits : float
    faults : tuple of Fault
    complete : bool
    all_right : float
        Probability that every byte of the block is right.
    structure : float
        How much of the evidence that sync, marks and constants could give they gave, 1 = all; negative if
        they speak against the block.
    lost : int
        Bytes of the data that the block promises, in fields that were heard well, and that never came.
    in_place : ndarray of float64
        Probability that each byte of the data stands where it seems to.
    """

    layout: BlockLayout
    first_symbol: int
    end_symbol: int
    core_first: int
    core_end: int
    numbers: Mapping[str, int]
    texts: Mapping[str, str]
    data: Decoded | None
    checks: tuple[tuple[Check, int, int, bool], ...]
    evidence_bits: float
    faults: tuple[Fault, ...]
    complete: bool
    all_right: float
    structure: float
    lost: int = 0
    in_place: npt.NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))

    @property
    def agrees(self) -> bool:
        """Whether there are checks, and all of them agree."""
        return 0 < len(self.layout.checks) == len(self.checks) and all(ok for *_, ok in self.checks)

    @property
    def check_bits(self) -> int:
        """Bits of the longest check."""
        return max((8 * check_width_bytes(item.check) for item, *_ in self.checks), default=0)

    @property
    def vouched(self) -> float:
        """Probability that every byte is in its place, given that the checks agree.

        Not that every byte is right: what makes symbols doubtful often makes all of them so, and the product
        of their probabilities would be far too small.
        """
        right = float(self.in_place.min(initial=1.0))
        return right / (right + (1.0 - right) * 2.0**-self.check_bits)

    @property
    def check(self) -> str:
        """What the block's checks say together; if they rather agree by chance, they are no good."""
        if not self.layout.checks:
            return "none"
        return "ok" if self.agrees and self.vouched >= LEAST_VOUCHED else "bad"
