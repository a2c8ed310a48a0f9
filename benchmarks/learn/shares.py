"""What was learned, summed up by family and number of recordings, as it is kept."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from benchmarks.learn.lessons import Lesson

__all__ = ["failures", "recordings_text", "shares", "totals"]

#: What is added up over rows.
FIGURES = ("formats", "right", "untold", "claims", "wrong", "certain", "beside")


def shares(found: Sequence[Lesson], first: int) -> list[dict[str, Any]]:
    """Give a row for each family and number of recordings.

    Parameters
    ----------
    found : sequence of Lesson
    first : int
        Seed of the first format, by which runs are told apart.

    Returns
    -------
    list of dict
        `formats` and how many were learned `right`; `untold`, of how many the recordings do not tell the
        check; `claims` about checks and how many were `wrong`, `certain` of these, and held open `beside` a
        right one; `cpu_seconds`, the median.
    """
    rows = []
    for family in dict.fromkeys(lesson.family for lesson in found):
        for recordings in sorted({lesson.recordings for lesson in found}):
            mine = [one for one in found if one.family == family and one.recordings == recordings]
            rows.append({
                "family": family,
                "recordings": recordings,
                "first": first,
                "formats": len(mine),
                "right": sum(not one.problem for one in mine),
                "untold": sum(one.is_untold for one in mine),
                "claims": sum(one.claims for one in mine),
                "wrong": sum(len(one.wrong) for one in mine),
                "certain": sum(one.wrong.count("certain") for one in mine),
                "beside": sum(one.beside for one in mine),
                "cpu_seconds": round(float(np.median([one.cpu for one in mine])), 2),
            })  # fmt: skip
    return rows


def failures(found: Sequence[Lesson]) -> list[dict[str, Any]]:
    """Say which were not learned right, and why."""
    return [
        {
            "seed": one.seed, "family": one.family, "recordings": one.recordings, "problem": one.problem,
            "untold": one.is_untold, "traits": " ".join(one.traits),
        }
        for one in found
        if one.problem
    ]  # fmt: skip


def totals(rows: Sequence[dict[str, Any]]) -> dict[int, dict[str, int]]:
    """Add up rows of `shares`, for each number of recordings."""
    return {
        recordings: {
            name: sum(row[name] for row in rows if row["recordings"] == recordings) for name in FIGURES
        }
        for recordings in sorted({row["recordings"] for row in rows})
    }


def recordings_text(count: int) -> str:
    """Say how many recordings."""
    return f"{count} recording" + "s" * (count > 1)
