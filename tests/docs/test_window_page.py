"""docs/window.md: what it shows is what happens, and it leaves nothing out."""

from __future__ import annotations

import ast
import json
import re
from pathlib import Path

from command_line import run
from doc_blocks import page_as_it_should_be

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "window.md").read_text(encoding="utf-8")


def test_commands_print_what_stands_below_them(tmp_path):
    """If this fails: look at the difference, and if it is right, run scripts/write-docs."""
    assert page_as_it_should_be(PAGE, tmp_path) == PAGE


def test_every_key_of_the_json_is_told(tmp_path):
    (tmp_path / "few.txt").write_text("0200: 10 01 60 13\n")
    told = json.loads(
        run("window", tmp_path / "few.txt", "--machine", "fescue-trainer", "--volts", 0.1, "--json").out
    )
    inner = [key for name in ("map", "reason", "best") for key in told[name]]
    section = PAGE.partition("## JSON")[2].partition("\n## ")[0]
    assert [key for key in [*told, *inner] if f"`{key}`" not in section] == []


def test_every_reason_is_told():
    source = (ROOT / "src/tapewright/machine/remedies.py").read_text() + (
        ROOT / "src/tapewright/machine/reasons.py"
    ).read_text()
    kinds = {
        node.args[0].value
        for node in ast.walk(ast.parse(source.replace("from __future__ import annotations", "")))
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Change" and node.args
        if isinstance(node.args[0], ast.Constant)
    }
    assert len(kinds) > 5
    table = "".join(re.findall(r"^\| ([^|]+) \|", PAGE, re.M))
    kinds |= {"too quiet", "too loud", "too fast", "too slow", "dropout", "unknown"}
    assert [kind for kind in kinds if kind not in table] == []
