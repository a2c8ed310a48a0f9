"""Which bars are met, and by which formats they are not."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

from benchmarks.accuracy import bars
from benchmarks.accuracy.dropouts import DEPTHS_DB, SURE
from benchmarks.accuracy.families import FAMILIES
from benchmarks.accuracy.signals import IMPAIRMENTS
from benchmarks.learn.shares import recordings_text, totals
from benchmarks.page.collect import Figures

__all__ = ["FIRST_LAYER", "LAYERS", "Verdict", "loss_text", "right_percent", "total_z", "verdicts"]

FAMILY = {family.card: family for family in FAMILIES}
#: Where wrong bytes in dropouts are counted; rows of the time when there was only one do not say.
LAYERS = {"receiver": "by the receiver's bits", "read": "read by the whole chain"}
FIRST_LAYER = "receiver"
#: A ratio of fewer errors than these says nothing.
FEWEST_ERRORS = 10


@dataclass(frozen=True)
class Verdict:
    """One bar and who meets it.

    Parameters
    ----------
    work, bar : str
        What is asked, and how much.
    met, missed : list of str
        Formats; the missed ones with their figure.
    """

    work: str
    bar: str
    met: list[str]
    missed: list[str]

    @property
    def standing(self) -> str:
        """In a few words."""
        if not self.met and not self.missed:
            return "not measured"
        return f"{len(self.met)} of {len(self.met) + len(self.missed)}"


def verdicts(figures: Figures) -> list[Verdict]:
    """Hold every bar against the figures; a bar without figures is there too."""
    found = [_losses(figures, name) for name in IMPAIRMENTS]
    found.append(_peer(figures))
    found += _confidence(figures)
    found += [_dropouts(figures, layer, words) for layer, words in LAYERS.items()]
    found.append(_nothing(figures))
    found += [_speed(figures, name) for name in bars.SPEED_TIMES]
    found.append(
        _split(
            f"memory, reading a recording of {bars.MEMORY_MINUTES:g} minutes",
            f"under {bars.MEMORY_MEGABYTES:g} MB",
            ((f"{run['card']} {run['recording']}, {_minutes(run)}", f"{run['peak_megabytes']:.0f} MB",
              run["peak_megabytes"] < bars.MEMORY_MEGABYTES)
             for run in figures.speeds if run["seconds"] >= 59.0 * bars.MEMORY_MINUTES),
        )
    )  # fmt: skip
    first, later = bars.FIRST_START_SECONDS, bars.START_SECONDS
    found.append(_start(figures, "first", "first start on a fresh machine", f"within {first:g} s", first))
    found.append(_start(figures, "later", "later starts", f"under {later:g} s", later))
    found.append(
        _split(
            "a symbol of data is told live, after it ended", f"within {bars.LIVE_MS:g} ms",
            ((row["card"], f"{row['most_ms']:.0f} ms", row["most_ms"] <= bars.LIVE_MS)
             for row in figures.delays),
        )
    )  # fmt: skip
    found += [_learned(figures, recordings) for recordings in bars.LEARNED_PERCENT]
    found.append(_claims(figures))
    return found


def loss_text(curve: dict[str, Any]) -> str:
    """Loss against the bound in dB, with sign; more than the last point's where the target was missed."""
    if curve["needed_db"] is None:
        return f"> +{curve['points'][-1]['eb_n0_db'] - curve['ideal_db']:.1f}"
    return f"{bars.loss_db(curve):+.2f}"


def total_z(curve: dict[str, Any]) -> float:
    """Difference of claimed and actual errors, all points together, in standard errors."""
    variance = float(np.sum([p["variance"] for p in curve["points"]]))
    return bars.z_score(*bars.claimed_and_actual(curve), variance)


def _split(work: str, bar: str, rows: Iterable[tuple[str, str, bool]]) -> Verdict:
    met, missed = [], []
    for card, figure, is_met in rows:
        if is_met:
            met.append(f"`{card}`")
        else:
            missed.append(f"`{card}` {figure}")
    return Verdict(work, bar, met, missed)


def _losses(figures: Figures, impairment: str) -> Verdict:
    limits = sorted({bars.bar_db(family, impairment) for family in FAMILIES})
    work = f"{impairment}: {IMPAIRMENTS[impairment].words}"
    bar = " or ".join(f"{limit:g}" for limit in limits) + " dB from the bound"
    return _split(
        work, bar,
        ((c["card"], loss_text(c), bars.loss_db(c) <= bars.bar_db(FAMILY[c["card"]], impairment))
         for c in figures.of(impairment)),
    )  # fmt: skip


def _peer(figures: Figures) -> Verdict:
    """Never worse at any point, clean or impaired, beyond what chance does."""
    worst: dict[str, float] = {}
    for curve in figures.curves.values():
        for point in curve["points"]:
            if curve.get("peer") and point["peer_bytes"]:
                worst[curve["card"]] = max(worst.get(curve["card"], -1e9), bars.worse_than_peer(point))
    rows = [(f.card, worst[f.card]) for f in FAMILIES if f.card in worst]
    return _split(
        "against a general FSK demodulator that is told the timing, every point measured",
        f"not worse by {bars.PEER_Z:g} standard errors",
        ((card, f"worse by {z:.1f}", z <= bars.PEER_Z) for card, z in rows),
    )


def _confidence(figures: Figures) -> list[Verdict]:
    clean = [(curve["card"], total_z(curve)) for curve in figures.of("clean")]
    rows = []
    for (card, impairment), curve in figures.curves.items():
        claimed, actual = bars.claimed_and_actual(curve)
        if impairment != "clean" and max(claimed, actual) >= FEWEST_ERRORS:
            ratio = claimed / max(actual, 0.5)
            is_met = 1 / bars.MOST_FACTOR <= ratio <= bars.MOST_FACTOR
            rows.append((f"{card} {impairment}", f"{ratio:.2f}", is_met))
    return [
        _split(
            "claimed and actual errors in noise",
            f"within {bars.MOST_Z:g} standard errors",
            ((card, f"{z:+.1f}", abs(z) <= bars.MOST_Z) for card, z in clean),
        ),
        _split(
            "claimed for each actual error, impaired",
            f"within a factor of {bars.MOST_FACTOR:g}",
            sorted(rows),
        ),
    ]


def _dropouts(figures: Figures, layer: str, words: str) -> Verdict:
    rows = []
    of_layer = [row for row in figures.dropouts if row.get("layer", FIRST_LAYER) == layer]
    for card in dict.fromkeys(row["card"] for row in of_layer):
        mine = [row for row in of_layer if row["card"] == card]
        percent = 100 * sum(row["unflagged"] for row in mine) / max(1, sum(row["wrong"] for row in mine))
        rows.append((card, f"{percent:.1f} %", percent < bars.UNFLAGGED_PERCENT))
    depths = f"{DEPTHS_DB[0]:g} to {DEPTHS_DB[-1]:g} dB"
    return _split(
        f"wrong bytes in dropouts of {depths} that have a confidence above {SURE:g}, {words}",
        f"under {bars.UNFLAGGED_PERCENT:g} %",
        rows,
    )


def _nothing(figures: Figures) -> Verdict:
    most: dict[str, tuple[float, str]] = {}
    for claim in figures.nothing:
        found = (claim["sure_percent"], claim["sound"])
        most[claim["card"]] = max(most.get(claim["card"], (-1.0, "")), found)
    return _split(
        "symbols surer than 0.99 in noise, hum, music and speech", f"under {bars.SURE_PERCENT:g} %",
        ((card, f"{percent:.2f} % in {sound}", percent < bars.SURE_PERCENT)
         for card, (percent, sound) in most.items()),
    )  # fmt: skip


def _speed(figures: Figures, recording: str) -> Verdict:
    limit, minutes = bars.SPEED_TIMES[recording], bars.SPEED_MINUTES[recording]
    length = f", {minutes:g} minutes or more" if minutes else ""
    return _split(
        f"reading a {recording} recording{length}, one core", f"at least {limit:g} times real time",
        ((f"{run['card']}, {_minutes(run)}", f"{run['times_real_time']:.0f}", run["times_real_time"] >= limit)
         for run in figures.speeds
         if run["recording"] == recording and round(run["seconds"] / 60) >= minutes),
    )  # fmt: skip


def _minutes(run: dict[str, Any]) -> str:
    return f"{run['seconds'] / 60:.0f} min"


def _start(figures: Figures, which: str, work: str, bar: str, most_seconds: float) -> Verdict:
    """Formats that are named; what `auto` takes has no bar."""
    taken = [(row["card"], row[f"{which}_cpu_seconds"]) for row in figures.starts if row["card"] != "auto"]
    return _split(work, bar, ((card, f"{seconds:.1f} s", seconds < most_seconds) for card, seconds in taken))


def _learned(figures: Figures, recordings: int) -> Verdict:
    """All families together: so many made-up formats of one are chance."""
    limit = bars.LEARNED_PERCENT[recordings]
    percents = [right_percent(total) for n, total in totals(figures.learned).items() if n == recordings]
    return _split(
        f"made-up formats learned fully right from {recordings_text(recordings)}",
        f"at least {limit:g} %",
        (("all families", f"{percent:.1f} %", percent >= limit) for percent in percents),
    )


def right_percent(total: dict[str, int]) -> float:
    """Share of formats learned fully right, of one of `totals`."""
    return 100 * total["right"] / total["formats"]


def _claims(figures: Figures) -> Verdict:
    limit = bars.WRONG_CLAIMS_PERCENT
    rows = []
    for recordings, total in totals(figures.learned).items():
        if recordings > 1:
            percent = 100 * total["wrong"] / max(total["claims"], 1)
            words = f"{percent:.2f} %, {total['certain']} of them called certain"
            rows.append((recordings_text(recordings), words, percent <= limit and not total["certain"]))
    return _split(
        "wrong claims about checks, of those learned", f"at most {limit:g} %, none called certain", rows
    )
