"""docs/learn.md: what it shows is what happens, and every word for certainty is explained."""

from __future__ import annotations

import re
from pathlib import Path
from typing import get_args

from doc_blocks import page_as_it_should_be, python_failures
from tapewright.learn.certainty import Certainty

PAGE = (Path(__file__).parents[2] / "docs" / "learn.md").read_text(encoding="utf-8")


def test_commands_print_what_stands_below_them_and_python_does_the_same(tmp_path: Path) -> None:
    """If this fails: look at the difference, and if it is right, run scripts/write-docs."""
    assert page_as_it_should_be(PAGE, tmp_path) == PAGE
    assert python_failures(PAGE, tmp_path) == ""


def test_every_word_for_how_sure_is_explained() -> None:
    table = PAGE.partition("## Reading the answer")[2].partition("\n## ")[0]
    assert re.findall(r"^\| (\w+) \|", table, re.M)[1:] == list(get_args(Certainty))
