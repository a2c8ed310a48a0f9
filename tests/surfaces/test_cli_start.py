"""Starting: what takes long to import is not imported by commands that have no use for it."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

import tapewright as tw

#: Each takes a tenth of a second or more, and reading or helping needs none of them.
HEAVY = {
    "scipy.ndimage",
    "scipy.signal",
    "scipy.stats",
    "scipy.optimize",
    "plotly",
    "jinja2",
    "typst",
    "bincopy",
}
LISTED = "import json, sys; from tapewright.cli import main; code = main({words!r});" \
    " sys.stdout.flush(); print(json.dumps([code, sorted(sys.modules)]))"  # fmt: skip


def run(*words: str) -> tuple[int, set[str]]:
    """Run a command in a process of its own; give its exit code and what was imported."""
    done = subprocess.run(
        [sys.executable, "-c", LISTED.format(words=list(words))], capture_output=True, text=True, check=True
    )
    code, modules = json.loads(done.stdout.splitlines()[-1])
    return code, set(modules)


def test_help_waits_for_no_receiver():
    code, modules = run("--help")
    assert code == 0
    assert not modules & (HEAVY | {"numpy", "numba", "pydantic"})


@pytest.mark.parametrize("words", [["--format", "kcs-1200"], ["--format", "kcs-1200", "--json"]])
def test_reading_imports_nothing_it_has_no_use_for(tmp_path, words):
    tape = tmp_path / "tape.wav"
    tw.write(b"HELLO, TAPE", tape, format="kcs-1200")
    code, modules = run("read", str(tape), *words, "-o", str(tmp_path / "out.bin"))
    assert code in (0, 1)
    assert (tmp_path / "out.bin").read_bytes() == b"HELLO, TAPE"
    assert not modules & HEAVY
