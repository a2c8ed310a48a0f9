"""Help, and what it costs: nothing heavy is loaded before it is needed."""

from __future__ import annotations

import json
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

import tapewright.cli
from command_line import run

COMMANDS = {
    "write": [], "read": [], "verify": [], "window": [], "learn": [],
    "formats": ["list", "show", "check"],
    "machines": ["list", "show", "check"],
    "rig": ["steps", "measure"],
    "image": ["show", "convert", "compare", "sheet"],
    "demo": [],
}  # fmt: skip
ALL = [[name] for name in COMMANDS] + [[name, sub] for name, subs in COMMANDS.items() for sub in subs]


def test_help_lists_the_commands_of_the_contract_that_there_are_and_no_other():
    out = run("--help").out
    listed = [
        line.strip("│ ").split()[0] for line in out.splitlines() if line.startswith("│ ") and line[2] != " "
    ]
    assert [word for word in listed if not word.startswith("-")] == list(COMMANDS)


def test_no_words_at_all_is_a_request_for_help():
    ran = run()
    assert (ran.code, ran.out) == (0, run("--help").out)


@pytest.mark.parametrize("words", ALL, ids=" ".join)
def test_every_command_explains_itself_with_an_example(words):
    ran = run(*words, "--help")
    assert ran.code == 0
    assert ran.err == ""
    _, _, examples = ran.out.partition("For example:")
    assert f"tapewright {' '.join(words)}" in examples


@pytest.mark.parametrize("words", [words for words in ALL if words != ["demo"]], ids=" ".join)
def test_examples_are_commands_that_parse(words, tmp_path, monkeypatch):
    """What stands in the help is refused for its files at most, never for its words."""
    monkeypatch.chdir(tmp_path)
    _, _, examples = run(*words, "--help").out.partition("For example:")
    lines = [line.strip() for line in examples.splitlines() if line.strip()]
    assert lines
    for line in lines:
        ran = run(*shlex.split(line.split(">")[0])[1:])
        assert ran.code == 0 or "no such file" in ran.err, line


def test_version():
    assert run("--version").out == f"tapewright {tapewright.__version__}\n"


LIGHT = """
import json, sys, types
# The package's own front door loads the library; the command line itself must not.
package = types.ModuleType("tapewright")
package.__path__, package.__version__ = [sys.argv[1]], "0"
sys.modules["tapewright"] = package
from tapewright.cli import main
code = main(sys.argv[2:])
heavy = ("numba", "scipy", "av", "soundfile", "plotly", "typst")
print(json.dumps([code, [name for name in heavy if name in sys.modules]]), file=sys.stderr)
"""


@pytest.mark.parametrize(
    "words, expected",
    [
        (["--help"], 0), (["read", "--help"], 0), (["formats", "list"], 0), (["machines", "list"], 0),
        (["formats", "show", "kcs-300"], 0), (["wriet"], 2), (["read", "x.wav", "--fromat", "kcs-300"], 2),
        (["image", "show", "x.bin", "--start", "512"], 2), (["learn", "x.wav", "-o", "x.toml"], 2),
    ],
)  # fmt: skip
def test_help_cards_and_mistakes_load_nothing_heavy(words, expected):
    folder = Path(tapewright.cli.__file__).parent.parent
    done = subprocess.run(
        [sys.executable, "-c", LIGHT, folder, *words], capture_output=True, text=True, check=True
    )
    assert json.loads(done.stderr.splitlines()[-1]) == [expected, []]
