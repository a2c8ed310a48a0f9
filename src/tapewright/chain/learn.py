"""Recordings and known bytes to a format card: the steps of `learn`, with the receiver between them."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np

from tapewright import line
from tapewright.cards import FormatCard
from tapewright.cards.format import ByteFormat
from tapewright.cards.load import parse_card
from tapewright.cards.symbols import Piece, Silence
from tapewright.learn.answers import Answers
from tapewright.learn.block_cuts import find_samples
from tapewright.learn.card import Heading, card_text
from tapewright.learn.framing import Framing, eighth_bit, find_framing
from tapewright.learn.guesses import doubted
from tapewright.learn.kinds import Kind, find_kinds
from tapewright.learn.known import Known
from tapewright.learn.line_code import Heard, LineCode, propose
from tapewright.learn.predict import with_exchanged, without_equals
from tapewright.learn.rules import Rules, rules_of
from tapewright.learn.samples import Sample
from tapewright.learn.starts import possible_starts
from tapewright.learn.stream import Stream, with_silent_bits
from tapewright.learn.stretches import Stretch, find_stretches
from tapewright.model import CardError, Recording

__all__ = ["Layout", "Learned", "as_unread", "card_symbols", "learn", "listen", "with_card"]

#: With so much of the known bytes found, no other line code is tried. (Runs of five that a cut between two
#: blocks divides are not found.)
ENOUGH_FOUND = 0.6
#: Listening again may find so much less of them by chance.
FOUND_SLACK = 0.02
#: A layout that does not tell a reader how long a block is, say, is this much less likely.
DOUBT_BITS = 12.0
#: No card can say where a block begins whose bytes have no start symbols, and nothing before them; or whose
#: bytes have some, and before them stand others.
UNANCHORED_BITS = 1_000.0
#: What a mark before the first byte costs in each kind of block, besides its symbols: so bytes are paid for.
MARK_BITS = 6.0
#: So many readings of the bits that find as much of the known bytes (to this share) are laid out.
MOST_FRAMINGS, FOUND_ALIKE = 3, 0.01
#: What a symbol costs that stands between bytes, and is neither of them nor idle.
STRAY_BITS = 24.0
#: What it costs to suppose that everything stands on tape inverted.
INVERTED_BITS = 3.0
#: That description is told where it is no more than so much longer and holds other checks open: it has those
#: of bytes upright among their rivals, and they have not those over bytes as sent.
ALIKE_BITS = 1.5
#: Of so many recordings or more, one may be misheard: a bit lost in the midst of bytes that nobody knows
#: puts all before the data out of step. What that costs, besides what is not known of the others either.
FEWEST_SAVES, ODD_SAVE_BITS = 3, 40.0
#: So many layouts at most are finished with their checks.
MOST_FINISHED = 3
#: So many starts at the beginning of a block may belong to a mark.
MOST_LEFT_OUT = 2
#: Where one leaves a reader in doubt, others are looked for in which no field has one of these meanings.
MEANINGS_TO_DOUBT = ("end", "length", "start", "index")

# A card that only tells symbols from one another: nothing is known of bytes yet.
_BARE = """
card = "format"
name = "unknown"
title = "not known yet"
source = "learned"
[symbols]
"0" = [{ tone = 1000, cycles = 1 }]
"1" = [{ tone = 2000, cycles = 1 }]
[[block]]
kind = "data"
layout = [{ mark = "0" }, { data = "1" }]
"""


@dataclass(frozen=True)
class Layout:
    """What was found out about bytes and blocks.

    Parameters
    ----------
    framing : Framing
    stretches : list of Stretch
    samples : list of Sample
    kinds : list of Kind
    starts : tuple of (int or None)
        Address of each save, known or supposed.
    rules : Rules
    misheard : int or None
        The one recording that was left out, as what explains the others does not explain it.
    turned_lead_bits, starts_lead_bits : float
        By how much the description is longer with 0 and 1 the other way round, and at other addresses.
    """

    framing: Framing
    stretches: list[Stretch]
    samples: list[Sample]
    kinds: list[Kind]
    starts: tuple[int | None, ...]
    rules: Rules
    misheard: int | None = None
    turned_lead_bits: float = math.inf
    starts_lead_bits: float = math.inf

    @property
    def bits(self) -> float:
        """Length of the description; what a reader has no way to know is a great surprise."""
        marks = [mark for kind in self.kinds for mark in {sample.mark for sample in kind.samples} if mark]
        bits = sum(kind.bits for kind in self.kinds) + sum(MARK_BITS + len(mark) for mark in marks)
        if self.misheard is not None:  # it has what nobody knows of the others as well
            saves = len({sample.save for sample in self.samples})
            bits += ODD_SAVE_BITS + 8.0 * sum(kind.unknown_bytes for kind in self.kinds) / saves
        bits += STRAY_BITS * sum(stretch.strays for stretch in self.stretches)
        return bits + DOUBT_BITS * len(self.rules.doubts) + UNANCHORED_BITS * len(self.lost)

    @property
    def tells_all(self) -> bool:
        """Whether nothing is left in doubt, but for what may be a check."""
        are_told = all(kind.tells_all for kind in self.kinds)
        return are_told and not self.rules.doubts and not self.lost

    def bits_with(self, knowns: Sequence[Known]) -> float:
        """Length of the description, and of the known bytes that are in none of its blocks."""
        held = {
            (sample.save, k) for sample in self.samples for k in range(sample.first, sample.end)
        }  # fmt: skip
        return self.bits + 8.0 * (sum(len(known.data) for known in knowns) - len(held))

    @property
    def lost(self) -> list[str]:
        """Kinds of block of which no card can say where they begin."""
        have_start = bool(self.framing.byte.start)
        return [k.name for k in self.kinds if not (k.is_announced if have_start else k.is_anchored)]

    @property
    def least_bits(self) -> float:
        """What may be left of that if all bytes that may be a check are one."""
        return self.bits - sum(kind.checkable_bits for kind in self.kinds)


@dataclass(frozen=True)
class Learned:
    """What came of it.

    Parameters
    ----------
    text : str or None
        The card, as TOML; None if it did not get that far.
    card : FormatCard or None
    heard : list of Heard
    codes : list of LineCode
        All that were proposed, best first.
    code : LineCode or None
        The one under which the known bytes appeared.
    streams : list of Stream
    framings : list of Framing
        All under which the known bytes appear, the likeliest first.
    layout : Layout or None
    supposed : list of Known
        What each save would hold, where nobody said it.
    problem : str
        Why there is no card, in a sentence.
    """

    text: str | None = None
    card: FormatCard | None = None
    heard: list[Heard] = field(default_factory=list)
    codes: list[LineCode] = field(default_factory=list)
    code: LineCode | None = None
    streams: list[Stream] = field(default_factory=list)
    framings: list[Framing] = field(default_factory=list)
    layout: Layout | None = None
    supposed: list[Known] = field(default_factory=list)
    problem: str = ""


def learn(recordings: Sequence[Recording], knowns: Sequence[Known], *, name: str = "learned") -> Learned:
    """Work out the format of saves whose bytes are known.

    Parameters
    ----------
    recordings : sequence of Recording
        Saves of one machine.
    knowns : sequence of Known
        What each of them holds.
    name : str
        Of the card.

    Returns
    -------
    Learned
    """
    codes, heard = propose(recordings)
    found = Learned(heard=heard, codes=codes)
    if not codes:
        which = "this recording" if len(recordings) == 1 else "these recordings"
        return replace(found, problem=f"Nothing in {which} sounds like data.")
    code, first = _choose(codes, recordings, heard, knowns)
    if code is None or first is None:
        return replace(
            found, code=codes[0], streams=[*map(partial(listen, codes[0]), recordings, heard)],
            problem="The known bytes do not appear in the recordings, in whatever way bits are read.",
        )  # fmt: skip
    streams = [first, *map(partial(listen, code), recordings[1:], heard[1:])]
    framings = find_framing(streams, knowns)
    if not framings:
        return replace(
            found, code=code, streams=streams, problem="The recordings do not all hold the known bytes."
        )
    found = replace(found, code=code, streams=streams, framings=framings)
    answers = Answers()
    layout = _lay_out(streams, knowns, _alike(framings), code.leader, answers)
    if layout is None:
        return replace(found, problem="Known bytes appear, but they make no blocks.")
    streams, layout = _heard_again(recordings, heard, knowns, code, streams, layout, answers)
    return with_card(replace(found, streams=streams, layout=layout), name, _card(name, code, layout))


def with_card(found: Learned, name: str, text: str) -> Learned:
    """Add the card, or why what was found makes none."""
    found = replace(found, text=text)
    try:
        return replace(found, card=parse_card(text, FormatCard, name))
    except CardError as error:
        return replace(found, problem=_why_no_card(found, error))


def as_unread(found: Learned) -> Learned:
    """The same where the card reads none of the recordings back: nothing in it is certain."""
    if found.layout is None or found.code is None or found.card is None:
        return found
    layout = replace(found.layout, kinds=doubted(found.layout.kinds, "no recording is read back"))
    return replace(found, layout=layout, text=_card(found.card.name, found.code, layout))


def _why_no_card(found: Learned, error: CardError) -> str:
    layout = found.layout
    if layout is not None and not layout.framing.byte.start and layout.lost:
        return (
            f"The known bytes appear, but nothing that is always the same stands before the {layout.lost[0]}"
            " block, so that nothing tells where its first byte begins."
        )
    return f"What was found makes no card: {error}."


def _heard_again(
    recordings: Sequence[Recording], takes: Sequence[Heard], knowns: Sequence[Known], code: LineCode,
    streams: list[Stream], layout: Layout, answers: Answers,
) -> tuple[list[Stream], Layout]:  # fmt: skip
    """Listen once more, with what is known by now: which symbols there are, and what stands between bytes."""
    used = _used(layout, code.leader)
    byte = layout.framing.byte
    if set(code.symbols) == used and not byte.start:
        return streams, layout
    if layout.framing.swapped[0]:
        byte = layout.framing.turned.byte
    known = replace(code, symbols={name: code.symbols[name] for name in code.symbols if name in used})
    heard = streams  # unless there is something else to listen for
    if len(known.symbols) < len(code.symbols) or line.hears_idle_tone(_bare_card(known, byte)):
        heard = [listen(known, *one, byte) for one in zip(recordings, takes, strict=True)]
    framings = [
        found for found in find_framing(heard, knowns) if _but_stop(found) == _but_stop(layout.framing)
    ]
    if not framings or framings[0].found < layout.framing.found - FOUND_SLACK:
        return streams, layout
    again = _lay_out(heard, knowns, _alike(framings), code.leader, answers)
    if again is None or again.bits_with(knowns) > layout.bits_with(knowns):
        return streams, layout
    return heard, again


def _but_stop(framing: Framing) -> ByteFormat:
    return framing.byte.model_copy(update={"stop": ""})


def _used(layout: Layout, leader: str) -> set[str]:
    """The symbols that stand somewhere."""
    return {"0", "1", leader}.union(*(sample.mark + sample.lead for sample in layout.samples))


def _choose(
    codes: Sequence[LineCode],
    recordings: Sequence[Recording],
    takes: Sequence[Heard],
    knowns: Sequence[Known],
) -> tuple[LineCode | None, Stream | None]:
    """Find the line code under which most of the known bytes appear, in the first recording."""
    best: tuple[LineCode | None, Stream | None] = None, None
    most = 0.0
    for code in codes:
        stream = listen(code, recordings[0], takes[0])
        framings = find_framing([stream], knowns[:1])
        if framings and framings[0].found > most:
            best, most = (code, stream), framings[0].found
        if most >= ENOUGH_FOUND:
            break
    return best


def listen(code: LineCode, recording: Recording, take: Heard, byte: ByteFormat | None = None) -> Stream:
    """Hear the bits of a recording with a line code; with what stands around bytes, where it is known.

    `take` is what was heard of it before: the code is as fast as the mean of all recordings.
    """
    symbols = line.decode(recording, _bare_card(code, byte), speed=1.0 / take.tempo).symbols
    for bit in "01":
        pieces = code.symbols[bit]
        if all(isinstance(piece, Silence) for piece in pieces):
            seconds = 1e-6 * sum(piece.silence for piece in pieces if isinstance(piece, Silence))
            symbols = with_silent_bits(symbols, bit, seconds)
    return Stream(symbols)


def _bare_card(code: LineCode, byte: ByteFormat | None) -> FormatCard:
    bare = parse_card(_BARE, FormatCard, "unknown")
    return bare.model_copy(update={"symbols": code.symbols, "byte": byte or ByteFormat()})


def _alike(framings: Sequence[Framing]) -> list[Framing]:
    """The likeliest framing, and others that find known bytes about as well; each byte format once."""
    of_byte: dict[tuple[str, str], Framing] = {}
    for framing in framings:
        if framing.found > framings[0].found - FOUND_ALIKE:
            of_byte.setdefault((repr(framing.byte), framing.coding), framing)
    return list(of_byte.values())[:MOST_FRAMINGS]


def _says_more(layout: Layout, other: Layout) -> bool:
    """Whether what another takes for part of the frame is a bit, not set in known bytes but elsewhere.

    In a recording that the other leaves out as misheard it may be set by mistake.
    """
    in_frame = eighth_bit(layout.framing.byte, other.framing.byte)
    heard = np.concatenate(
        [stretch.values for stretch in layout.stretches if stretch.save != other.misheard]
    )  # fmt: skip
    return bool(in_frame and (heard[heard >= 0] >> 7 != int(in_frame)).any())


def _lay_out(
    streams: Sequence[Stream], knowns: Sequence[Known], framings: Sequence[Framing], leader: str,
    answers: Answers,
) -> Layout | None:  # fmt: skip
    """The shortest description, data upright or inverted, at the addresses known or supposed."""
    readings = [
        (turned, stretches, find_samples(stretches, knowns, turned))
        for turned, stretches in _readings(streams, knowns, framings, leader)
    ]
    drafts = [draft for reading in readings for draft in _drafts(*reading, knowns, answers)]
    if not drafts:
        return None
    if not min((layout for layout, _ in drafts), key=lambda layout: layout.bits).tells_all:
        for misheard in range(len(knowns) if len(knowns) >= FEWEST_SAVES else 0):
            drafts += [
                draft for reading in readings for draft in _drafts(*reading, knowns, answers, misheard)
            ]
    said = [layout for layout, _ in drafts]
    drafts = [draft for draft in drafts if not any(_says_more(layout, draft[0]) for layout in said)]
    first = min((layout for layout, _ in drafts), key=lambda layout: layout.bits)
    best = _shortest(drafts, knowns, answers)
    layouts = [layout for layout, _ in drafts]
    return replace(
        best,
        kinds=[with_exchanged(without_equals(kind, best.rules.size), best.rules.size) for kind in best.kinds],
        turned_lead_bits=_least(layouts, lambda other: other.framing.xor != best.framing.xor) - first.bits,
        starts_lead_bits=_least(layouts, lambda other: other.starts != best.starts) - first.bits,
    )


def _drafts(
    framing: Framing, stretches: list[Stretch], samples: list[Sample], knowns: Sequence[Known],
    answers: Answers, misheard: int | None = None,
) -> Iterator[tuple[Layout, str]]:  # fmt: skip
    """Descriptions without checks, each with the meaning that no field has in it; one recording left out."""
    heard = [sample for sample in samples if sample.save != misheard]
    if not any(sample.has_data for sample in heard):
        return
    for starts in possible_starts(heard, knowns):
        told: set[tuple[float, ...]] = set()
        for without in ("", *MEANINGS_TO_DOUBT):
            kinds = find_kinds(heard, knowns, starts, framing, without, with_checks=False, answers=answers)
            bits = tuple(kind.bits for kind in kinds)
            if bits in told:
                continue  # no field had that meaning
            told.add(bits)
            rules = rules_of(kinds, framing)
            yield Layout(framing, stretches, heard, kinds, starts, rules, misheard), without
            if not rules.doubts:
                break


def _readings(
    streams: Sequence[Stream], knowns: Sequence[Known], framings: Sequence[Framing], leader: str
) -> Iterator[tuple[Framing, list[Stretch]]]:
    """Every framing both ways round, and with the first bytes of blocks begun later where they can be."""
    for framing in framings:
        for turned in (framing, framing.turned):
            before: list[int] = []
            for left_out in range(MOST_LEFT_OUT + 1):
                late = replace(turned, left_out=left_out)
                stretches = find_stretches(streams, knowns, late, leader)
                begins = [int(stretch.places[0]) for stretch in stretches]
                if begins == before:
                    break
                before = begins
                yield _following_closely(late, stretches), stretches


def _following_closely(framing: Framing, stretches: Sequence[Stretch]) -> Framing:
    """The same with fewer stop symbols, if in most saves the first byte has fewer: a tight loop sent it."""
    byte = framing.byte
    closest: dict[int, int] = {}
    for stretch in stretches:
        if len(stretch) > 1:
            apart = int(stretch.places[1] - stretch.places[0])
            closest[stretch.save] = min(apart, closest.get(stretch.save, apart))
    if not byte.start or not closest:
        return framing
    too_many = byte.symbols_per_byte - sorted(closest.values())[len(closest) // 2]
    stop = byte.stop[: max(1, len(byte.stop) - max(too_many, 0))]
    return replace(framing, byte=byte.model_copy(update={"stop": stop}))


def _shortest(drafts: Sequence[tuple[Layout, str]], knowns: Sequence[Known], answers: Answers) -> Layout:
    """The shortest description with its checks: of the shortest draft, and of what may become shorter."""
    first = min(drafts, key=lambda draft: draft[0].bits)
    best = _finished(*first, knowns, answers)
    others = sorted(drafts, key=lambda draft: draft[0].least_bits)
    for draft in [draft for draft in others if draft is not first][: MOST_FINISHED - 1]:
        if draft[0].least_bits < best.bits:
            best = min(best, _finished(*draft, knowns, answers), key=lambda layout: layout.bits)
    return best


def _finished(draft: Layout, without: str, knowns: Sequence[Known], answers: Answers) -> Layout:
    """The same with its checks; inverted, if that is what explains them."""
    if draft.framing.field_coding == "plain" and any(kind.has_hex_fields for kind in draft.kinds):
        draft = replace(draft, framing=replace(draft.framing, has_hex_fields=True))
    kinds = find_kinds(draft.samples, knowns, draft.starts, draft.framing, without, answers=answers)
    upright = replace(draft, kinds=kinds, rules=rules_of(kinds, draft.framing))
    if draft.framing.coding != "plain" or draft.framing.xor or all(map(_is_explained, kinds)):
        return upright
    framing = replace(draft.framing, is_inverted=True)
    kinds = find_kinds(draft.samples, knowns, draft.starts, framing, without, answers=answers)
    inverted = replace(draft, framing=framing, kinds=kinds, rules=rules_of(kinds, framing))
    lead = inverted.bits + INVERTED_BITS - upright.bits
    if lead < 0 or (lead < ALIKE_BITS and _have_other_checks(inverted.kinds, upright.kinds)):
        return inverted
    return upright


def _have_other_checks(kinds: Sequence[Kind], others: Sequence[Kind]) -> bool:
    """Whether a check is held open that other kinds of block have otherwise: it may write other bytes."""
    pairs = [
        pair
        for one, other in zip(kinds, others, strict=False)
        for pair in ((one.head_check, other.head_check), (one.tail_check, other.tail_check))
    ]
    return any(
        one is not None and other is not None and one.certainty == "open"
        and other.rule not in (one.rule, *one.variants)
        for one, other in pairs
    )  # fmt: skip


def _is_explained(kind: Kind) -> bool:
    """Whether the checks of a kind of block are beyond doubt, and nothing else in it may be one."""
    claims = [claim for claim in (kind.head_check, kind.tail_check) if claim is not None]
    are_sure = all(claim.certainty == "certain" and not claim.rule.start for claim in claims)
    last = [item.part.kind for item in (*kind.head[1:][-1:], *kind.tail)]
    return (
        are_sure and "constant" not in last
        and not any(item.part.kind == "unknown" for item in (*kind.head, *kind.tail))
    )  # fmt: skip


def _least(layouts: Sequence[Layout], is_meant: Callable[[Layout], bool]) -> float:
    return min((layout.bits for layout in layouts if is_meant(layout)), default=math.inf)


def card_symbols(code: LineCode, layout: Layout) -> dict[str, list[Piece]]:
    """Symbols that are used, by the names they have in the card: 0 and 1 exchanged if they have to be."""
    symbols = dict(code.symbols)
    if layout.framing.swapped[0] != layout.framing.is_inverted:
        symbols["0"], symbols["1"] = symbols["1"], symbols["0"]
    used = _used(layout, "0")
    return {key: symbols[key] for key in sorted(symbols) if key in used}


def _card(name: str, code: LineCode, layout: Layout) -> str:
    symbols = card_symbols(code, layout)
    count = len({sample.save for sample in layout.samples})
    source = f"learned from {count} recording{'s' if count > 1 else ''} of known programs"
    return card_text(
        Heading(name, f"Learned format: {code.family}", source, "", symbols, (code.words,)),
        layout.framing, layout.kinds, layout.rules,
    )  # fmt: skip
