"""Running what the documentation shows: its files are made, its commands run, its output written anew.

A page may hold three kinds of blocks that mean something here::

    <!-- file: lamp.txt -->      the text block after it is the content of that file
    ```console                   lines with "$ " are commands, lines without are what they print
    ```python                    with ">>> ": an interactive session, as doctest has it
"""

from __future__ import annotations

import contextlib
import doctest
import io
import re
import shlex
from collections.abc import Iterator
from pathlib import Path

from tapewright.cli import main

FENCE = re.compile(
    r"(?P<head>(?:<!-- file: (?P<file>\S+) -->\n)?```(?P<kind>\w+)\n)(?P<body>.*?)(?P<tail>^```$)",
    re.S | re.M,
)
#: Said once on a computer that has not compiled the receiver yet; no page shows it.
FIRST_RUN = "preparing the receiver"


def blocks(page: str) -> Iterator[re.Match[str]]:
    """Give the fenced blocks of a page, in order."""
    return FENCE.finditer(page)


def page_as_it_should_be(page: str, folder: Path) -> str:
    """Do in `folder` what the page shows, and return the page with the output that really came."""
    with contextlib.chdir(folder):
        return FENCE.sub(_done, page)


def _done(block: re.Match[str]) -> str:
    body = block["body"]
    if block["file"]:
        Path(block["file"]).write_text(body, encoding="utf-8")
    elif block["kind"] == "console":
        body = _session(body)
    return block["head"] + body + block["tail"]


def _session(body: str) -> str:
    lines, code = [], 0
    for line in body.splitlines():
        if not line.startswith("$ "):
            continue
        words = shlex.split(line[2:])
        lines.append(line)
        if words == ["echo", "$?"]:
            lines.append(str(code))
        elif words[:1] == ["tapewright"]:
            code, said = _ran(words[1:])
            lines += [text for text in said.splitlines() if not text.startswith(FIRST_RUN)]
        else:
            raise ValueError(f"only tapewright and 'echo $?' can be run here, not {line!r}")
    return "".join(f"{line}\n" for line in lines)


def _ran(words: list[str]) -> tuple[int, str]:
    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        code = main(words)
    return code, said.getvalue()


def python_failures(page: str, folder: Path) -> str:
    """Run the interactive sessions of a page, one after another; return what did not come out as shown."""
    said = io.StringIO()
    names: dict[str, object] = {}
    runner = doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE)
    parser = doctest.DocTestParser()
    with contextlib.chdir(folder):
        for number, block in enumerate(blocks(page)):
            if block["kind"] == "python" and ">>> " in block["body"]:
                test = parser.get_doctest(block["body"], names, f"block {number}", None, 0)
                runner.run(test, out=said.write, clear_globs=False)
                names |= test.globs
    return said.getvalue()
