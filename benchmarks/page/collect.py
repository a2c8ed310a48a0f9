"""Gather the newest figures from the files of benchmarks/history."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchmarks.accuracy.families import FAMILIES
from benchmarks.accuracy.signals import IMPAIRMENTS

__all__ = ["Figures", "collect"]

#: Measurements of which the newest file counts, and the list in it, which is a field of `Figures`.
NEWEST = {"start": "starts", "live": "delays"}


@dataclass(frozen=True)
class Figures:
    """The newest figure of each kind, whichever file holds it; each row also has `commit` and `time`.

    Parameters
    ----------
    curves : dict
        Curves by card and impairment, as `benchmarks.accuracy` keeps them.
    nothing : list of dict
        Claims where there is nothing: all of the newest file that has any for the card.
    dropouts : list of dict
        Wrong bytes in dropouts, in the same way.
    speeds : list of dict
        Runs of the newest file of `benchmarks.speed`.
    starts : list of dict
        Those of the newest file of `benchmarks.start`.
    delays : list of dict
        Those of the newest file of `benchmarks.live`.
    learned : list of dict
        Formats learned, of a family, from a number of recordings and seeds that begin at `first`.
    """

    curves: dict[tuple[str, str], dict[str, Any]]
    nothing: list[dict[str, Any]]
    dropouts: list[dict[str, Any]]
    speeds: list[dict[str, Any]]
    starts: list[dict[str, Any]]
    delays: list[dict[str, Any]]
    learned: list[dict[str, Any]]

    @property
    def cards(self) -> list[str]:
        """Cards with a clean curve, in the order of the families."""
        return [f.card for f in FAMILIES if (f.card, "clean") in self.curves]

    @property
    def impairments(self) -> list[str]:
        """Impairments with a curve, "clean" left out."""
        measured = {name for _, name in self.curves}
        return [name for name in IMPAIRMENTS if name != "clean" and name in measured]

    def of(self, impairment: str) -> list[dict[str, Any]]:
        """Curves of one impairment, in the order of the families."""
        found = [self.curves.get((family.card, impairment)) for family in FAMILIES]
        return [curve for curve in found if curve is not None]

    @property
    def states(self) -> list[tuple[str, str, int]]:
        """Commit, day of its newest figure, and number of rows, for each state that figures are from."""
        rows = [
            *self.curves.values(),
            *self.nothing,
            *self.dropouts,
            *self.speeds,
            *self.starts,
            *self.delays,
            *self.learned,
        ]
        count = Counter(row["commit"] for row in rows)
        day = {row["commit"]: row["time"][:10] for row in sorted(rows, key=lambda row: row["time"])}
        return [(commit, day[commit], number) for commit, number in count.most_common()]


def collect(files: Iterable[Path]) -> Figures:
    """Read the files, the newest last, so that its figures stay."""
    contents = [json.loads(path.read_text(encoding="utf-8")) for path in files]
    known = {family.card for family in FAMILIES}
    curves: dict[tuple[str, str], dict[str, Any]] = {}
    others: dict[str, dict[str, list[dict[str, Any]]]] = {"nothing": {}, "dropouts": {}}
    speeds: dict[tuple[str, str, int], dict[str, Any]] = {}
    learned: dict[tuple[str, int, int], dict[str, Any]] = {}
    newest: dict[str, list[dict[str, Any]]] = {name: [] for name in NEWEST.values()}
    for content in sorted(contents, key=lambda content: content["time"]):
        origin = {"commit": content["commit"], "time": content["time"]}
        if content["what"] == "speed":
            for run in content["runs"]:
                speeds[run["card"], run["recording"], round(run["seconds"] / 60)] = run | origin
            continue
        if content["what"] == "learn":
            for row in content["learned"]:
                learned[row["family"], row["recordings"], row["first"]] = row | origin
            continue
        if content["what"] in NEWEST:
            name = NEWEST[content["what"]]
            newest[name] = [row | origin for row in content[name]]
            continue
        if content["what"] != "accuracy":  # of something else than the receiver
            continue
        for curve in content["curves"]:
            if curve["card"] in known and curve["impairment"] in IMPAIRMENTS:
                curves[curve["card"], curve["impairment"]] = curve | origin
        for what, by_card in others.items():
            rows = content.get(what, [])  # older files have no dropouts
            for card in {row["card"] for row in rows} & known:
                by_card[card] = [row | origin for row in rows if row["card"] == card]
    nothing, dropouts = (
        [row for family in FAMILIES for row in by_card.get(family.card, [])] for by_card in others.values()
    )
    return Figures(curves, nothing, dropouts, list(speeds.values()), learned=list(learned.values()), **newest)
