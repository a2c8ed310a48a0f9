"""Recordings alone to a guess at their format: what can be told of saves whose bytes nobody knows.

Bits give the framing, the lengths that heads tell give the data, and from there on the steps are those of
`learn`, with the supposed data for known ones. Nothing of it is ever called certain.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from tapewright.chain.learn import Layout, Learned, card_symbols, listen, with_card
from tapewright.learn.answers import Answers
from tapewright.learn.blind_blocks import Supposed, suppose
from tapewright.learn.blind_checks import check_bits
from tapewright.learn.blind_framing import BlindFraming, guess_framings, views
from tapewright.learn.blind_stretches import blind_stretches, leader_heard
from tapewright.learn.card import Heading, card_text
from tapewright.learn.framing import Framing
from tapewright.learn.guesses import as_guesses
from tapewright.learn.kinds import find_kinds
from tapewright.learn.known import Known
from tapewright.learn.line_code import Heard, LineCode, propose
from tapewright.learn.plausible import surprise_bits
from tapewright.learn.rules import rules_of
from tapewright.learn.starts import possible_starts
from tapewright.learn.stream import Stream
from tapewright.learn.stretches import Stretch
from tapewright.model import Recording

__all__ = ["learn_blind"]

#: So many line codes are tried; of their readings so many are looked through for checks, and into for
#: everything.
CODES_TRIED, WAYS_CHECKED, READINGS_TRIED = 3, 8, 3
#: Readings that are so much worse than the best are not looked into.
NEAR_BITS = 8.0
GUESS = (
    "A guess: nobody told Tapewright what these recordings hold. Line code and framing are what the sound"
    " suggests; which symbol is 1, the order of bits and what the bytes mean may be otherwise."
)


def learn_blind(recordings: Sequence[Recording], *, name: str = "learned") -> Learned:
    """Guess the format of saves of which nothing is known.

    Parameters
    ----------
    recordings : sequence of Recording
        Saves of one machine; several different ones tell much more than one.
    name : str
        Of the card.

    Returns
    -------
    Learned
        Its conclusions are at most ``likely``.
    """
    codes, heard = propose(recordings)
    found = Learned(heard=heard, codes=codes)
    if not codes:
        which = "this recording" if len(recordings) == 1 else "these recordings"
        return replace(found, problem=f"Nothing in {which} sounds like data.")
    code, streams, guesses = _choose(codes, recordings, heard)
    found = replace(
        found,
        code=code,
        streams=streams,
        framings=[view for guess in guesses for view in views(guess.framing)],
    )
    if not guesses:
        return replace(found, problem="The symbols in these recordings do not add up to bytes.")
    layout, supposed = _lay_out(streams, guesses, code)
    if layout is None:
        return replace(found, problem="No way to tell blocks and their data in these recordings was found.")
    found = replace(found, layout=layout, supposed=supposed)
    return with_card(found, name, _card(name, code, layout, len(recordings)))


def _choose(
    codes: Sequence[LineCode], recordings: Sequence[Recording], heard: Sequence[Heard]
) -> tuple[LineCode, list[Stream], list[BlindFraming]]:
    """Take the line code whose own score and framing together are best."""
    tried = []
    for code in codes[:CODES_TRIED]:
        streams = [*map(partial(listen, code), recordings, heard)]
        guesses = guess_framings(streams, _leaders(streams, code))
        # without start symbols, bytes that come again speak for a framing: with a wrong code they do, too
        foretold = max((guess.bits for guess in guesses if guess.framing.byte.start), default=0.0)
        tried.append((code.score_bits + foretold, code, streams, guesses))
    _, code, streams, guesses = max(tried, key=lambda one: one[0])
    return code, streams, guesses


def _leaders(streams: Sequence[Stream], code: LineCode) -> list[str]:
    return [leader_heard(stream, code.leader) if code.polar else code.leader for stream in streams]


def _lay_out(
    streams: Sequence[Stream], guesses: Sequence[BlindFraming], code: LineCode
) -> tuple[Layout | None, list[Known]]:
    """The shortest description in whichever view of whichever framing, and what the saves hold by it."""
    leaders = _leaders(streams, code)
    readings: list[_Reading] = []
    for guess in guesses:
        for framing in views(guess.framing):
            stretches = blind_stretches(streams, framing, leaders, guess.skip)
            readings += [
                _Reading(one.bits + guess.bits, guess.bits, stretches, one)
                for one in suppose(stretches, framing)
            ]
    answers = Answers()
    best: tuple[float, Layout | None, list[Known]] = np.inf, None, []
    for reading in _worth_a_look(readings):
        one = reading.supposed
        for starts in possible_starts(one.samples, one.knowns):
            kinds = find_kinds(one.samples, one.knowns, starts, one.framing, answers=answers)
            rules = rules_of(kinds, one.framing)
            layout = Layout(
                one.framing, reading.stretches, one.samples, as_guesses(kinds), starts, rules,
                turned_lead_bits=0.0, starts_lead_bits=0.0,
            )  # fmt: skip
            score = layout.bits + _data_bits(one) - reading.framing_bits
            if score < best[0]:
                best = score, layout, one.knowns
    return best[1:]


@dataclass(frozen=True)
class _Reading:
    """A way to read all saves, and how much speaks for it: all in all, and for its framing alone."""

    bits: float
    framing_bits: float
    stretches: list[Stretch]
    supposed: Supposed


def _worth_a_look(readings: Sequence[_Reading]) -> list[_Reading]:
    """The readings that two looks like best: one at lengths and data, one for a check at the end."""
    ranked = sorted(readings, key=lambda reading: -reading.bits)
    ways = list(dict.fromkeys(_way(reading) for reading in ranked))[:WAYS_CHECKED]
    checked = [
        replace(reading, bits=reading.bits + _check_bits(reading.supposed))
        for reading in ranked
        if _way(reading) in ways
    ]
    checked.sort(key=lambda reading: -reading.bits)
    return [reading for reading in checked[:READINGS_TRIED] if reading.bits > checked[0].bits - NEAR_BITS]


def _way(reading: _Reading) -> tuple[Framing, tuple[int, ...]]:
    return reading.supposed.framing, reading.supposed.key


def _check_bits(one: Supposed) -> float:
    return check_bits(one.samples, one.knowns, one.framing.coding)


def _data_bits(one: Supposed) -> float:
    contents = {known.data for known in one.knowns}
    return sum(surprise_bits(np.frombuffer(content, np.uint8)) for content in contents)


def _card(name: str, code: LineCode, layout: Layout, count: int) -> str:
    source = f"guessed from {count} recording{'s' if count > 1 else ''} of unknown programs"
    heading = Heading(
        name, f"Guessed format: {code.family}", source, GUESS, card_symbols(code, layout),
        (code.words, "A guess: which of the two is 1 is not known."),
    )  # fmt: skip
    return card_text(heading, layout.framing, layout.kinds, layout.rules)
