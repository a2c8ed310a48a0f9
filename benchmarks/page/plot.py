"""A plot of error rate against Eb/N0 as SVG.

Written by hand: the library for the report's figures draws static pictures only with a browser at hand, and
one plain kind of plot, the same to the byte for the same figures, is no reason for another.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from html import escape
from typing import Any

import numpy as np
import numpy.typing as npt

from benchmarks.accuracy.bars import bar_db
from benchmarks.accuracy.bounds import bound_rate
from benchmarks.accuracy.families import TARGET, Family, symbol_error_rate

__all__ = ["draw"]

WIDTH, HEIGHT = 620, 400
LEFT, RIGHT, TOP, BOTTOM = 66, 14, 34, 48
LOWEST, HIGHEST = 1e-4, 1.0
#: How far the picture goes beyond the bound's Eb/N0 for the target, in dB.
BELOW_DB, ABOVE_DB = 6.0, 2.0
OURS, PEER, BOUND, BOOK, BAR = "#0b62a8", "#c2410c", "#111", "#777", "#1a8f3c"
#: Where no error was counted in n, the rate is below 3/n with a confidence of 95 % (rule of three).
NONE_FOUND = 3.0


@dataclass(frozen=True)
class Axes:
    """From Eb/N0 in dB and error rate to places in the picture."""

    first_db: int
    last_db: int

    def x(self, db: float) -> float:
        """Place from the left."""
        share = (db - self.first_db) / (self.last_db - self.first_db)
        return LEFT + share * (WIDTH - LEFT - RIGHT)

    def y(self, rate: float) -> float:
        """Place from the top; what is outside stays at the rim."""
        share = math.log10(min(max(rate, LOWEST), HIGHEST) / LOWEST) / math.log10(HIGHEST / LOWEST)
        return HEIGHT - BOTTOM - share * (HEIGHT - TOP - BOTTOM)


def draw(family: Family, bits: int, bound: dict[str, Any], curve: dict[str, Any]) -> str:
    """Draw one family's points beside the bound, the book and the peer.

    Parameters
    ----------
    family : Family
    bits : int
        Of a byte.
    bound : dict
        The card's entry of bounds.json.
    curve : dict
        A clean curve, as `benchmarks.accuracy` keeps it.
    """
    points = curve["points"]
    top = max(bound["ideal_db"] + ABOVE_DB, *(p["eb_n0_db"] for p in points))
    low = min(bound["ideal_db"] - BELOW_DB, *(p["eb_n0_db"] for p in points))
    axes = Axes(math.floor(low), math.ceil(top))
    db = np.arange(axes.first_db, axes.last_db + 1e-9, 0.125)
    book = 1 - (1 - symbol_error_rate(family.factor, db)) ** bits
    parts = _frame(axes, family.card)
    parts.append(_line(axes, db, np.asarray(book), BOOK, 'stroke-dasharray="5 4"'))
    parts.append(_line(axes, db, bound_rate(bound, db), BOUND, 'stroke-width="1.8"'))
    bar, y = bar_db(family, "clean"), axes.y(TARGET)
    first, last = axes.x(bound["ideal_db"]), axes.x(bound["ideal_db"] + bar)
    parts.append(f'<path d="M{first:.1f} {y:.1f}H{last:.1f}" stroke="{BAR}" stroke-width="5"/>')
    keys = [(OURS, "●", "Tapewright, blind"), (BOUND, "—", "bound: best possible receiver, told everything")]
    keys += [(BOOK, "- -", "book: one symbol by itself"), (BAR, "▬", f"allowed loss, {bar:g} dB")]
    if curve.get("peer"):
        parts += [_mark(axes, p, "peer_wrong", "peer_bytes", PEER) for p in points if p["peer_bytes"]]
        keys.insert(1, (PEER, "□", f"{curve['peer']} fskdem, told the timing"))
    parts += [_mark(axes, p, "wrong", "bytes_", OURS) for p in points]
    for row, (colour, sign, text) in enumerate(keys):
        y = HEIGHT - BOTTOM - 12 - 17 * (len(keys) - 1 - row)
        parts.append(f'<text x="{LEFT + 24}" y="{y}" fill="{colour}" text-anchor="middle">{sign}</text>')
        parts.append(f'<text x="{LEFT + 44}" y="{y}">{escape(text)}</text>')
    return "\n".join([*parts, "</svg>", ""])


def _frame(axes: Axes, title: str) -> list[str]:
    """Background, grid, figures and words along the axes."""
    x0, x1, y0, y1 = LEFT, WIDTH - RIGHT, HEIGHT - BOTTOM, TOP
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}"'
        f' height="{HEIGHT}" font-family="sans-serif" font-size="12" fill="#111" role="img">',
        f"<title>{escape(title)}: byte error rate against Eb/N0</title>",
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="#fff"/>',
        f'<text x="{LEFT}" y="21" font-size="15" font-weight="bold">{escape(title)}</text>',
    ]
    for db in range(axes.first_db, axes.last_db + 1):
        x = axes.x(db)
        parts.append(f'<path d="M{x:.1f} {y0}V{y1}" stroke="#e2e2e2"/>')
        parts.append(f'<text x="{x:.1f}" y="{y0 + 17}" text-anchor="middle">{db}</text>')
    for power in range(round(math.log10(LOWEST)), 1):
        for digit in range(1, 10 if power < 0 else 2):
            y = axes.y(digit * 10.0**power)
            parts.append(f'<path d="M{x0} {y:.1f}H{x1}" stroke="{"#c8c8c8" if digit == 1 else "#eee"}"/>')
        y = axes.y(10.0**power) + 4
        parts.append(f'<text x="{x0 - 6}" y="{y:.1f}" text-anchor="end">{_power(power)}</text>')
    parts.append(f'<path d="M{x0} {y1}V{y0}H{x1}" stroke="#111" fill="none"/>')
    parts.append(f'<text x="{(x0 + x1) / 2}" y="{HEIGHT - 10}" text-anchor="middle">Eb/N0 in dB</text>')
    middle = (y0 + y1) / 2
    turned = f'text-anchor="middle" transform="rotate(-90 16 {middle})"'
    parts.append(f'<text x="16" y="{middle}" {turned}>byte error rate</text>')
    return parts


def _power(power: int) -> str:
    if power == 0:
        return "1"
    return f'10<tspan dy="-5" font-size="9">{str(power).replace("-", "−")}</tspan>'


def _line(
    axes: Axes, db: npt.NDArray[np.float64], rate: npt.NDArray[np.float64], colour: str, style: str
) -> str:
    seen = rate >= LOWEST  # nan is not
    places = [f"{axes.x(x):.1f} {axes.y(y):.1f}" for x, y in zip(db[seen], rate[seen], strict=True)]
    return f'<path d="M{"L".join(places)}" fill="none" stroke="{colour}" {style}/>'


def _mark(axes: Axes, point: dict[str, Any], wrong: str, total: str, colour: str) -> str:
    """One counted rate with its standard error; without any error, an arrow down from the most it can be."""
    count, n = point[wrong], point[total]
    x = axes.x(point["eb_n0_db"])
    if count == 0:
        y = axes.y(NONE_FOUND / n)
        arrow = f"M{x - 5:.1f} {y:.1f}h10m-5 0v12m-3.5 -5l3.5 5l3.5 -5"
        return f'<path d="{arrow}" fill="none" stroke="{colour}"/>'
    rate = count / n
    sigma = math.sqrt(count * (1 - rate) + 0.25) / n
    bar = f'<path d="M{x:.1f} {axes.y(rate - sigma):.1f}V{axes.y(rate + sigma):.1f}" stroke="{colour}"/>'
    y = axes.y(rate)
    if wrong == "wrong":
        return f'{bar}<circle cx="{x:.1f}" cy="{y:.1f}" r="4" fill="{colour}"/>'
    return (
        f'{bar}<rect x="{x - 4:.1f}" y="{y - 4:.1f}" width="8" height="8" fill="#fff" stroke="{colour}"'
        ' stroke-width="1.6"/>'
    )
