"""README.md: what it shows is what happens."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from doc_blocks import blocks, page_as_it_should_be, python_failures

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    """The folder in which everything the page shows was done, and the page that came of it."""
    folder = tmp_path_factory.mktemp("readme")
    return folder, page_as_it_should_be(README, folder)


def test_commands_print_what_stands_below_them(done):
    """If this fails: look at the difference, and if it is right, run scripts/write-docs."""
    assert done[1] == README


def test_what_the_page_says_is_made_is_made(done):
    folder, _ = done
    for name in re.findall(r"-o (\S+)", "".join(b["body"] for b in blocks(README) if b["kind"] == "console")):
        assert (folder / name).stat().st_size > 0


def test_python_example(done):
    assert python_failures(README, done[0]) == ""


def test_a_failing_command_is_followed_by_its_exit_code():
    """Somebody who follows the page must see when a command is meant to complain."""
    shown = "".join(block["body"] for block in blocks(README) if block["kind"] == "console")
    for complaint in ("do NOT switch", "is there already"):
        assert complaint in shown
        assert re.search(rf"{complaint}(?:[^$]|\$ echo)*\n\$ echo \$\?\n[12]\n", shown)


def test_make_targets_exist():
    targets = re.findall(r"^make (\w+)", README, re.M)
    assert {"demo", "test"} <= set(targets)
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    assert [name for name in targets if not re.search(rf"^{name}:", makefile, re.M)] == []


def test_it_opens_with_one_paragraph_on_the_job():
    title, job, next_heading = README.split("\n\n")[:3]
    assert title == "# Tapewright"
    assert job.startswith("Tapewright is for people who")
    assert next_heading.startswith("## ")


@pytest.mark.parametrize(
    "hazard",
    [  # what has to be said before anything is connected: standards dossier, section 6.3
        "hot chassis", "qualified technician", "isolation", "never switch mains", "loudspeaker-level", "pad",
        "bridge-mode", "charged capacitors", "leaking batteries", "low volume", "local electrical code",
        "remote jack", "common practice",
    ],
)  # fmt: skip
def test_cautions(hazard):
    _, _, section = README.partition("## Before you connect anything")
    assert hazard in section.partition("\n## ")[0].lower().replace("\n", " ")
