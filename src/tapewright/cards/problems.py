"""Turning what pydantic found wrong with a card into one sentence for the person who wrote it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from tapewright.cards import checks, machine, machine_input, symbols
from tapewright.cards import format as format_card
from tapewright.cards.base import near_word
from tapewright.cards.layout import ITEM_KINDS

__all__ = ["first_problem", "one_line", "shown"]

LONGEST_SHOWN = 60
#: The order in which problems are told: an unknown key explains the missing one it was meant to be.
_PATIENCE = {"extra_forbidden": 0, "missing": 2, "card_rule": 3}


def first_problem(error: ValidationError, kind: type[BaseModel]) -> tuple[str, str]:
    """Pick the most telling problem.

    Parameters
    ----------
    error : ValidationError
    kind : type
        The model of the whole card.

    Returns
    -------
    key_path, sentence : str
        The path is empty where the card as a whole is meant.
    """
    problems = error.errors(include_url=False)
    worst = min(problems, key=lambda problem: _PATIENCE.get(problem["type"], 1))
    path = _key_path(worst["loc"])
    if worst["type"] == "card_rule":  # found by a rule that sees the whole card and says itself where
        path = str(worst["ctx"]["key"])
    return path, _sentence(worst, kind)


def one_line(text: str) -> str:
    """Keep line breaks and other control characters, which a card may quote, out of a message."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


def shown(value: Any) -> str:
    """Show a value as TOML writes it, shortened."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list"
    if isinstance(value, int) and value.bit_length() > 128:
        return "a number of more than 38 digits"
    if isinstance(value, str):
        text = f'"{value[:LONGEST_SHOWN]}"'
        return text if len(value) <= LONGEST_SHOWN else text[:-1] + '..."'
    text = str(value)
    return text if len(text) <= LONGEST_SHOWN else text[: LONGEST_SHOWN - 3] + "..."


def _key_path(location: tuple[int | str, ...]) -> str:
    """Turn pydantic's location into ``block[0].layout[3].type``; steps that begin with = are union tags."""
    path = ""
    for step in location:
        if isinstance(step, int):
            path += f"[{step}]"
        elif not (step.startswith("=") and len(step) > 1) and step != "[key]":
            plain = step.isascii() and step.replace("-", "_").isidentifier()
            name = step if plain else shown(step)
            path += f".{name}" if path else name
    return path


#: Wording for pydantic's types of error; the rest say "expected".
_EXPECTED = {
    "int_type": "expected a whole number",
    "int_from_float": "expected a whole number",
    "float_type": "expected a number",
    "string_type": "expected a text in quotes",
    "bool_type": "expected true or false",
    "list_type": "expected a list in square brackets",
    "dict_type": "expected a table",
    "model_type": "expected a table",
    "greater_than": "expected more than {gt}",
    "greater_than_equal": "expected at least {ge}",
    "less_than": "expected less than {lt}",
    "less_than_equal": "expected at most {le}",
    "multiple_of": "expected a multiple of {multiple_of}",
    "finite_number": "expected a finite number",
    "string_too_short": "expected at least {min_length} character(s)",
    "string_too_long": "expected at most {max_length} character(s)",
}


def _sentence(problem: ErrorDetails, kind: type[BaseModel]) -> str:
    given, context, location = problem.get("input"), problem.get("ctx", {}), problem["loc"]
    match problem["type"]:
        case "extra_forbidden":
            return _unknown_key(str(location[-1]), location[:-1], kind)
        case "missing":
            return "this key is missing"
        case "value_error":
            return str(problem["msg"]).removeprefix("Value error, ")
        case "card_rule":
            return str(context["problem"])
        case "literal_error":
            expected = str(context.get("expected", ""))
            words = expected.replace("'", "").replace(" or ", ", ").split(", ")
            return f"{shown(given)} is not one of {', '.join(words)}{near_word(given, words)}"
        case "item_kind":
            return _unknown_kind(given, ITEM_KINDS, "an item of a layout", str(problem["msg"]))
        case "piece_kind":
            return _unknown_kind(given, symbols.PIECE_KEYS, "a piece of a symbol", str(problem["msg"]))
        case "check_kind":
            return f"{problem['msg']}, not {shown(given)}"
        case "string_pattern_mismatch":
            return (
                f"{shown(given)} is not a name; use lower-case letters, digits and hyphens"
                " (in names of fields underscores), a letter first"
            )
        case "too_short":
            return (
                f"expected at least {context.get('min_length')} item(s), not {context.get('actual_length')}"
            )
        case "too_long":
            return f"expected at most {context.get('max_length')} item(s)"
        case other if other in _EXPECTED:
            limits = {key: f"{x:g}" if isinstance(x, float) else x for key, x in context.items()}
            return f"{_EXPECTED[other].format(**limits)}, not {shown(given)}"
        case _:
            return f"{shown(given)} cannot be used here ({str(problem['msg'])[:200]})"


def _unknown_key(word: str, location: tuple[int | str, ...], kind: type[BaseModel]) -> str:
    known = _known_keys(location, kind)
    tag = str(location[-1]) if location else ""
    for kinds, what in ((ITEM_KINDS, "item"), (symbols.PIECE_KEYS, "piece")):
        if tag[1:] in kinds and word in kinds:
            return f"'{word}' begins another {what}; give it braces of its own, {{ {word} = ... }}"
    hint = near_word(word, known) or f"; known here are {', '.join(known)}"
    return f"there is no key '{word[:LONGEST_SHOWN]}' here{hint}"


def _unknown_kind(given: Any, kinds: Iterable[str], what: str, rule: str) -> str:
    if not isinstance(given, dict):
        return f"{rule}, not {shown(given)}"
    for word in given:
        if hint := near_word(word, kinds):
            return f"'{str(word)[:LONGEST_SHOWN]}' does not begin {what}{hint}"
    return rule


def _known_keys(location: tuple[int | str, ...], kind: type[BaseModel]) -> list[str]:
    """Keys allowed at a place in a card: those of the innermost table on the way there."""
    by_step: dict[str, type[BaseModel]] = {
        **{f"={key}": model for key, model in ITEM_KINDS.items()},
        **{f"={key}": model for key, model in symbols.PIECE_KINDS.items()},
        "byte": format_card.ByteFormat, "block": format_card.BlockLayout, "last_when": format_card.LastWhen,
        "=table": checks.CrcCheck, "crc": checks.CrcParameters,
        "output": machine.OutputStage, "connector": machine.Connector, "memory": machine.Memory,
        "caution": machine.Caution, "loop": machine_input.LoadLoop,
        **{f"={key}": model for key, model in machine_input.INPUT_KINDS.items()},
    }  # fmt: skip
    for step in reversed(location):
        if isinstance(step, str) and step in by_step:
            return list(by_step[step].model_fields)
    return list(kind.model_fields)
