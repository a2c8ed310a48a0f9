"""What goes to the terminal: results to stdout, progress and messages to stderr.

Colour and the moving progress line appear on terminals only, and not at all with ``NO_COLOR``.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.console import Console

__all__ = [
    "BAD", "DOUBT", "GOOD", "QUIET", "TITLE", "console", "emit", "flush", "note", "plain", "print_json",
    "say", "say_table", "set_up_streams", "working",
]  # fmt: skip

GOOD, BAD, DOUBT, TITLE, QUIET = "bold green", "bold red", "yellow", "bold", "dim"

Part = str | tuple[str, str]


def plain(text: object) -> str:
    """Make a text that came from a tape, a file or its name harmless to a terminal, and one line."""
    return "".join(c if c.isprintable() else _escaped(c) for c in str(text))


def _escaped(character: str) -> str:
    code = ord(character)
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}"


def console(*, stderr: bool = False) -> Console:
    """Make a rich console that survives its reader going away (``| head``) and leaves the exit code alone."""
    from rich.console import Console

    class _Patient(Console):
        def on_broken_pipe(self) -> None:
            self.quiet = True
            _abandon_stdout()

    return _Patient(stderr=stderr, highlight=False, markup=False, emoji=False)


def say(*parts: Part) -> None:
    """Print one line of the result, made of texts and of (text, style)."""
    from rich.padding import Padding
    from rich.text import Text

    line = Text()
    for part in parts:
        line.append(*((plain(part[0]), part[1]) if isinstance(part, tuple) else (plain(part),)))
    out = console()
    if not out.is_terminal:  # files and pipes get each line whole
        out.print(line, soft_wrap=True)
        return
    indent = len(line.plain) - len(line.plain.lstrip())
    out.print(Padding(line[indent:], (0, 0, 0, indent), expand=False) if indent else line)


def say_table(headings: Sequence[str], rows: Sequence[Sequence[Part]], *, indent: int = 0) -> None:
    """Print a table; files and pipes get each row on one line, the last cell as long as it is."""
    from rich.padding import Padding
    from rich.table import Table
    from rich.text import Text

    cells = [[(plain(p[0]), p[1]) if isinstance(p, tuple) else (plain(p), "") for p in row] for row in rows]
    out = console()
    if out.is_terminal:
        table = Table(*headings, box=None, padding=(0, 2, 0, 0), header_style=TITLE)
        for row in cells:
            table.add_row(*(Text(*cell) for cell in row))
        out.print(Padding(table, (0, 0, 0, indent), expand=False))
        return
    lines = [list(headings), *([text for text, _ in row] for row in cells)]
    widths = [max(map(len, column)) for column in zip(*lines, strict=True)]
    for line in lines:
        cut = "  ".join(text.ljust(width) for text, width in zip(line, widths, strict=True)).rstrip()
        say(" " * indent + cut)


def emit(text: str) -> None:
    """Print text exactly as it is."""
    try:
        sys.stdout.write(text)
        sys.stdout.flush()
    except BrokenPipeError:
        _abandon_stdout()


def print_json(document: Any) -> None:
    """Print one strict JSON document: numbers that JSON does not have are an error, never ``NaN``."""
    emit(json.dumps(document, allow_nan=False) + "\n")


def note(text: object) -> None:
    """Print a message, one line, to stderr."""
    with suppress(BrokenPipeError):
        sys.stderr.write(f"{plain(text)}\n")
        sys.stderr.flush()


@contextmanager
def working(what: str) -> Iterator[None]:
    """Show on a terminal that work goes on, and say so when compiled code has to be made first."""
    from tapewright.cli.compilation import attend_compilation

    attend_compilation()
    err = console(stderr=True)
    if err.is_terminal:
        with err.status(plain(what)):
            yield
    else:
        yield


def set_up_streams() -> None:
    """Let characters the terminal cannot show be escaped rather than stop the program."""
    for stream in (sys.stdout, sys.stderr):
        with suppress(AttributeError, ValueError):
            stream.reconfigure(errors="backslashreplace")  # type: ignore[union-attr] # where it can


def flush() -> None:
    """Flush stdout while its errors can still be told."""
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        _abandon_stdout()


def _abandon_stdout() -> None:
    """Send the rest of stdout nowhere, so that nothing complains when the interpreter ends."""
    with suppress(OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)
