"""``tapewright formats`` and ``tapewright machines``: list, show, check."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Annotated, Any

from cyclopts import Parameter

from tapewright.cli.app import DONE, FAILED
from tapewright.cli.options import Json
from tapewright.cli.screen import GOOD, TITLE, emit, note, print_json, say

__all__ = [
    "check_formats", "check_machines", "list_formats", "list_machines", "show_format", "show_machine",
]  # fmt: skip

CardName = Annotated[str, Parameter(help="A built-in name, or a TOML file.")]
CardPaths = Annotated[list[str], Parameter(name="CARD...", help="TOML files.")]
Toml = Annotated[bool, Parameter(help="Print the card itself, to be copied and changed.")]


def list_formats(*, json: Json = False) -> int:
    """List format cards."""
    from tapewright.cards import format_names, load_format

    return _list([load_format(name) for name in format_names()], json, "formats")


def list_machines(*, json: Json = False) -> int:
    """List machine cards."""
    from tapewright.cards import load_machine, machine_names

    return _list([load_machine(name) for name in machine_names()], json, "machines")


def _list(cards: Sequence[Any], json: bool, command: str) -> int:
    if json:
        print_json([{"name": card.name, "title": card.title, "source": card.source} for card in cards])
        return DONE
    width = max((len(card.name) for card in cards), default=0)
    for card in cards:
        say((f"{card.name:{width}}", TITLE), f"  {card.title}")
    note(f"'tapewright {command} show NAME' tells more; a TOML file of yours can stand for a name.")
    return DONE


def show_format(card: CardName, /, *, toml: Toml = False) -> int:
    """Tell a format."""
    from tapewright.cards import describe_format, load_format

    found = load_format(card)
    if toml:
        emit(_card_text(card, "formats"))
        return DONE
    return _say_lines(describe_format(found))


def show_machine(card: CardName, /, *, toml: Toml = False) -> int:
    """Tell a machine."""
    from tapewright.cards import describe_machine, load_machine

    found = load_machine(card)
    if toml:
        emit(_card_text(card, "machines"))
        return DONE
    return _say_lines(describe_machine(found))


def check_formats(cards: CardPaths, /) -> int:
    """Check format cards."""
    from tapewright.cards import load_format

    return _check(cards, load_format)


def check_machines(cards: CardPaths, /) -> int:
    """Check machine cards, and that there is the format each names."""
    from tapewright.cards import format_names, load_machine

    def load(path: str) -> Any:
        card = load_machine(path)
        if card.format not in format_names():
            note(
                f"{path}: format: there is no built-in card {card.format!r};"
                " give yours with --format when you write"
            )
        return card

    return _check(cards, load)


def _check(paths: Sequence[str], load: Callable[[str], Any]) -> int:
    from tapewright.model import CardError

    code = DONE
    for path in paths:
        try:
            card = load(path)
        except CardError as error:
            note(f"tapewright: {error}")
            code = FAILED
        else:
            say(f"{path}: ", ("all right", GOOD), f", {card.name}: {card.title}")
    return code


def _say_lines(lines: Sequence[str]) -> int:
    say((lines[0], TITLE))
    for line in lines[1:]:
        say(line)
    return DONE


def _card_text(name: str, folder: str) -> str:
    from importlib import resources

    built_in = resources.files("tapewright.cards").joinpath("library", folder, f"{name}.toml")
    if "/" not in name and "\\" not in name and built_in.is_file():
        return built_in.read_text(encoding="utf-8")
    return Path(name).read_text(encoding="utf-8-sig")
