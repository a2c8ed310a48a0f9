"""What a lesson has asked already, so that no question is answered twice.

Drafts of a format differ in a few bytes, addresses or symbols; finished ones have the bytes of their drafts;
and what is heard again is mostly what was heard before. So the same bytes are described again and again, and
the same checks are sought.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

from tapewright.learn.checks import CheckClaim, CheckRule, Message, find_checks
from tapewright.learn.facts import Facts
from tapewright.learn.fields import explain_bytes
from tapewright.learn.parts import Part

__all__ = ["Answers"]


class Answers:
    """Answers to the questions of one lesson."""

    def __init__(self) -> None:
        self._described: dict[object, tuple[list[Part], float]] = {}
        self._checks: dict[object, list[CheckClaim]] = {}

    def explain_bytes(
        self, runs: Sequence[bytes], facts: Facts, coding: str, *, may_have_text: bool = True,
        is_anchor: bool = False,
    ) -> tuple[list[Part], float]:  # fmt: skip
        """Describe bytes, as `fields.explain_bytes` does."""
        question = (tuple(runs), facts.key, coding, may_have_text, is_anchor)
        if question not in self._described:
            self._described[question] = explain_bytes(
                runs, facts, coding, may_have_text=may_have_text, is_anchor=is_anchor
            )
        return self._described[question]

    def find_checks(
        self, messages: Sequence[Message], constants: Collection[str], kin: Collection[CheckRule]
    ) -> list[CheckClaim]:
        """Find what a check may be, as `checks.find_checks` does."""
        question = (tuple(messages), frozenset(constants), tuple(kin))
        if question not in self._checks:
            self._checks[question] = find_checks(messages, constants, kin)
        return self._checks[question]
