"""Fields and checks found without a known byte, or that read nothing back: never surer than likely."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from tapewright.learn.certainty import LIKELY_BITS
from tapewright.learn.checks import CheckClaim
from tapewright.learn.kinds import Kind
from tapewright.learn.messages import Named

__all__ = ["as_guesses", "doubted"]

#: How far fields without known bytes can lead at most: likely, if so many different programs agree.
PROGRAMS_FOR_LIKELY = 2


def as_guesses(kinds: Sequence[Kind]) -> list[Kind]:
    """Give kinds of block with fields and checks ``likely`` at most, ``open`` if one program told them."""
    return [_as_guess(kind) for kind in kinds]


def doubted(kinds: Sequence[Kind], because: str) -> list[Kind]:
    """Give kinds of block with checks ``likely`` at most, `because` of something besides the evidence."""
    return [
        replace(
            kind,
            head_check=_doubted_claim(kind.head_check, because),
            tail_check=_doubted_claim(kind.tail_check, because),
        )
        for kind in kinds
    ]


def _doubted_claim(claim: CheckClaim | None, because: str) -> CheckClaim | None:
    if claim is None or claim.certainty != "certain":
        return claim
    return replace(claim, certainty="likely", doubt=because)


def _as_guess(kind: Kind) -> Kind:
    programs = len({sample.head + sample.tail for sample in kind.samples})
    most = LIKELY_BITS if programs >= PROGRAMS_FOR_LIKELY else LIKELY_BITS / 2
    return replace(
        kind,
        head=tuple(_humbler(item, most) for item in kind.head),
        tail=tuple(_humbler(item, most) for item in kind.tail),
        head_check=_humbler_claim(kind.head_check, programs),
        tail_check=_humbler_claim(kind.tail_check, programs),
    )


def _humbler(item: Named, most: float) -> Named:
    return replace(item, part=replace(item.part, lead_bits=min(item.part.lead_bits, most)))


def _humbler_claim(claim: CheckClaim | None, programs: int) -> CheckClaim | None:
    if claim is None:
        return None
    is_likely = claim.certainty != "open" and programs >= PROGRAMS_FOR_LIKELY
    return replace(claim, certainty="likely" if is_likely else "open")
