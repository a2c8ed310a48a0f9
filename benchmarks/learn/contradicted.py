"""Claims about checks that a fresh recording contradicts: wrong, or held open beside the right one."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import product

from tapewright import read
from tapewright.cards import FormatCard
from tapewright.cards.load import parse_card
from tapewright.chain.learn import Layout, Learned, card_symbols
from tapewright.learn.card import Heading, card_text
from tapewright.learn.checks import CheckClaim
from tapewright.learn.kinds import Kind
from tapewright.learn.messages import Named
from tapewright.model import Block, Reading, Recording

__all__ = ["Contradicted", "claims_of", "contradicted"]

#: So many cards at most are tried with the rivals of a block's claims in their place.
MOST_TRIED = 60


@dataclass(frozen=True)
class Contradicted:
    """Claims of blocks whose check fails in a fresh recording.

    Parameters
    ----------
    wrong : tuple of str
        How sure each was that is wrong: what it says does not hold, and it was not held open beside a rival
        that does. Where a block has two claims, and no rivals hold, one of them may be right.
    beside : int
        How many were held open, and one of the rivals told with them holds: nothing false was said.
    """

    wrong: tuple[str, ...] = ()
    beside: int = 0


def claims_of(kind: Kind) -> list[CheckClaim]:
    """The checks a kind of block is claimed to have."""
    return [claim for claim in (kind.head_check, kind.tail_check) if claim is not None]


def contradicted(learned: Learned, reading: Reading, fresh: Recording) -> Contradicted:
    """Say what the fresh recording contradicts, and whether a rival would have been right.

    Parameters
    ----------
    learned : Learned
        With a card.
    reading : Reading
        Of the fresh recording with that card; all its bytes are right.
    fresh : Recording
    """
    bad = _bad(reading)
    wrong: list[str] = []
    beside = 0
    for kind in learned.layout.kinds if learned.layout else ():
        if kind.name not in bad:
            continue
        right = next(
            (one for one in _with_rivals(kind) if kind.name not in _bad(_read_with(learned, one, fresh))),
            None,
        )
        for k, claim in enumerate(claims_of(kind)):
            replaced = right is not None and claims_of(right)[k] is not claim
            if replaced and claim.certainty == "open":
                beside += 1
            elif replaced or right is None:
                wrong.append(claim.certainty)
    return Contradicted(tuple(wrong), beside)


def _bad(reading: Reading) -> set[str]:
    """Kinds of block whose check fails; not where it holds in another copy, which was read better."""
    holding = {_content(block) for block in reading.blocks if block.check == "ok"}
    return {block.kind for block in reading.blocks if block.check == "bad" and _content(block) not in holding}


def _content(block: Block) -> tuple[object, ...]:
    return block.kind, block.data, tuple(sorted(block.fields.items()))


def _with_rivals(kind: Kind) -> Iterator[Kind]:
    """The same with rivals in place of one claim or both, as far as they stand among constants and checks."""
    ways = [_ways(claim) for claim in (kind.head_check, kind.tail_check)]
    pairs = sorted(product(*ways), key=lambda pair: sum(pair[k] is not ways[k][0] for k in range(2)))
    for head, tail in pairs[1:MOST_TRIED]:  # the first is what the card says
        heads = _items_with(kind.head, kind.head_check, head)
        tails = _items_with(kind.tail, kind.tail_check, tail)
        if heads is not None and tails is not None:
            yield replace(kind, head=heads, tail=tails, head_check=head, tail_check=tail)


def _ways(claim: CheckClaim | None) -> Sequence[CheckClaim | None]:
    if claim is None:
        return [None]
    return [claim, *(rival for rival in claim.rivals if rival.rule.is_coded == claim.rule.is_coded)]


def _items_with(
    items: tuple[Named, ...], claim: CheckClaim | None, rival: CheckClaim | None
) -> tuple[Named, ...] | None:
    """The items with a rival in the place of a check; None if more than constants has to give way."""
    if claim is None or rival is None:
        return items
    begin, end = rival.rule.offset, rival.rule.offset + rival.rule.width_bytes
    own, own_end = claim.rule.offset, claim.rule.offset + claim.rule.width_bytes
    if (begin, end) == (own, own_end):
        return items
    place = [item.name for item in items].index("check")
    if begin > own or end < own_end or items[place].part.widths[0] != claim.rule.width_bytes:
        return None  # narrower, so that it is not known here what is left; or written in characters
    before = _shortened(items[:place], own - begin, from_end=True)
    after = _shortened(items[place + 1 :], end - own_end, from_end=False)
    if before is None or after is None:
        return None
    check = items[place]
    widths = (end - begin,) * len(check.part.widths)
    return (*before, replace(check, part=replace(check.part, widths=widths)), *after)


def _shortened(items: tuple[Named, ...], count: int, *, from_end: bool) -> tuple[Named, ...] | None:
    """Items without so many bytes of the constant they end in, or begin with."""
    if not count:
        return items
    edge = items[-1 if from_end else 0] if items else None
    if edge is None or edge.part.kind != "constant" or len(edge.part.value) < count:
        return None
    value = edge.part.value[:-count] if from_end else edge.part.value[count:]
    widths = (len(value),) * len(edge.part.widths)
    left = (replace(edge, part=replace(edge.part, value=value, widths=widths)),) if value else ()
    return (*items[:-1], *left) if from_end else (*left, *items[1:])


def _read_with(learned: Learned, kind: Kind, fresh: Recording) -> Reading:
    """Read with the card that says this of a kind of block."""
    assert learned.layout is not None  # there is a card
    assert learned.code is not None
    kinds = [kind if other.name == kind.name else other for other in learned.layout.kinds]
    layout: Layout = replace(learned.layout, kinds=kinds)
    heading = Heading("rival", "With a rival", "learned", "", card_symbols(learned.code, layout), ())
    text = card_text(heading, layout.framing, layout.kinds, layout.rules)
    return read(fresh, format=parse_card(text, FormatCard, "rival"))
