"""docs/architecture.md: its worked example runs, and its settings and tree are those of the code."""

from __future__ import annotations

import importlib
import pkgutil
import re
from pathlib import Path
from types import ModuleType

import tapewright
import tapewright.blocks
import tapewright.learn
import tapewright.line
from doc_blocks import python_failures
from tapewright.chain import learn
from tapewright.learn import (
    certainty,
    checks,
    cuts,
    facts,
    fields,
    framing,
    guesses,
    kinds,
    known,
    line_code,
    matching,
    names,
    options,
)

PAGE = (Path(__file__).parents[2] / "docs" / "architecture.md").read_text(encoding="utf-8")


def test_the_worked_example(tmp_path):
    assert python_failures(PAGE, tmp_path) == ""


def test_the_tree_is_the_package():
    tree = PAGE.partition("    src/tapewright/\n")[2].partition("\n\n")[0]
    listed = re.findall(r"^      (\w+)(?:/|\.py) ", tree, re.M)
    there = [module.name for module in pkgutil.iter_modules(tapewright.__path__) if module.name != "__main__"]
    assert sorted(listed) == sorted(there)


def settings_of(package: ModuleType) -> dict[str, object]:
    """Give every name of every module of a package, wherever in it a setting stands."""
    names: dict[str, object] = {}
    for module in pkgutil.iter_modules(package.__path__):
        names |= vars(importlib.import_module(f"{package.__name__}.{module.name}"))
    return names


def section(title: str) -> str:
    return PAGE.partition(f"## {title}")[2].partition("\n## ")[0]


def assert_settings(title: str, settings: dict[str, object]) -> None:
    rows = re.findall(r"^\| `([A-Z0-9_]+)` \| ([\d.]+) \|", section(title), re.M)
    assert len(rows) >= 10
    assert {name: float(value) for name, value in rows} == {name: settings.get(name) for name, _ in rows}


def test_settings_of_the_receiver_are_those_of_the_code():
    assert_settings("The receiver", settings_of(tapewright.line))


def test_settings_of_learning_are_those_of_the_code():
    sound_to_bytes = (cuts, fields, framing, known, line_code, matching, names, options)
    settings: dict[str, object] = {}
    for module in (*sound_to_bytes, certainty, checks, guesses, kinds, learn):
        settings |= vars(module)
    assert_settings("Learning a format", settings)
    prices = facts.PRICE_BITS.values()
    assert f"| `PRICE_BITS` | {min(prices):g} to {max(prices):g} |" in section("Learning a format")
    assert min(prices) == facts.PRICE_BITS["start"] == facts.PRICE_BITS["length"]
    assert max(prices) == facts.PRICE_BITS["remaining"]


def test_modules_that_are_named_are_there():
    for title, package in (("The receiver", tapewright.line), ("Learning a format", tapewright.learn)):
        named = set(re.findall(r"`(\w+)\.py`", section(title)))
        assert named
        assert named - {module.name for module in pkgutil.iter_modules(package.__path__)} == set()


def test_settings_quoted_in_words():
    """Figures of the running text that a change of the code would make untrue."""
    bank = settings_of(tapewright.line)["BANK"]
    least, follow = (settings_of(tapewright.blocks)[name] for name in ("LEAST_BITS", "FOLLOW_BITS"))
    text = " ".join(PAGE.split())
    assert f"a bank of {len(bank)} speeds, {100 * (bank[1] / bank[0] - 1):.1f} % apart" in text
    assert f"{least:g} bits are needed" in text
    share, fewest, most = (
        settings_of(tapewright.line)[name] for name in ("HOPEFUL_SHARE", "FEWEST_FINALISTS", "MOST_FINALISTS")
    )
    assert (fewest, most) == (4, 8)
    assert f"at least {share:g} of the best one's evidence there, four to eight of them" in text
    record = Path(__file__).parents[2] / "docs" / "decisions" / "0005-evidence-in-bits.md"
    assert f"{least:g} bits alone, {follow:g} where" in " ".join(record.read_text(encoding="utf-8").split())
