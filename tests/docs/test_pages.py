"""The pages together: links lead somewhere, commands exist, nothing is left out, nothing forbidden is in."""

from __future__ import annotations

import re
import runpy
import shlex
import subprocess
from pathlib import Path

import pytest

from doc_blocks import blocks
from tapewright.cli.app import app

ROOT = Path(__file__).parents[2]
PAGES = sorted([*ROOT.glob("*.md"), *ROOT.glob("docs/**/*.md")])
WRITER = runpy.run_path(str(ROOT / "scripts" / "write-docs"))
COMMANDS = [" ".join(words) for words in WRITER["commands"](app)]
#: Commands of the contract that are still to be built; one that is built leaves this list and the README's.
TO_BE_BUILT = ["recorder", "listen", "shelf", "batch", "bench"]


def name_of(page: Path) -> str:
    return str(page.relative_to(ROOT))


def anchor(heading: str) -> str:
    """Give the anchor that a page gets for a heading."""
    return re.sub(r"[^\w\- ]", "", heading.strip().lower()).replace(" ", "-")


@pytest.mark.parametrize("page", PAGES, ids=name_of)
def test_links_lead_somewhere(page):
    text = page.read_text(encoding="utf-8")
    lost = []
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        path, _, place = target.partition("#")
        there = page.parent / path if path else page
        if not there.exists():
            lost.append(target)
        elif place:
            headings = re.findall(r"^#+ (.*)$", there.read_text(encoding="utf-8"), re.M)
            if place not in map(anchor, headings):
                lost.append(target)
    assert lost == []


@pytest.mark.parametrize("page", PAGES, ids=name_of)
def test_files_named_in_the_text_are_there(page):
    """Whatever looks like a path into this repository is one."""
    text = page.read_text(encoding="utf-8")
    named = set(re.findall(r"`((?:src|tests|docs|scripts)/[\w./-]+)`", text))
    assert [path for path in sorted(named) if not (ROOT / path).exists()] == []


def test_commands_page_is_what_the_program_tells():
    """If this fails, run scripts/write-docs."""
    page = (ROOT / "docs" / "commands.md").read_text(encoding="utf-8")
    assert page == WRITER["commands_page"]()


def test_commands_page_has_every_command():
    page = (ROOT / "docs" / "commands.md").read_text(encoding="utf-8")
    assert re.findall(r"^##+ (.*)$", page, re.M) == ["tapewright", *COMMANDS]


def test_readme_says_what_works_and_what_is_not_built_yet():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    _, _, section = readme.partition("## What works today")
    works, _, rest = section.partition("| not built yet |")
    table = "\n".join(line for line in rest.splitlines()[1:] if line.startswith("|"))
    assert set(re.findall(r"`(\w+)`", "".join(re.findall(r"^\| (`.*?`) \|", works, re.M)))) == {
        command.split()[0] for command in COMMANDS
    }
    assert re.findall(r"^\| `(\w+)` \|", table, re.M) == TO_BE_BUILT
    assert not set(TO_BE_BUILT) & {command.split()[0] for command in COMMANDS}


def typed_commands() -> list[tuple[str, str]]:
    """Give every command line on our pages, in blocks and within sentences."""
    found = []
    for page in PAGES:
        text = page.read_text(encoding="utf-8")
        inline = re.findall(
            r"`(?:\.venv/bin/)?(tapewright [^`]+)`", re.sub(r"```.*?```", "", text, flags=re.S)
        )
        shown = [
            line.removeprefix("$ ").strip()
            for block in blocks(text)
            if block["kind"] in ("console", "sh")
            for line in block["body"].splitlines()
            if line.startswith(("$ tapewright ", "tapewright "))
        ]
        found += [(name_of(page), " ".join(line.split())) for line in [*inline, *shown]]
    return found


@pytest.mark.parametrize("page, line", typed_commands(), ids=lambda value: value)
def test_commands_on_our_pages_exist_with_their_options(page, line):
    words = shlex.split(line)[1:]
    if words[0] == "COMMAND":
        return
    command = next((c for c in reversed(COMMANDS) if words[: len(c.split())] == c.split()), None)
    assert command is not None, f"there is no command for {line!r}"
    options = {word.split("=")[0] for word in words if word.startswith("-")}
    known = WRITER["help_of"](tuple(command.split()))
    assert [option for option in options if not re.search(rf"(?<!\S){option}(?!\S)", known)] == []


def test_decisions_are_numbered_and_of_one_shape():
    records = sorted((ROOT / "docs" / "decisions").glob("*.md"))
    assert [record.name[:4] for record in records] == [f"{n:04}" for n in range(1, len(records) + 1)]
    for record in records:
        text = record.read_text(encoding="utf-8")
        assert text.startswith(f"# {record.name[:4]}: ")
        assert re.findall(r"^\*\*(\w+)\.\*\*", text, re.M) == [
            "Context",
            "Choice",
            "Alternatives",
            "Consequences",
        ]


def test_no_file_names_an_index():
    """Where packages come from is the setting of whoever installs them."""
    hosts = [
        "https://py" + "pi",
        "py" + "pi.org",
        "files.python" + "hosted",
        "index-" + "url =",
        "--index-" + "url",
    ]
    listed = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    if listed.returncode != 0:
        pytest.skip("not a git checkout")
    names = [name for name in listed.stdout.splitlines() if (ROOT / name).is_file()]
    assert len(names) > 100
    found = [(name, host) for name in names for host in hosts if host.encode() in (ROOT / name).read_bytes()]
    assert found == []
