"""docs/interface.md and docs/glossary.md: complete, and in step with the code."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from command_line import PROGRAM, QUICK_CARD, START, run, with_silence
from doc_blocks import python_failures
from tapewright.cli import app as command_line
from tapewright.model import errors
from tapewright.model.reading import CHECKS, DOUBTFUL

ROOT = Path(__file__).parents[2]
INTERFACE = (ROOT / "docs" / "interface.md").read_text(encoding="utf-8")
GLOSSARY = (ROOT / "docs" / "glossary.md").read_text(encoding="utf-8")
README = (ROOT / "README.md").read_text(encoding="utf-8")

#: The words that people and scripts rely on, in their order; they change only when the interface does.
WORDS = [
    "recording", "symbol", "block", "image", "format card", "machine card", "reading", "check", "confidence",
    "window", "rig", "shelf",
]  # fmt: skip


def test_the_python_examples(tmp_path):
    assert python_failures(INTERFACE, tmp_path) == ""


def section(page: str, heading: str) -> str:
    _, found, rest = page.partition(f"\n## {heading}\n")
    assert found
    return rest.partition("\n## ")[0]


def first_column(text: str) -> list[str]:
    rows = re.findall(r"^\| (.+?) \|", text, re.M)
    return [row.strip("`") for row in rows[2:]]  # after the heading and the line below it


def test_our_words_are_the_words_of_the_contract():
    ours = first_column(section(GLOSSARY, "Our words"))
    assert [word for word in ours if word in WORDS] == WORDS


def test_no_word_is_explained_twice():
    rows = [row for part in re.split(r"^## ", GLOSSARY, flags=re.M)[1:] for row in first_column(part)]
    assert len(rows) > 30
    assert len(set(rows)) == len(rows)


def test_the_values_of_a_check_are_those_of_the_code():
    row = next(line for line in GLOSSARY.splitlines() if line.startswith("| check |"))
    assert tuple(re.findall(r"`(\w+)`", row)) == CHECKS
    assert f"`{'`, `'.join(CHECKS[:2])}`" in INTERFACE


@pytest.mark.parametrize("page", [INTERFACE, README], ids=["interface", "readme"])
def test_every_exit_code(page):
    codes = [command_line.DONE, command_line.DAMAGED, command_line.FAILED, command_line.INTERRUPTED]
    assert first_column(section(page, "Exit codes")) == [str(code) for code in codes]


def test_the_limit_of_doubt_is_that_of_the_code():
    assert f"a confidence below {DOUBTFUL:g}" in " ".join(INTERFACE.split())


def test_every_error_class_with_its_base_and_what_it_carries():
    rows = re.findall(
        r"^\| `(\w+)` \| `(\w+)` \| .*? \| (.*?) ?\|$", section(INTERFACE, "Errors in Python"), re.M
    )
    assert [name for name, _, _ in rows] == [
        "TapewrightError", "InputError", "AudioError", "SignalError", "ImageError", "CardError",
        "OutputError", "UsageError",
    ]  # fmt: skip
    assert {name for name, _, _ in rows} == set(errors.__all__)
    for name, base, carried in rows:
        kind = getattr(errors, name)
        assert kind.__bases__[0].__name__ == base
        assert set(re.findall(r"`(\w+)`", carried)) == set(vars(kind("what is wrong")))


@pytest.fixture(scope="module")
def tape(tmp_path_factory):
    """A damaged tape, and the program it should hold."""
    folder = tmp_path_factory.mktemp("interface")
    card, program, sound = folder / "quick.toml", folder / "program.bin", folder / "tape.wav"
    card.write_text(QUICK_CARD)
    program.write_bytes(PROGRAM)
    run("write", program, "-o", sound, "--format", card, "--start", hex(START), "--name", "TEST")
    return {"card": card, "program": program, "hurt": with_silence(sound, folder / "hurt.wav", 1.90, 1.94)}


def fields(document: object, at: str = "") -> set[str]:
    """Name every field of a document by its path; what stands in `fields` is the card's own."""
    if isinstance(document, dict):
        inner = [] if at.endswith(".fields") else document.items()
        return {at} | {path for key, value in inner for path in fields(value, f"{at}.{key}")}
    if isinstance(document, list):
        return {at} | {path for value in document for path in fields(value, f"{at}[]")}
    return {at}


def test_the_example_of_read_json_has_the_fields_of_a_real_one(tape):
    example = json.loads(re.search(r"```json\n(.*?)```", INTERFACE, re.S)[1])
    real = json.loads(run("read", tape["hurt"], "--format", tape["card"], "--json").out)
    assert real["blocks"][0]["faults"]
    real["faults"] = [{"kind": "hum", "text": "it hums", "remedy": None}]
    assert fields(real) == fields(example)


def test_every_field_of_read_json_is_explained():
    example = json.loads(re.search(r"```json\n(.*?)```", INTERFACE, re.S)[1])
    names = {path.rpartition(".")[2].removesuffix("[]") for path in fields(example)} - {""}
    explained = set(re.findall(r"`(\w+)`", section(INTERFACE, "`read --json`").partition("```\n\n|")[2]))
    assert sorted(names - explained) == []


@pytest.mark.parametrize(
    "words",
    [
        ["verify", "hurt", "program", "--start", hex(START), "--format", "card"],
        ["image", "compare", "program", "program"],
        ["image", "show", "program"],
        ["formats", "list"],
        ["machines", "list"],
    ],
    ids=lambda words: " ".join(words[:2]),
)
def test_every_field_of_the_other_documents(tape, words):
    real = json.loads(run(*(tape.get(word, word) for word in words), "--json").out)
    command = " ".join(word for word in words[:2] if word not in tape)
    row = next(
        line
        for line in section(INTERFACE, "The other documents").splitlines()
        if f"`{command} --json`" in line
    )
    named = set(re.findall(r"`(\w+)`", row.partition("--json`")[2].partition(" | ")[2]))
    top = real[0] if isinstance(real, list) else real
    assert set(top) - named == set()
    for difference in top.get("differences", [])[:1] if isinstance(top, dict) else []:
        assert set(difference) - named == set()
    invented = named - set(top) - {"address", "program", "tape", "first", "second"}
    assert invented == set()
