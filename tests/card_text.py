"""Writing a card's table back as TOML text, and a card in which every word of the card language occurs."""

from __future__ import annotations

import copy
import datetime
import json
from collections.abc import Iterator
from typing import Any

Path = tuple[int | str, ...]

EVERYTHING = """
card   = "format"
name   = "everything"
title  = "Every word of the card language once"
source = "made up for the tests"
notes  = "none"

[symbols]
"0" = [{ half_waves = [250, 500] }, { silence = 1000 }]
"1" = [{ tone = 2400, cycles = 4 }, { tone = 1200, us = 1000.5 }]
M = [{ levels = [[1.0, 500], [-0.5, 500]] }]

[byte]
bits   = 8
order  = "msb"
start  = "0"
stop   = "1"
parity = "odd"

[[block]]
kind   = "header"
load   = "start"
layout = [
  { lead = "1", seconds = 5.0, at_least = 0.2 },
  { mark = "MM" },
  { sync = "a5 5a", times = 4, at_least = 2 },
  { fixed = "0d 0a", coding = "hex", xor = 255, add = 1 },
  { text = "name", length = 8, pad = "_", coding = "hex", xor = 255, add = 1 },
  { text = "remark", end = "0d", at_most = 16 },
  { field = "start", type = "u16-le", coding = "hex", xor = 255, add = 1 },
  { field = "all", type = "u32-be", value = "total" },
  { check = "sum8", over = ["name", "start"], start = 7, as_sent = true },
  { field = "odd", type = "u8", value = 7, varies = true },
]

[[block]]
kind   = "data"
after  = "header"
size   = 256
total  = "all"
copies = 2
layout = [
  { lead = "1", seconds = 1, at_least = 0 },
  { sync = "a5" },
  { field = "length", type = "u16-be" },
  { data = "length", coding = "hex", xor = 255, add = 1 },
  { check = { crc = { width = 16, poly = 0x1021, init = 1, refin = true, refout = true, xorout = 2 } }, \
    over = ["data"], order = "le", coding = "hex", xor = 255, add = 1 },
  { gap = 0.5 },
]
last_when = { field = "length", equals = 0 }
"""


def toml_text(table: dict[str, Any]) -> str:
    """Write a table, everything below the top inline."""
    return "".join(f"{_key(key)} = {_value(value)}\n" for key, value in table.items())


def _key(key: str) -> str:
    return json.dumps(key, ensure_ascii=False)


def _value(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_key(key)} = {_value(item)}" for key, item in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, datetime.date):
        return value.isoformat()
    return repr(value)


def places(value: Any, path: Path = ()) -> Iterator[Path]:
    """Yield the path of everything in a table."""
    steps = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for step, item in steps:
        yield (*path, step)
        yield from places(item, (*path, step))


def with_change(table: dict[str, Any], path: Path, value: Any) -> dict[str, Any]:
    """Return a copy with `value` at `path`."""
    changed = copy.deepcopy(table)
    _holder(changed, path)[path[-1]] = copy.deepcopy(value)
    return changed


def without(table: dict[str, Any], path: Path) -> dict[str, Any]:
    """Return a copy without what stands at `path`."""
    changed = copy.deepcopy(table)
    del _holder(changed, path)[path[-1]]
    return changed


def renamed(table: dict[str, Any], path: Path, name: str) -> dict[str, Any]:
    """Return a copy in which the key at `path` is called `name`, in the same place."""
    changed = copy.deepcopy(table)
    holder = _holder(changed, path)
    items = [(name if key == path[-1] else key, value) for key, value in holder.items()]
    holder.clear()
    holder.update(items)
    return changed


def _holder(table: Any, path: Path) -> Any:
    for step in path[:-1]:
        table = table[step]
    return table


def key_path(path: Path) -> str:
    """Write a path as errors do: ``block[0].layout[3].type``."""
    text = ""
    for step in path:
        if isinstance(step, int):
            text += f"[{step}]"
        else:
            name = step if step.replace("_", "").isalpha() else f'"{step}"'
            text += f".{name}" if text else name
    return text
