"""The page's tables. Every figure in them comes from the measurements or from the bars' own module."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from jinja2 import Environment, FileSystemLoader, StrictUndefined

from benchmarks.accuracy import bars
from benchmarks.accuracy.dropouts import SURE
from benchmarks.accuracy.families import FAMILIES, TARGET
from benchmarks.accuracy.measure import BINS
from benchmarks.accuracy.signals import IMPAIRMENTS
from benchmarks.accuracy.table import framed_text
from benchmarks.learn.shares import recordings_text, totals
from benchmarks.page.collect import Figures
from benchmarks.page.verdicts import FIRST_LAYER, LAYERS, loss_text, right_percent, total_z, verdicts
from tapewright.cards import load_format

__all__ = ["whole"]

FAMILY = {family.card: family for family in FAMILIES}
#: Single impairments that "together" is made of and that have a figure of their own.
PARTS = ("wow", "band", "hum", "drift")
#: So many states of the receiver are named.
MOST_STATES = 3
#: Where nothing was counted in n, the rate is below 3/n with a confidence of 95 % (rule of three).
NONE_FOUND = 3.0


def whole(figures: Figures) -> str:
    """Fill the page's template, page.md.jinja."""
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent),
        undefined=StrictUndefined,
        trim_blocks=True,
        keep_trailing_newline=True,
        autoescape=False,
    )
    clean = figures.of("clean")
    found = verdicts(figures)
    met = sum(bool(v.met) and not v.missed for v in found)
    missed = sum(bool(v.missed) for v in found)
    sigmas = [curve["sigma_db"] for curve in clean if curve["sigma_db"] is not None]
    names = sorted({curve["peer"] for curve in clean if curve.get("peer")})
    return environment.get_template("page.md.jinja").render(
        minutes=f"{sum(curve['took_seconds'] for curve in clean) / 60:.0f}",
        states=_states(figures),
        is_mixed=len(figures.states) > 1,
        target=f"{1 / TARGET:.0f}",
        bars_met=met,
        bars_all=len(found),
        bars_missed=missed,
        bars_unmeasured=len(found) - met - missed,
        sigma=f"{np.median(sigmas):.2f}" if sigmas else "?",
        verdicts=_table(
            ("work", "bar", "met by", "not met by"),
            [(v.work, v.bar, v.standing, ", ".join(v.missed)) for v in found],
        ),
        clean=_clean(clean),
        curves=[
            {"name": c["card"], "title": load_format(c["card"]).title, "loss": loss_text(c)} for c in clean
        ],
        peer=" and ".join(names),
        peer_z=f"{bars.PEER_Z:g}",
        peer_points=_peer_points(clean),
        no_peer=_no_peer(clean),
        words="\n".join(f"- *{name}*: {IMPAIRMENTS[name].words}" for name in figures.impairments),
        impairments=_impairments(figures),
        all_at_once=_all_at_once(figures),
        confidence=_confidence(clean),
        confidence_by_format=_confidence_by_format(figures),
        most_z=f"{bars.MOST_Z:g}",
        most_factor=f"{bars.MOST_FACTOR:g}",
        dropouts=_dropouts(figures),
        sure=f"{SURE:g}",
        nothing=_nothing(figures),
        speed=_speed(figures),
        start=_start(figures),
        live=_live(figures),
        learned=_learned(figures),
        claims=_claims(figures),
    )


def _states(figures: Figures) -> str:
    named = [f"`{commit}` of {day} ({n} results)" for commit, day, n in figures.states[:MOST_STATES]]
    others = len(figures.states) - len(named)
    return ", ".join(named) + (f" and {others} others" if others else "")


def _table(heading: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Markdown; empty without rows."""
    if not rows:
        return ""
    lines = [heading, ["---"] * len(heading), *rows]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)


def _bold(text: str, is_met: bool) -> str:
    return text if is_met else f"**{text}**"


def _clean(clean: list[dict[str, Any]]) -> str:
    rows = []
    for curve in clean:
        family = FAMILY[curve["card"]]
        bar = bars.bar_db(family, "clean")
        is_met = bars.loss_db(curve) <= bar
        reached = curve["needed_db"] is not None
        rows.append((
            f"[`{family.card}`](#{family.card})",
            f"{curve['ideal_db']:.2f}",
            f"{curve['textbook_db']:.2f}",
            f"{curve['needed_db']:.2f}" if reached else "not reached",
            f"{curve['sigma_db']:.2f}" if reached else "",
            _bold(loss_text(curve), is_met),
            f"{bar:g}",
            framed_text(curve),
            _peer_needed(curve),
        ))  # fmt: skip
    return _table(("format", "bound", "book", "needed", "±", "loss", "bar", "framed", "the peer needs"), rows)


def _peer_needed(curve: dict[str, Any]) -> str:
    if not curve.get("peer"):
        return ""
    if curve["peer_needed_db"] is None:
        return f"> {curve['points'][-1]['eb_n0_db']:.1f}"
    return f"{curve['peer_needed_db']:.2f}"


def _peer_points(clean: list[dict[str, Any]]) -> str:
    rows = []
    for curve in clean:
        for p in curve["points"]:
            if curve.get("peer") and p["peer_bytes"]:
                rows.append((
                    f"`{curve['card']}`",
                    f"{p['eb_n0_db']:.1f}",
                    _rate(p["wrong_bits"], p["bits"]),
                    _rate(p["peer_wrong_bits"], p["peer_bits"]),
                    _rate(p["wrong"], p["bytes_"]),
                    _rate(p["peer_wrong"], p["peer_bytes"]),
                    f"{p['bytes_']}",
                    _compared(p),
                ))  # fmt: skip
    heading = ("format", "Eb/N0 dB", "bits", "peer", "bytes", "peer", "of bytes", "Tapewright is")
    return _table(heading, rows)


def _compared(point: dict[str, Any]) -> str:
    z = bars.worse_than_peer(point)
    if z > bars.PEER_Z:
        heard = (
            "" if not point["unlocked"] else f": no signal found in {point['unlocked']} of {point['runs']}"
        )
        return f"**worse**{heard}"
    return "worse, by chance" if z > 0 else "better" if z < 0 else "equal"


def _rate(wrong: int, total: int) -> str:
    return f"{wrong / total:.2g}" if wrong else f"< {NONE_FOUND / total:.1g}"


def _no_peer(clean: list[dict[str, Any]]) -> str:
    reasons: dict[str, list[str]] = {}
    for curve in clean:
        if not curve.get("peer"):
            reasons.setdefault(curve.get("no_peer") or "not measured", []).append(f"`{curve['card']}`")
    return "\n".join(f"- {reason}: {', '.join(cards)}" for reason, cards in reasons.items())


def _impairments(figures: Figures) -> str:
    rows = []
    for family in FAMILIES:
        cells = []
        for name in figures.impairments:
            curve = figures.curves.get((family.card, name))
            is_met = curve is None or bars.loss_db(curve) <= bars.bar_db(family, name)
            cells.append("" if curve is None else _bold(loss_text(curve), is_met))
        if any(cells):
            rows.append((f"`{family.card}`", *cells))
    return _table(("format", *figures.impairments), rows)


def _all_at_once(figures: Figures) -> str:
    rows = []
    for curve in figures.of("together"):
        single = {name: figures.curves.get((curve["card"], name)) for name in ("clean", *PARTS)}
        losses = {name: math.nan if c is None else bars.loss_db(c) for name, c in single.items()}
        parts = [losses[name] - losses["clean"] for name in PARTS]
        rest = bars.loss_db(curve) - losses["clean"] - sum(parts)
        cells = [f"{db:+.2f}" if math.isfinite(db) else "" for db in (losses["clean"], *parts, rest)]
        rows.append((f"`{curve['card']}`", loss_text(curve), *cells))
    return _table(("format", "together", "noise alone", *PARTS, "rest"), rows)


def _confidence(clean: list[dict[str, Any]]) -> str:
    points = [p for curve in clean for p in curve["points"]]
    rows = []
    for k in range(len(BINS) - 1):
        total, claimed, actual, variance = (
            sum(p[name][k] for p in points) for name in ("total", "claimed", "actual", "variance")
        )
        z = bars.z_score(claimed, actual, variance)
        span = f"{BINS[k]:g} to {BINS[k + 1]:g}"
        rows.append((span, f"{total:.0f}", f"{claimed:.1f}", f"{actual:.0f}", f"{z:+.1f}"))
    return _table(("claimed error", "symbols", "wrong, claimed", "wrong, counted", "z"), rows)


def _confidence_by_format(figures: Figures) -> str:
    names = ("clean", *figures.impairments)
    rows = []
    for family in FAMILIES:
        curves = [(name, figures.curves.get((family.card, name))) for name in names]
        cells = ["" if curve is None else _claimed(curve, name) for name, curve in curves]
        if any(cells):
            rows.append((f"`{family.card}`", *cells))
    return _table(("format", *names), rows)


def _claimed(curve: dict[str, Any], impairment: str) -> str:
    claimed, actual = bars.claimed_and_actual(curve)
    if not actual:
        return "no error"
    ratio = claimed / actual
    if impairment == "clean":
        is_met = abs(total_z(curve)) <= bars.MOST_Z
    else:
        is_met = 1 / bars.MOST_FACTOR <= ratio <= bars.MOST_FACTOR
    return _bold(f"{ratio:.2f}", is_met)


def _dropouts(figures: Figures) -> str:
    found: dict[tuple[str, float], dict[str, dict[str, Any]]] = {}
    for row in figures.dropouts:
        found.setdefault((row["card"], row["depth_db"]), {})[row.get("layer", FIRST_LAYER)] = row
    rows = []
    for (card, depth_db), layers in found.items():
        cells = [cell for layer in LAYERS for cell in _flagged(layers.get(layer))]
        rows.append((f"`{card}`", f"{depth_db:g}", *cells))
    heading = (
        "format", "depth dB", "bytes heard", "wrong", "not flagged", "bytes read", "wrong", "not flagged",
    )  # fmt: skip
    return _table(heading, rows)


def _flagged(row: dict[str, Any] | None) -> tuple[str, str, str]:
    if row is None:
        return "", "", ""
    is_met = 100 * row["unflagged"] < bars.UNFLAGGED_PERCENT * max(row["wrong"], 1)
    return f"{row['bytes_']}", f"{row['wrong']}", _bold(f"{row['unflagged']}", is_met)


def _nothing(figures: Figures) -> str:
    columns = sorted({(claim["after_program"], claim["sound"]) for claim in figures.nothing})
    found = {(c["card"], c["after_program"], c["sound"]): c["sure_percent"] for c in figures.nothing}
    rows = []
    for card in dict.fromkeys(claim["card"] for claim in figures.nothing):
        percents = [found.get((card, *column)) for column in columns]
        cells = ["" if p is None else _bold(f"{p:.3f}", p < bars.SURE_PERCENT) for p in percents]
        rows.append((f"`{card}`", *cells))
    return _table(("format", *(sound + after * " after a program" for after, sound in columns)), rows)


def _speed(figures: Figures) -> str:
    rows = [
        (f"`{run['card']}`", run["recording"], f"{run['seconds'] / 60:.0f}", f"{run['times_real_time']:.0f}",
         f"{run['times_library']:.0f}", f"{run['peak_megabytes']:.0f}")
        for run in figures.speeds
    ]  # fmt: skip
    return _table(("format", "recording", "minutes", "times real time", "times libsndfile", "peak MB"), rows)


def _start(figures: Figures) -> str:
    rows = []
    for row in figures.starts:
        first, message = (
            f"{row[name]:.1f}" if name in row else ""
            for name in ("first_cpu_seconds", "first_message_seconds")
        )
        length = f"{row['seconds']:.0f} s" if row["seconds"] < 100 else f"{row['seconds'] / 60:.0f} min"
        if row["card"] == "auto":
            length += f" of `{row['recording'].split(', ')[1]}`"
        rows.append((f"`{row['card']}`", length, first, message, f"{row['later_cpu_seconds']:.1f}"))
    return _table(("format", "recording", "first start s", "message after s", "later starts s"), rows)


def _live(figures: Figures) -> str:
    rows = [
        (f"`{row['card']}`", f"{row['symbols']}", f"{row['unlike_file']}", f"{row['mean_ms']:.0f}",
         _bold(f"{row['most_ms']:.0f}", row["most_ms"] <= bars.LIVE_MS), f"{row['times_real_time']:.1f}")
        for row in figures.delays
    ]  # fmt: skip
    heading = ("format", "symbols", "not as in the file", "mean ms", "at most ms", "times real time")
    return _table(heading, rows)


def _learned(figures: Figures) -> str:
    share = totals(figures.learned)
    rows = []
    for family in (*dict.fromkeys(row["family"] for row in figures.learned), "all"):
        mine = totals([row for row in figures.learned if family in (row["family"], "all")])
        rows.append((family, *(_right(mine.get(n)) for n in share)))
    percents = {n: right_percent(total) for n, total in share.items()}
    rows.append(
        (
            "in percent",
            *(_bold(f"{p:.1f}", p >= bars.LEARNED_PERCENT.get(n, 0.0)) for n, p in percents.items()),
        )
    )
    rows.append(("check told to nobody", *(f"{total['untold']}" for total in share.values())))
    return _table(("family", *map(recordings_text, share)), rows)


def _right(total: dict[str, int] | None) -> str:
    return "" if total is None else f"{total['right']} of {total['formats']}"


def _claims(figures: Figures) -> str:
    names = ("claims", "wrong", "certain", "beside")
    rows = [
        (recordings_text(n), *(f"{total[name]}" for name in names))
        for n, total in totals(figures.learned).items()
    ]
    heading = ("from", "claims", "wrong", "of these called certain", "held open beside the right one")
    return _table(heading, rows)
