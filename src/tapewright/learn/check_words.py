"""Saying in words what a check is and why it is believed."""

from __future__ import annotations

from collections.abc import Sequence

from tapewright.cards.checks import CrcCheck
from tapewright.learn.check_rule import CheckRule
from tapewright.model.words import byte_count

__all__ = ["evidence_words", "rule_words"]

_SIMPLE = {
    "sum8": "the sum mod 256",
    "sum8-neg": "what is missing from the sum to a multiple of 256",
    "xor8": "the exclusive or",
    "sum16": "the sum mod 65536",
    "fletcher16": "Fletcher's sum mod 255",
}


def rule_words(rule: CheckRule) -> str:
    """Say what a check is, as part of a sentence.

    Examples
    --------
    >>> rule_words(CheckRule("sum8", ("start", "data"), start=0x5A))
    'the sum mod 256 of start and data, from 5Ah'
    """
    digits = 2 * rule.width_bytes
    if isinstance(rule.check, CrcCheck):
        crc = rule.check.crc
        text = f"the CRC of {crc.width} bits with polynomial {crc.poly:0{digits}X}h"
        text += " (reflected)" if crc.refin else ""
        text += f", from {crc.init:0{digits}X}h,"
        text += f" exclusive-ored with {crc.xorout:0{digits}X}h," if crc.xorout else ""
    else:
        text = _SIMPLE[rule.check]
    text += f" of {_listed(rule.over)}"
    text += " as on tape" if rule.as_sent else ""
    text += f", from {rule.start:0{digits}X}h" if rule.start else ""
    text += ", inverted" if rule.xor == 255 else ""
    if rule.width_bytes > 1:
        text += ", low byte first" if rule.order == "le" else ", high byte first"
    return text


def evidence_words(rule: CheckRule, agreeing: int, messages: int, bits: float) -> str:
    """Say what a check is and what speaks for it, as a sentence."""
    if messages == 1:
        where = "in the only block there is"
    elif agreeing == messages:
        where = f"in all {messages} different blocks"
    else:
        where = f"in {agreeing} of {messages} different blocks"
    place = f"{byte_count(rule.offset)} after the items" if rule.offset else "right after the items"
    words = rule_words(rule)
    odds = f"1 of 2^{bits:.0f} cases" if bits >= 10 else f"1 of {2**bits:.0f} cases"
    return (
        f"{words[0].upper()}{words[1:]}: found {place} {where}; "
        f"among the rules tried, one would fit by chance in {odds}."
    )


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
