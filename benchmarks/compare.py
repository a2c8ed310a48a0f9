"""Print what moved between two files of benchmarks/history.

Examples
--------
::

    .venv/bin/python -m benchmarks.compare benchmarks/history/OLD.json benchmarks/history/NEW.json
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

#: What counts as moved: dB and standard errors both; a factor for claims and speeds; percentage points.
LEAST_DB, LEAST_SIGMAS, LEAST_FACTOR, LEAST_PERCENT = 0.05, 2.0, 1.15, 0.05


def moved(old: dict[str, Any], new: dict[str, Any]) -> Iterator[str]:
    """Yield a line for everything in both files that moved, and for what only one of them has."""
    if old["what"] != new["what"]:
        yield f"one file is about {old['what']}, the other about {new['what']}"
        return
    if old["what"] == "accuracy":
        yield from _curves(old, new)
        yield from _claims(old, new)
    elif old["what"] == "speed":
        yield from _speeds(old, new)
    else:
        yield from _starts(old, new)


def _keyed(rows: list[dict[str, Any]], *keys: str) -> dict[tuple[Any, ...], dict[str, Any]]:
    return {tuple(row[key] for key in keys): row for row in rows}


def _pairs(
    old: dict[str, Any], new: dict[str, Any], rows: str, *keys: str
) -> Iterator[tuple[str, dict[str, Any], dict[str, Any]]]:
    before, after = _keyed(old[rows], *keys), _keyed(new[rows], *keys)
    for key in before:
        if key in after:
            yield " ".join(map(str, key)), before[key], after[key]


def _curves(old: dict[str, Any], new: dict[str, Any]) -> Iterator[str]:
    for name, before, after in _pairs(old, new, "curves", "card", "impairment"):
        was, now = before["needed_db"], after["needed_db"]
        if was is None or now is None:
            if was is not now:
                yield f"{name:34s} needed {_db(was)} -> {_db(now)}"
            continue
        sigma = math.hypot(before["sigma_db"], after["sigma_db"])
        if abs(now - was) > max(LEAST_DB, LEAST_SIGMAS * sigma):
            better = "better" if now < was else "WORSE"
            loss = now - after["ideal_db"]
            yield (
                f"{name:34s} needed {was:6.2f} -> {now:6.2f} dB ({now - was:+.2f}, {better};"
                f" loss now {loss:+.2f})"
            )
        was, now = _ratio(before), _ratio(after)
        if max(was, now) > LEAST_FACTOR * 1.5 * max(min(was, now), 1e-9):
            yield f"{name:34s} claimed for each actual error {was:.2f} -> {now:.2f}"


def _claims(old: dict[str, Any], new: dict[str, Any]) -> Iterator[str]:
    for name, before, after in _pairs(old, new, "nothing", "card", "sound", "after_program"):
        for key in ("covered_percent", "sure_percent"):
            if abs(after[key] - before[key]) > LEAST_PERCENT:
                yield f"{name:34s} {key} {before[key]:.3f} -> {after[key]:.3f}"


def _speeds(old: dict[str, Any], new: dict[str, Any]) -> Iterator[str]:
    for name, before, after in _pairs(old, new, "runs", "card", "recording"):
        for key in ("times_real_time", "times_library", "peak_megabytes"):
            was, now = before[key], after[key]
            if was and now and max(was, now) > LEAST_FACTOR * min(was, now):
                yield f"{name:34s} {key} {was:.1f} -> {now:.1f}"


def _starts(old: dict[str, Any], new: dict[str, Any]) -> Iterator[str]:
    for name, before, after in _pairs(old, new, "starts", "card", "recording"):
        for key in ("first_cpu_seconds", "later_cpu_seconds"):
            was, now = before.get(key), after.get(key)
            if was and now and max(was, now) > LEAST_FACTOR * min(was, now):
                yield f"{name:34s} {key} {was:.1f} -> {now:.1f}"


def _ratio(curve: dict[str, Any]) -> float:
    claimed = sum(sum(p["claimed"]) for p in curve["points"])
    return float(claimed / max(1.0, sum(sum(p["actual"]) for p in curve["points"])))


def _db(value: float | None) -> str:
    return "not reached" if value is None else f"{value:.2f} dB"


def main() -> int:
    """Compare the two files named on the command line."""
    if len(sys.argv) != 3:
        print("give two files of benchmarks/history: the older one first", file=sys.stderr)
        return 2
    old, new = (json.loads(Path(name).read_text(encoding="utf-8")) for name in sys.argv[1:])
    print(f"{old['commit']} ({old['time']}) -> {new['commit']} ({new['time']})")
    lines = list(moved(old, new))
    print("\n".join(lines) if lines else "nothing moved")
    return 0


if __name__ == "__main__":
    sys.exit(main())
