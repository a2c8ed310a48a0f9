"""Put the page together and write it with its plots."""

from __future__ import annotations

from pathlib import Path

from benchmarks import history
from benchmarks.accuracy.bounds import bounds
from benchmarks.accuracy.families import FAMILIES
from benchmarks.page import sections
from benchmarks.page.collect import collect
from benchmarks.page.plot import draw
from tapewright.cards import load_format

__all__ = ["write"]

DOCS = Path(__file__).parents[2] / "docs"


def write(files: list[Path] | None = None, docs: Path = DOCS) -> Path:
    """Make the page and its plots from the files given, or from all of benchmarks/history.

    Plots of formats without a curve are removed, so that none is left over from an earlier state.

    Returns
    -------
    Path
        The page.
    """
    figures = collect(files or sorted(history.FOLDER.glob("*.json")))
    plots = docs / "benchmarks"
    plots.mkdir(parents=True, exist_ok=True)
    for family in FAMILIES:
        path = plots / f"{family.card}.svg"
        if family.card in figures.cards:
            curve = figures.curves[family.card, "clean"]
            bits = load_format(family.card).byte.bits
            path.write_text(draw(family, bits, bounds()[family.card], curve), encoding="utf-8")
        else:
            path.unlink(missing_ok=True)
    page = docs / "benchmarks.md"
    page.write_text(sections.whole(figures), encoding="utf-8")
    return page
