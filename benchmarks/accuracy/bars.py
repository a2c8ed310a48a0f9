"""What is aimed at, and what counts as missing it."""

from __future__ import annotations

import math
from typing import Any

from benchmarks.accuracy.families import Family

__all__ = [
    "FIRST_START_SECONDS",
    "LEARNED_PERCENT",
    "LIVE_MS",
    "MEMORY_MEGABYTES",
    "MEMORY_MINUTES",
    "MOST_FACTOR",
    "MOST_Z",
    "SPEED_MINUTES",
    "SPEED_TIMES",
    "START_SECONDS",
    "SURE_PERCENT",
    "UNFLAGGED_PERCENT",
    "WRONG_CLAIMS_PERCENT",
    "bar_db",
    "claimed_and_actual",
    "loss_db",
    "worse_than_peer",
    "z_score",
]

CLIPPED_DB, SLICED_DB, TOGETHER_DB = 1.8, 0.7, 1.2
#: Claimed against actual errors: standard errors apart in noise alone, a factor under an impairment.
MOST_Z, MOST_FACTOR = 4.0, 2.0
#: Symbols surer than 0.99 where there is nothing, in percent.
SURE_PERCENT = 0.1
#: Wrong bytes in dropouts that are not flagged, in percent.
UNFLAGGED_PERCENT = 1.0
#: Reading, against real time, by the recording of `benchmarks.speed` and from how many minutes on it holds;
#: and the most memory.
SPEED_TIMES = {"clean": 300.0, "noisy": 60.0}
SPEED_MINUTES = {"clean": 30.0, "noisy": 0.0}
MEMORY_MEGABYTES = 400.0
MEMORY_MINUTES = 120.0
#: From the command to the first symbol, compiling included, and later, when that is done.
FIRST_START_SECONDS, START_SECONDS = 20.0, 1.5
#: Of sound that is still coming in, from the end of a symbol of data until it is given out.
LIVE_MS = 100.0
#: Formats learned fully right, in percent, by the number of recordings; and wrong claims about their checks,
#: in percent, from two recordings on.
LEARNED_PERCENT = {1: 85.0, 2: 97.0, 3: 99.0}
WRONG_CLAIMS_PERCENT = 0.5
#: More errors than the peer count as worse beyond this many standard errors of their difference.
PEER_Z = 2.0


def bar_db(family: Family, impairment: str) -> float:
    """Most loss against the bound, in dB."""
    bars = {
        "clean": family.bar_db,
        "clipped": CLIPPED_DB,
        "sliced": max(SLICED_DB, family.impaired_bar_db),
        "together": max(TOGETHER_DB, family.impaired_bar_db),
    }
    return bars.get(impairment, family.impaired_bar_db)


def loss_db(curve: dict[str, Any]) -> float:
    """Loss against the bound in dB; infinite where the target was not reached."""
    return math.inf if curve["needed_db"] is None else float(curve["needed_db"] - curve["ideal_db"])


def claimed_and_actual(curve: dict[str, Any]) -> tuple[float, float]:
    """Errors of symbols that the posteriors promise, and those there are, at all points together."""
    points = curve["points"]
    return sum(sum(p["claimed"]) for p in points), sum(sum(p["actual"]) for p in points)


def z_score(claimed: float, actual: float, variance: float) -> float:
    """Difference of actual and claimed in standard errors; one error more or less is never much."""
    return (actual - claimed) / math.sqrt(variance + 1.0)


def worse_than_peer(point: dict[str, Any]) -> float:
    """By how many standard errors bytes or bits wrong are more than the peer's, whichever is worse.

    Standard errors as if both counted other recordings. They count the same, so the true one is smaller.
    """
    pairs = (("wrong", "peer_wrong"), ("wrong_bits", "peer_wrong_bits"))
    return max(float(point[a] - point[b]) / math.sqrt(max(point[a] + point[b], 1)) for a, b in pairs)
