"""Finding the check of a kind of block: what is added up, how, and where the result stands."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tapewright.learn.certainty import CERTAIN_BITS, LIKELY_BITS, Certainty, certainty_of
from tapewright.learn.check_evidence import Tails, distinct_messages
from tapewright.learn.check_kin import kin_rules
from tapewright.learn.check_price import as_sent_bits, coverage_bits
from tapewright.learn.check_probes import coder_of, probe_messages
from tapewright.learn.check_rule import CONSTANT_NAMES, CheckRule, Coverage, Message, Place
from tapewright.learn.check_sums import sum_rules
from tapewright.learn.check_words import evidence_words
from tapewright.learn.crc_search import CrcSearch

__all__ = [
    "INVERTING_IS_UNTOLD",
    "MOST_MESSAGES",
    "CheckClaim",
    "CheckRule",
    "Message",
    "find_checks",
    "with_rival",
]

#: More messages cost time and add nothing: with so many, all that can be told apart is.
MOST_MESSAGES = 12
_MOST_RULES = 80
_MOST_CLAIMS = 12
#: Different contents that a check of one byte, or a wider one, must hold for to be certain: one more than
#: tells it from other rules, so that the last could have refuted it (chosen).
_FEWEST_TESTED, _FEWEST_TESTED_WIDE = 3, 2
#: Why an exclusive or is not certain where inverting all bytes would make no difference in any block heard.
INVERTING_IS_UNTOLD = "the same over inverted bytes, which a program of one byte more would tell"


@dataclass(frozen=True)
class CheckClaim:
    """A check that a kind of block seems to have.

    Parameters
    ----------
    rule : CheckRule
    bits : float
        Evidence against "these bytes are no check", less the price of the assumption.
    certainty : {"certain", "likely", "open"}
        ``certain``: leads everything else together by 12 bits, all messages agree, and what is covered
        differs in so many that one could have refuted it (`_FEWEST_TESTED`). ``likely``: leads by 6.
    agreeing, messages : int
        How many different messages agree with it, of how many.
    variants : tuple of CheckRule
        Other ways to say the same: they write the same bytes for every program.
    rivals : tuple of CheckClaim
        What explains the messages nearly as well (within 12 bits) and would write other bytes for some
        program; the best first. Rivals have no rivals of their own here. One that begins in a constant before
        the check has an offset below 0.
    words : str
        The evidence as a sentence.
    cost : float
        Bits that the bytes of the check take with the rule: its price, and those that do not agree.
    lead : float
        Bits by which it leads everything else together, no check among it; below 0 it is rather another.
    doubt : str
        Why it is no surer than that, where it is not for want of evidence.
    """

    rule: CheckRule
    bits: float
    certainty: Certainty
    agreeing: int
    messages: int
    variants: tuple[CheckRule, ...]
    rivals: tuple[CheckClaim, ...]
    words: str
    cost: float
    lead: float
    doubt: str = ""


def find_checks(
    messages: Sequence[Message], constants: Collection[str] = CONSTANT_NAMES, kin: Collection[CheckRule] = ()
) -> list[CheckClaim]:
    """Find what the check of a kind of block may be.

    Every sum, exclusive or, Fletcher's sum and CRC that a card can describe is tried over every run of items,
    at every place after them. What is free in a rule is solved for and paid for with as many bits as it has.

    Parameters
    ----------
    messages : sequence of Message
        Blocks of one kind, all with the same names of items. Equal ones count once; a few may be misread.
    constants : collection of str
        Items that are known to be the same on every tape: whether they are covered or make up the start value
        is then no question.
    kin : collection of CheckRule
        Checks of other kinds of block of the same format: a machine mostly works all of them out alike.

    Returns
    -------
    list of CheckClaim
        The best first, and its rivals after it; empty where nothing is better than "no check".
    """
    distinct = [message for message in distinct_messages(messages) if message.names]
    if not distinct:
        return []
    chosen = [distinct[n] for n in _spread(len(distinct), MOST_MESSAGES)]
    groups = _told_apart(_best_rules(chosen, constants, kin), chosen, constants)
    if not groups or groups[0][1] <= 0:
        return []
    best = groups[0][1]
    near = [(rules, bits) for rules, bits in groups if bits > max(0.0, best - CERTAIN_BITS)][:_MOST_CLAIMS]
    tails = Tails(chosen)
    claims = [_claim(rules, bits, groups, distinct, tails) for rules, bits in near]
    return [replace(claim, rivals=tuple(other for other in claims if other is not claim)) for claim in claims]


def with_rival(claim: CheckClaim, other: CheckClaim, bits: float) -> CheckClaim:
    """Hold a claim no surer than it is beside another, with which the block takes so many more bits."""
    if bits >= CERTAIN_BITS:
        return claim
    certainty: Certainty = "likely" if bits >= LIKELY_BITS and claim.certainty != "open" else "open"
    rivals = (*claim.rivals, replace(other, rivals=()))
    return replace(claim, certainty=certainty, rivals=rivals, lead=min(claim.lead, bits))


def _spread(count: int, most: int) -> list[int]:
    """Choose places spread evenly, the first and the last among them."""
    return sorted({int(n) for n in np.linspace(0, count - 1, min(count, most)).round()})


def _best_rules(
    messages: Sequence[Message], constants: Collection[str], kin: Collection[CheckRule]
) -> list[tuple[CheckRule, float]]:
    tails = Tails(messages)
    coded_differs = any(message.sent != tuple(value for _, value in message.items) for message in messages)
    covered: dict[Coverage, list[bytes]] = {}
    covered_bits: dict[Coverage, float] = {}
    for over, bits in coverage_bits(messages[0].names, constants).items():
        for as_sent in (False, True) if coded_differs else (False,):
            covered[over, as_sent] = [message.all_covered(over, as_sent) for message in messages]
            covered_bits[over, as_sent] = bits + as_sent_bits(as_sent, coded_differs)
    crcs = CrcSearch(tails, covered_bits)
    found = [*sum_rules(tails, covered, covered_bits), *crcs.usual_rules()]
    found += kin_rules(kin, tails, covered_bits)
    if max((bits for _, bits in found), default=0.0) < CERTAIN_BITS:
        found += crcs.unusual_rules()
    return sorted(found, key=lambda rule: -rule[1])[:_MOST_RULES]


def _told_apart(
    found: Sequence[tuple[CheckRule, float]], messages: Sequence[Message], constants: Collection[str]
) -> list[tuple[list[CheckRule], float]]:
    """Put rules together that write the same bytes for every program; the likeliest first."""
    probes = probe_messages(messages, constants)
    to_tape = coder_of([(message.tail, message.tail_sent) for message in messages])
    groups: dict[tuple[int | bytes, ...], tuple[list[CheckRule], float]] = {}
    covered: dict[Coverage, list[bytes]] = {}
    for rule, bits in found:
        over = rule.over, rule.as_sent
        if over not in covered:
            covered[over] = [probe.all_covered(*over) for probe in probes]
        written = [rule.bytes_over(data) for data in covered[over]]
        before = bytes(rule.offset)
        if rule.is_coded:
            written, before = [to_tape(check) for check in written], to_tape(before)
        rules, _ = groups.setdefault((len(before), *written), ([], bits))
        if rule not in rules:
            rules.append(rule)
    return list(groups.values())


def _claim(
    rules: Sequence[CheckRule],
    bits: float,
    groups: Sequence[tuple[list[CheckRule], float]],
    messages: Sequence[Message],
    tails: Tails,
) -> CheckClaim:
    rule = rules[0]
    place = Place(rule.is_coded, rule.offset, rule.width_bytes, rule.order)
    agreeing = sum(rule.holds(message) for message in messages)
    others = [0.0] + [other_bits for other, other_bits in groups if other is not rules]
    lead = bits - float(np.logaddexp2.reduce(others))
    certainty = certainty_of(lead)
    tested = len({tuple(message.covered(name, rule.as_sent) for name in rule.over) for message in messages})
    fewest = _FEWEST_TESTED if rule.width_bytes == 1 else _FEWEST_TESTED_WIDE
    if certainty == "certain" and (agreeing < len(messages) or tested < fewest):
        certainty = "likely"  # a block that disagrees may be misread, or tell that the rule is another
    doubt = ""
    if certainty == "certain" and _inverting_is_untold(rule, messages):
        certainty, doubt = "likely", INVERTING_IS_UNTOLD
    words = evidence_words(rule, agreeing, len(messages), bits)
    return CheckClaim(
        rule, bits, certainty, agreeing, len(messages), tuple(rules[1:]), (), words,
        tails.unexplained_bits(place) - bits, lead, doubt,
    )  # fmt: skip


def _inverting_is_untold(rule: CheckRule, messages: Sequence[Message]) -> bool:
    """Whether an exclusive or of inverted bytes would be the same in all messages: each has an even number of
    them, or each an odd one. Of a header the number is no accident.
    """
    counts = {len(message.all_covered(rule.over, rule.as_sent)) % 2 for message in messages}
    return rule.check == "xor8" and "data" in rule.over and len(counts) == 1
