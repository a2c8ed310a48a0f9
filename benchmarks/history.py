"""Keeping results: benchmarks/history/<date>-<commit>-<what>.json."""

from __future__ import annotations

import json
import subprocess
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

__all__ = ["commit_name", "save"]

#: What tells the rows of a list apart.
ROW_NAMES = (
    "card", "impairment", "sound", "after_program", "depth_db", "layer", "recording", "seconds",
    "family", "recordings", "first", "seed",
)  # fmt: skip
FOLDER = Path(__file__).parent / "history"


def commit_name() -> str:
    """Short name of the commit checked out, with "-changed" where the package differs from it."""
    root = FOLDER.parent.parent

    def git(*words: str) -> str:
        done = subprocess.run(["git", "-C", str(root), *words], check=True, capture_output=True, text=True)
        return done.stdout.strip()

    return git("rev-parse", "--short", "HEAD") + ("-changed" if git("status", "--porcelain", "src") else "")


def save(what: str, results: dict[str, Any], commit: str | None = None) -> Path:
    """Write results down; a second run of the same day and commit adds to the first.

    Of what both have measured, the second run's stays. Where the package differs from the commit, nothing
    says that both runs were of one state: the second then replaces the first.
    """
    commit = commit or commit_name()
    now = datetime.now(UTC)
    FOLDER.mkdir(exist_ok=True)
    path = FOLDER / f"{now:%Y-%m-%d}-{commit}-{what}.json"
    if path.exists() and not commit.endswith("-changed"):
        results = _added(json.loads(path.read_text(encoding="utf-8")), results)
    content = {"what": what, "commit": commit, "time": now.isoformat(timespec="seconds")}
    path.write_text(_text(content | results), encoding="utf-8")
    return path


def _text(content: dict[str, Any]) -> str:
    """JSON with a line for each row of a list, so that a file stays small and a change of it can be read."""
    lines = []
    for name, value in content.items():
        rows = ",\n".join(f"  {json.dumps(row)}" for row in value) if isinstance(value, list) else ""
        lines.append(f" {json.dumps(name)}: " + (f"[\n{rows}\n ]" if rows else json.dumps(value)))
    return "{\n" + ",\n".join(lines) + "\n}\n"


def _added(old: dict[str, Any], new: dict[str, Any]) -> dict[str, Any]:
    """Lists of both, row by row."""

    def key(row: dict[str, Any]) -> tuple[Any, ...]:
        return tuple((name, row.get(name)) for name in ROW_NAMES)

    both = dict(new)
    for name, rows in new.items():
        if isinstance(rows, list):
            known = {key(row) for row in rows}
            both[name] = [row for row in old.get(name, []) if key(row) not in known] + rows
    return both
