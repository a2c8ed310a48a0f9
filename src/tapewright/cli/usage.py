"""A command that was typed wrong, in one sentence: what is wrong, what to do, and the nearest word."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from typing import Literal, get_args, get_origin

from cyclopts import (
    CoercionError,
    CycloptsError,
    MissingArgumentError,
    RepeatArgumentError,
    UnknownCommandError,
    UnknownOptionError,
    UnusedCliTokensError,
)

__all__ = ["usage_sentence"]


def usage_sentence(error: CycloptsError) -> str:
    """Say what is wrong with a command line.

    Parameters
    ----------
    error : CycloptsError
        As raised while the words were taken apart.
    """
    help_command = " ".join(["tapewright", *(error.command_chain or ()), "--help"])
    match error:
        case UnknownCommandError():
            return _unknown_command(error, help_command)
        case UnknownOptionError():
            return _unknown_option(error, help_command)
        case MissingArgumentError():
            return _missing(error, help_command)
        case CoercionError():
            return _wrong_value(error)
        case RepeatArgumentError():
            return f"{error.token.keyword} is given twice; give it once"
        case UnusedCliTokensError():
            word = (error.unused_tokens or ["?"])[0]
            return f"{word!r} is one word too many; put names with blanks in quotes, and see '{help_command}'"
        case _:
            return f"{' '.join(str(error).split()).rstrip('.')}; see '{help_command}'"


def _near(word: str, known: Iterable[str], else_say: str) -> str:
    near = difflib.get_close_matches(word, list(known), n=1)
    return f"did you mean {near[0]}?" if near else else_say


def _unknown_command(error: CycloptsError, help_command: str) -> str:
    word = (error.unused_tokens or ["?"])[0]
    known = [name for name in (error.app or ()) if not name.startswith("-")]
    if word.startswith("-"):
        return f"there is no option {word}; {_near(word, ['--help', '--version'], f'see {help_command!r}')}"
    hint = _near(word, known, f"there are {_listed(known, 'and')}; see '{help_command}'")
    return f"there is no command {word!r}; {hint}"


def _unknown_option(error: UnknownOptionError, help_command: str) -> str:
    word = (error.token.keyword or error.token.value).split("=", 1)[0]
    known = [name for argument in error.argument_collection for name in argument.names]
    return f"there is no option {word}; {_near(word, known, f'see {help_command!r}')}"


def _missing(error: MissingArgumentError, help_command: str) -> str:
    argument = error.argument
    if argument is None:
        return f"something is missing; see '{help_command}'"
    if error.keyword or argument.tokens:
        return f"{error.keyword or argument.name} needs a value after it; see '{help_command}'"
    short = next((f" ({name})" for name in argument.names if len(name) == 2), "")
    return f"{argument.name}{short} is missing; see '{help_command}' for an example"


def _wrong_value(error: CoercionError) -> str:
    argument, token = error.argument, error.token
    if token is None or argument is None:
        return f"{' '.join(str(error).split()).rstrip('.')}; correct it"
    name = token.keyword or argument.name
    if get_origin(error.target_type) is Literal:
        choices = [str(choice) for choice in get_args(error.target_type)]
        return f"{name} {token.value!r} is unknown; {_near(token.value, choices, f'give {_listed(choices)}')}"
    kind = {int: "a whole number", float: "a number", bool: "yes or no"}.get(error.target_type or str)
    return f"{name} {token.value!r} is not {kind or 'what belongs there'}; correct it"


def _listed(words: Sequence[str], joint: str = "or") -> str:
    return f"{', '.join(words[:-1])} {joint} {words[-1]}" if len(words) > 1 else "".join(words)
