"""Finding and reading cards: strict, and with errors that say where and what was expected."""

from __future__ import annotations

import difflib
import tomllib
from functools import lru_cache
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import TypeVar

from pydantic import ValidationError

from tapewright.cards.format import FormatCard
from tapewright.cards.machine import MachineCard
from tapewright.cards.problems import first_problem, one_line, shown
from tapewright.cards.rig import RigCard
from tapewright.model import CardError

__all__ = [
    "format_names",
    "load_format",
    "load_machine",
    "load_rig",
    "machine_names",
    "parse_card",
    "rig_names",
]

#: No card needs more; a larger file is not one.
LARGEST_CARD_BYTES = 256 * 1024

AnyCard = TypeVar("AnyCard", FormatCard, MachineCard, RigCard)
#: What stands in a card's `card` key.
_WORD: dict[type, str] = {FormatCard: "format", MachineCard: "machine", RigCard: "rig"}


def format_names() -> list[str]:
    """Names of the built-in format cards, in order."""
    return _names("formats")


def machine_names() -> list[str]:
    """Names of the built-in machine cards, in order."""
    return _names("machines")


def rig_names() -> list[str]:
    """Names of the built-in rig cards, in order: examples, as a rig is its owner's."""
    return _names("rigs")


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


def load_rig(name_or_path: str | Path | RigCard) -> RigCard:
    """Load a rig card from a TOML file, or a built-in example by name; errors as `load_format`."""
    if isinstance(name_or_path, RigCard):
        return name_or_path
    return _load(name_or_path, RigCard, "rigs", "rig")


def parse_card(text: str, kind: type[AnyCard], path: str) -> AnyCard:
    """Parse and check the TOML text of a card.

    Parameters
    ----------
    text : str
    kind : type
        `FormatCard`, `MachineCard` or `RigCard`.
    path : str
        Named in errors.

    Raises
    ------
    CardError
    """
    if len(text) > LARGEST_CARD_BYTES:
        raise _too_large(path)
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise _error(path, "", f"this is not valid TOML: {error}") from None
    except ValueError:  # tomllib passes on Python's limit of 4300 digits
        raise _error(path, "", "a number in it has thousands of digits; no card needs one") from None
    except RecursionError:
        raise _error(path, "", "tables or lists are nested too deep for a card") from None
    word = _WORD[kind]
    if table.get("card") != word:
        found = f"card = {shown(table['card'])}" if "card" in table else "the key is missing"
        raise _error(path, "card", f'{found}; a {word} card begins with card = "{word}"')
    try:
        return kind.model_validate(table)
    except ValidationError as error:
        raise _error(path, *first_problem(error, kind)) from None


def _error(path: str, key: str, problem: str) -> CardError:
    where = f"{path}: {key}" if key else path
    return CardError(one_line(f"{where}: {problem}"), path=path, key=key or None)


def _too_large(path: str) -> CardError:
    return _error(path, "", f"too large for a card; {LARGEST_CARD_BYTES // 1024} kB is the most")


def _library(folder: str) -> Traversable:
    return resources.files("tapewright.cards").joinpath("library", folder)


@lru_cache(maxsize=4)
def _names_cached(folder: str) -> tuple[str, ...]:
    shelf = _library(folder)
    if not shelf.is_dir():  # git keeps no empty folder
        return ()
    names = (entry.name for entry in shelf.iterdir())
    return tuple(sorted(name.removesuffix(".toml") for name in names if name.endswith(".toml")))


def _names(folder: str) -> list[str]:
    return list(_names_cached(folder))


def _load(name_or_path: str | Path, kind: type[AnyCard], folder: str, word: str) -> AnyCard:
    text = str(name_or_path)
    if text in _names(folder):
        card: AnyCard = _load_built_in(text, kind, folder)
        return card
    looks_like_file = isinstance(name_or_path, Path) or text.endswith(".toml") or "/" in text or "\\" in text
    if not looks_like_file:
        if Path(text).is_file():
            raise CardError(
                one_line(f"{text} is no {word} card; a card is a TOML file, and its name ends in .toml"),
                path=text,
            )
        near = difflib.get_close_matches(text, _names(folder), n=1)
        hint = f"did you mean {near[0]}?" if near else _where_to_look(folder)
        raise CardError(one_line(f"there is no {word} card named '{text}'; {hint}"), path=text)
    return parse_card(_read_text(text, word), kind, text)


def _where_to_look(folder: str) -> str:
    if folder == "rigs":  # owners have files of their own: there is no list worth a command
        return f"give the path of your own (a TOML file), or the example {_names(folder)[0]}"
    return f"'tapewright {folder} list' shows those there are"


def _read_text(path: str, word: str) -> str:
    try:
        if Path(path).is_dir():
            raise _error(path, "", f"this is a folder; give a {word} card, a TOML file")
        with Path(path).open("rb") as file:  # never more than a card's worth, whatever kind of file it is
            content = file.read(LARGEST_CARD_BYTES + 1)
        if len(content) > LARGEST_CARD_BYTES:
            raise _too_large(path)
        return content.decode("utf-8-sig").replace("\r\n", "\n")
    except FileNotFoundError:
        raise _error(path, "", "no such file; give a built-in name or a TOML file") from None
    except UnicodeDecodeError:
        raise _error(path, "", f"this is not text; a {word} card is a TOML file in UTF-8") from None
    except OSError as error:
        reason = (error.strerror or "no reason given").lower()
        raise _error(path, "", f"it cannot be read ({reason}); check its permissions") from None
    except ValueError:  # a NUL character
        raise _error(path, "", "this cannot be the name of a file") from None


@lru_cache(maxsize=64)
def _load_built_in(name: str, kind: type[AnyCard], folder: str) -> AnyCard:
    content = _library(folder).joinpath(f"{name}.toml").read_text(encoding="utf-8")
    return parse_card(content, kind, f"{name}.toml")
