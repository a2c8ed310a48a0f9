"""Finding and reading cards: strict, and with errors that say where and what was expected."""

from __future__ import annotations

import difflib
import tomllib
from functools import lru_cache
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from tapewright.cards import checks, machine, symbols
from tapewright.cards import format as format_card
from tapewright.cards.format import FormatCard
from tapewright.cards.layout import ITEM_KINDS
from tapewright.cards.machine import MachineCard
from tapewright.cards.symbols import PIECE_KEYS
from tapewright.model import CardError

__all__ = ["format_names", "load_format", "load_machine", "machine_names", "parse_card"]

#: No card needs more; a larger file is not one.
LARGEST_CARD_BYTES = 256 * 1024

AnyCard = TypeVar("AnyCard", FormatCard, MachineCard)


def format_names() -> list[str]:
    """Names of the built-in format cards, in order."""
    return _names("formats")


def machine_names() -> list[str]:
    """Names of the built-in machine cards, in order."""
    return _names("machines")


def load_format(name_or_path: str | Path | FormatCard) -> FormatCard:
    """Load a format card by built-in name or from a TOML file.

    Raises
    ------
    CardError
        If there is no such card (the message offers the nearest name) or it breaks a rule (the message
        gives file, key path and what was expected).
    """
    if isinstance(name_or_path, FormatCard):
        return name_or_path
    return _load(name_or_path, FormatCard, "formats", "format")


def load_machine(name_or_path: str | Path | MachineCard) -> MachineCard:
    """Load a machine card by built-in name or from a TOML file; errors as `load_format`."""
    if isinstance(name_or_path, MachineCard):
        return name_or_path
    return _load(name_or_path, MachineCard, "machines", "machine")


def parse_card(text: str, kind: type[AnyCard], path: str) -> AnyCard:
    """Parse and check the TOML text of a card.

    Parameters
    ----------
    text : str
    kind : type
        `FormatCard` or `MachineCard`.
    path : str
        Named in errors.

    Raises
    ------
    CardError
    """
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise CardError(f"{path}: this is not valid TOML: {error}", path=path) from None
    except RecursionError:
        raise CardError(
            f"{path}: tables are nested too deep for a card", path=path
        ) from None
    word = "format" if kind is FormatCard else "machine"
    if table.get("card") != word:
        raise CardError(
            f'{path}: card = {table.get("card")!r}; a {word} card begins with card = "{word}"',
            path=path,
            key="card",
        )
    try:
        return kind.model_validate(table)
    except ValidationError as error:
        key, message = _first_problem(error, kind)
        raise CardError(
            f"{path}: {key}: {message}" if key else f"{path}: {message}",
            path=path,
            key=key,
        ) from None
    except CardError as error:
        raise CardError(f"{path}: {error}", path=path) from None


def _library(folder: str) -> Traversable:
    return resources.files("tapewright.cards").joinpath("library", folder)


@lru_cache(maxsize=4)
def _names_cached(folder: str) -> tuple[str, ...]:
    names = (entry.name for entry in _library(folder).iterdir())
    return tuple(
        sorted(name.removesuffix(".toml") for name in names if name.endswith(".toml"))
    )


def _names(folder: str) -> list[str]:
    return list(_names_cached(folder))


def _load(
    name_or_path: str | Path, kind: type[AnyCard], folder: str, word: str
) -> AnyCard:
    text = str(name_or_path)
    if text in _names(folder):
        return _load_built_in(text, kind, folder)
    path = Path(text)
    looks_like_file = (
        isinstance(name_or_path, Path)
        or text.endswith(".toml")
        or "/" in text
        or "\\" in text
    )
    if not looks_like_file:
        near = difflib.get_close_matches(text, _names(folder), n=1)
        hint = (
            f"; did you mean {near[0]}?"
            if near
            else f"; 'tapewright {folder} list' shows those there are"
        )
        raise CardError(f"there is no {word} card named '{text}'{hint}", path=text)
    try:
        if path.is_dir():
            raise CardError(
                f"{text}: this is a folder; give a {word} card, a TOML file", path=text
            )
        if path.stat().st_size > LARGEST_CARD_BYTES:
            raise CardError(
                f"{text}: too large for a card ({LARGEST_CARD_BYTES // 1024} kB is the most)",
                path=text,
            )
        content = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise CardError(
            f"{text}: no such file; give a built-in name or a TOML file", path=text
        ) from None
    except UnicodeDecodeError:
        raise CardError(
            f"{text}: this is not text; a {word} card is a TOML file in UTF-8",
            path=text,
        ) from None
    except OSError as error:
        raise CardError(
            f"{text}: cannot be read ({error.strerror})", path=text
        ) from None
    return parse_card(content, kind, text)


@lru_cache(maxsize=64)
def _load_built_in(name: str, kind: type[AnyCard], folder: str) -> AnyCard:
    content = _library(folder).joinpath(f"{name}.toml").read_text(encoding="utf-8")
    return parse_card(content, kind, f"{name}.toml")


def _first_problem(error: ValidationError, kind: type[BaseModel]) -> tuple[str, str]:
    """Pick the most telling problem: an unknown key explains the missing one it was meant to be."""
    problems = error.errors(include_url=False)
    worst = min(
        problems,
        key=lambda p: ({"extra_forbidden": 0}.get(p["type"], 1), len(p["loc"])),
    )
    return _key_path(worst["loc"]), _sentence(worst, kind)


_TAGS = {*ITEM_KINDS, *PIECE_KEYS}


def _key_path(location: tuple[int | str, ...]) -> str:
    """Turn pydantic's location into ``block[0].layout[3].type``, leaving out its own union tags."""
    path = ""
    for place, step in enumerate(location):
        if isinstance(step, int):
            path += f"[{step}]"
            continue
        after_item = place > 0 and isinstance(location[place - 1], int)
        is_tag = after_item and step in _TAGS
        if (
            is_tag
            or step in ("CrcCheck", "Expr")
            or step.startswith(("literal[", "function-"))
        ):
            continue
        shown = (
            step
            if step.isidentifier() or step.replace("-", "_").isidentifier()
            else f'"{step}"'
        )
        path += f".{shown}" if path else shown
    return path


def _sentence(problem: ErrorDetails, kind: type[BaseModel]) -> str:
    given = problem.get("input")
    match problem["type"]:
        case "extra_forbidden":
            word = str(problem["loc"][-1])
            known = _known_keys(problem["loc"][:-1], kind)
            near = difflib.get_close_matches(word, known, n=1)
            hint = (
                f"did you mean '{near[0]}'?"
                if near
                else f"known here: {', '.join(known)}"
            )
            return f"there is no key '{word}' here; {hint}"
        case "missing":
            return "this key is missing"
        case "value_error":
            return str(problem["msg"]).removeprefix("Value error, ")
        case "literal_error":
            expected = str(problem.get("ctx", {}).get("expected", ""))
            near = difflib.get_close_matches(
                str(given),
                expected.replace("'", "").replace(" or ", ", ").split(", "),
                n=1,
            )
            hint = f"; did you mean '{near[0]}'?" if near else ""
            return f"{_short(given)} is not one of {expected}{hint}"
        case "piece_kind" | "item_kind":
            return str(problem["msg"])
        case "string_pattern_mismatch":
            return f"{_short(given)} is not a name; use lower-case letters, digits and hyphens or underscores"
        case _:
            message = str(problem["msg"])
            message = message.replace("Input should", "it should").replace("valid ", "")
            return f"{message[0].lower()}{message[1:]}, not {_short(given)}"


def _known_keys(location: tuple[int | str, ...], kind: type[BaseModel]) -> list[str]:
    """Keys allowed at a place in a card, following the models down."""
    if not location:
        return list(kind.model_fields)
    by_step: dict[str, type[BaseModel]] = {
        **ITEM_KINDS,
        "tone": symbols.Tone, "half_waves": symbols.HalfWaves, "levels": symbols.Levels, "silence": symbols.Silence,
        "byte": format_card.ByteFormat, "block": format_card.BlockLayout, "last_when": format_card.LastWhen,
        "CrcCheck": checks.CrcCheck, "crc": checks.CrcParameters,
        "output": machine.OutputStage, "connector": machine.Connector, "memory": machine.Memory,
        "caution": machine.Caution,
    }  # fmt: skip
    for step in reversed(location):
        if isinstance(step, str) and step in by_step:
            return list(by_step[step].model_fields)
    return list(kind.model_fields)


def _short(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."
