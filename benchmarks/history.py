"""Keeping results: benchmarks/history/<date>-<commit>-<what>.json."""

from __future__ import annotations

import json
import subprocess
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

__all__ = ["commit_name", "save"]

FOLDER = Path(__file__).parent / "history"


def commit_name() -> str:
    """Short name of the commit checked out, with "-changed" where the package differs from it."""
    root = FOLDER.parent.parent

    def git(*words: str) -> str:
        done = subprocess.run(["git", "-C", str(root), *words], check=True, capture_output=True, text=True)
        return done.stdout.strip()

    return git("rev-parse", "--short", "HEAD") + ("-changed" if git("status", "--porcelain", "src") else "")


def save(what: str, results: dict[str, Any], commit: str | None = None) -> Path:
    """Write results down; a second run of the same day and commit replaces the first."""
    commit = commit or commit_name()
    now = datetime.now(UTC)
    FOLDER.mkdir(exist_ok=True)
    path = FOLDER / f"{now:%Y-%m-%d}-{commit}-{what}.json"
    content = {"what": what, "commit": commit, "time": now.isoformat(timespec="seconds"), **results}
    path.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")
    return path
