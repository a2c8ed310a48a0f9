"""A card learned anew from the symbols its own tapes have: everything of learning but the sound."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import symbol_layer as layer
from tapewright import blocks, framing
from tapewright.cards import FormatCard, parse_card
from tapewright.learn.block_cuts import find_samples
from tapewright.learn.card import Heading, card_text
from tapewright.learn.framing import find_framing
from tapewright.learn.kinds import Kind, find_kinds
from tapewright.learn.known import Known
from tapewright.learn.rules import Rules, rules_of
from tapewright.learn.samples import Sample
from tapewright.learn.stream import Stream
from tapewright.learn.stretches import find_stretches
from tapewright.model import Block, Image, Range, Symbols


@dataclass(frozen=True)
class Relearned:
    """What came of it."""

    samples: list[Sample]
    kinds: list[Kind]
    rules: Rules
    text: str
    card: FormatCard


def heard(card: FormatCard, known: Known) -> Symbols:
    """Save a program, and hear it without damage."""
    image = Image((Range(known.start, known.data),), run=known.run, name=known.name)
    return layer.heard(blocks.encode(image, card), card)


def relearn(card: FormatCard, knowns: Sequence[Known], *, is_inverted: bool = False) -> Relearned:
    """Learn a card from saves made with it; what is found upright is taken, or all of it as inverted."""
    streams = [Stream(heard(card, known)) for known in knowns]
    found = find_framing(streams, knowns)[0]
    if is_inverted:
        found = replace(found, is_inverted=True)
    elif found.swapped[0]:
        found = found.turned
    data = card.block[-1]
    lead = next(item.lead for item in data.layout if hasattr(item, "lead"))
    samples = find_samples(find_stretches(streams, knowns, found, lead), knowns, found)
    kinds = find_kinds(samples, knowns, [known.start for known in knowns], found)
    rules = rules_of(kinds, found)
    heading = Heading("relearned", "Learned anew", "the tests", "", dict(card.symbols))
    text = card_text(heading, found, kinds, rules)
    return Relearned(samples, kinds, rules, text, parse_card(text, FormatCard, "relearned"))


def blocks_read(card: FormatCard, symbols: Symbols) -> list[Block]:
    """Blocks with data that a card reads."""
    found, _ = blocks.decode(symbols, framing.Framer(symbols, card), card)
    return [block for block in found if block.data]
