"""The arithmetic a card may contain: names of earlier fields, whole numbers, ``+ - *`` and brackets.

Nothing else, so that a card is data: it can be listed, compared and checked, and cannot do anything.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from tapewright.model import CardError

__all__ = ["Expression"]

LONGEST_TEXT = 200
DEEPEST_BRACKETS = 20
#: Addresses and lengths are at most 32 bits; products of two still fit here.
LARGEST_VALUE = 1 << 66

_TOKEN = re.compile(r"\s*(?:(0[xX][0-9a-fA-F]+|[0-9]+)|([A-Za-z_][A-Za-z0-9_]*)|([-+*()]))")

# A parsed expression is a nested tuple: a number, a name, or (operator, left, right).
_Node = int | str | tuple[str, "_Node", "_Node"]


@dataclass(frozen=True)
class Expression:
    """One parsed expression.

    Build it with :meth:`parse`, work it out with :meth:`value`.

    Examples
    --------
    >>> Expression.parse("end - start + 1").value({"start": 512, "end": 767})
    256
    """

    text: str
    node: _Node
    names: frozenset[str]

    @classmethod
    def parse(cls, text: str) -> Expression:
        """Parse `text`.

        Raises
        ------
        CardError
            The message quotes the expression and says where it stops making sense.
        """
        if len(text) > LONGEST_TEXT:
            raise CardError(f"an expression is {len(text)} characters long; {LONGEST_TEXT} is the most")
        parser = _Parser(text)
        node = parser.sum(0)
        if parser.token is not None:
            advice = "no bracket is open" if parser.token == ")" else "write + - or * before it"
            raise CardError(f"'{text}': '{parser.token}' is not expected here; {advice}")
        return cls(text, node, frozenset(parser.names))

    def value(self, variables: Mapping[str, int]) -> int:
        """Work the expression out.

        Raises
        ------
        CardError
            If a name has no value or the result is beyond any address or length.
        """
        result = _value(self.node, variables, self.text)
        if abs(result) > LARGEST_VALUE:
            raise CardError(f"'{self.text}' gives {result}, more than any address or length")
        return result

    def __str__(self) -> str:
        return self.text


def _value(node: _Node, variables: Mapping[str, int], text: str) -> int:
    if isinstance(node, int):
        return node
    if isinstance(node, str):
        try:
            return variables[node]
        except KeyError:
            known = ", ".join(sorted(variables)) or "none"
            raise CardError(f"'{text}': '{node}' has no value here (known: {known})") from None
    operator, left_node, right_node = node
    left, right = (
        _value(left_node, variables, text),
        _value(right_node, variables, text),
    )
    if operator == "+":
        return left + right
    if operator == "-":
        return left - right
    return left * right


class _Parser:
    """Recursive descent: a sum of products of atoms."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.names: set[str] = set()
        self.tokens = self._split(text)
        self.place = 0

    @staticmethod
    def _split(text: str) -> list[str]:
        tokens, place = [], 0
        while place < len(text.rstrip()):
            match = _TOKEN.match(text, place)
            if match is None:
                raise CardError(
                    f"'{text}': '{text[place:].lstrip()[0]}' cannot be used; an expression has names of"
                    " earlier fields, whole numbers, + - * and brackets"
                )
            tokens.append(match.group(0).strip())
            place = match.end()
        return tokens

    @property
    def token(self) -> str | None:
        return self.tokens[self.place] if self.place < len(self.tokens) else None

    def sum(self, depth: int) -> _Node:
        node = self.product(depth)
        while self.token in ("+", "-"):
            operator = self.take()
            node = (operator, node, self.product(depth))
        return node

    def product(self, depth: int) -> _Node:
        node = self.atom(depth)
        while self.token == "*":
            operator = self.take()
            node = (operator, node, self.atom(depth))
        return node

    def atom(self, depth: int) -> _Node:
        if depth > DEEPEST_BRACKETS:
            raise CardError(f"'{self.text}': brackets are nested more than {DEEPEST_BRACKETS} deep")
        token = self.take()
        if token == "-":
            return ("-", 0, self.atom(depth + 1))
        if token == "(":
            node = self.sum(depth + 1)
            if self.take() != ")":
                raise CardError(f"'{self.text}': a bracket is not closed")
            return node
        if token[:1].isdigit():
            return int(token, 16 if token[:2].lower() == "0x" else 10)
        if token[:1].isalpha() or token[:1] == "_":
            self.names.add(token)
            return token
        raise CardError(
            f"'{self.text}': a name or a number is missing" + (f" before '{token}'" if token else "")
        )

    def take(self) -> str:
        token = self.token or ""
        self.place += 1
        return token
