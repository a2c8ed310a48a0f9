"""The results in words and columns."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from benchmarks.accuracy.bars import MOST_Z, SURE_PERCENT, UNFLAGGED_PERCENT, claimed_and_actual, z_score
from benchmarks.accuracy.measure import BINS

__all__ = [
    "CLAIMS_HEADING",
    "DROPOUTS_HEADING",
    "HEADING",
    "calibration",
    "claim_lines",
    "curve_line",
    "dropout_lines",
    "framed_text",
    "point_lines",
]

#: Less of the time is not worth a line.
LEAST_COVERED_PERCENT = 0.05

HEADING = f"""\
Eb/N0 in dB for a byte error rate of 1e-2 with the framing known and everything else blind. Eb is the mean
received energy of a payload symbol, zeros and ones averaged.
  loss     against the best possible receiver, simulated (told level, phase, speed, start, impairment)
  book     against the closed formula for one symbol by itself
  *  loss is above the bar     !  book is, too
  framed   needed when the framer reads the bytes (a slip spoils the rest where bytes have no start)
  claimed  errors the posteriors promise for each actual one, at the point next to 1e-2
  peer     needed by a general FSK demodulator that is told the timing, where it fits the format

{"card":22s} {"impairment":10s} {"needed":>7s} {"+-":>5s} {"loss":>6s} {"book":>6s} {"bar":>4s}\
    {"framed":>6s} {"claimed":>8s} {"peer":>6s}"""
CLAIMS_HEADING = (
    f"\n{'claims in nothing':22s} {'sound':8s} {'':14s} {'covered %':>9s} {'sure %':>8s}"
    f"   * above {SURE_PERCENT} %"
)

DROPOUTS_HEADING = (
    f"\n{'wrong bytes in dropouts':22s} {'depth dB':>9s} {'':8s} {'bytes':>7s} {'wrong':>7s}"
    f" {'unflagged':>9s}   * above {UNFLAGGED_PERCENT} %"
)


def curve_line(result: dict[str, Any]) -> str:
    """One line for one curve."""
    needed, points, bar = result["needed_db"], result["points"], result["bar_db"]
    near = min(points, key=lambda p: abs(math.log10(max(p["wrong"], 0.5) / p["bytes_"] / 1e-2)))
    claimed, actual = claimed_and_actual({"points": [near]})
    if needed is None:
        beyond = f"> {points[-1]['eb_n0_db'] - result['ideal_db']:.1f}"
        text, flags = f"{'-':>7s} {'':5s} {beyond:>6s} {'':6s}", "*!"
    else:
        loss, book = needed - result["ideal_db"], needed - result["textbook_db"]
        text = f"{needed:7.2f} {result['sigma_db']:5.2f} {loss:+6.2f} {book:+6.2f}"
        flags = ("*" if loss > bar else " ") + ("!" if min(loss, book) > bar else " ")
    framed = framed_text(result)
    note = "" if result["how"] == "fit" else f"   {result['how']}"
    return (
        f"{result['card']:22s} {result['impairment']:10s} {text} {bar:4.1f} {flags} {framed:>6s}"
        f" {claimed / max(actual, 1):8.2f} {_peer(result):>6s}{note}"
    )


def _peer(result: dict[str, Any]) -> str:
    if result["peer"] is None:
        return "-"
    if result["peer_needed_db"] is None:
        return f">{result['points'][-1]['eb_n0_db']:.1f}"
    return f"{result['peer_needed_db']:.2f}"


def framed_text(result: dict[str, Any]) -> str:
    """Eb/N0 needed after framing; below the first or above the last point where none is at the target."""
    if result["framed_db"] is not None:
        return f"{result['framed_db']:.2f}"
    first, last = result["points"][0], result["points"][-1]
    if first["wrong_framed"] < 1e-2 * first["framed"]:
        return f"<{first['eb_n0_db']:.1f}"  # better than the symbols promise: parity helps
    return f">{last['eb_n0_db']:.1f}"


def point_lines(result: dict[str, Any]) -> str:
    """Every point of a curve."""
    lines = []
    for p in result["points"]:
        lines.append(
            f"    {p['eb_n0_db'] - result['ideal_db']:+5.2f} dB: bytes wrong {p['wrong']}/{p['bytes_']}"
            f" = {p['wrong'] / p['bytes_']:.4f}, framed {p['wrong_framed'] / p['framed']:.4f};"
            f" symbols wrong {p['wrong_bits'] / p['bits']:.5f}, extra {p['extra']}, missing {p['missing']};"
            f" no lock {p['unlocked']}/{p['runs']};"
            f" claimed {sum(p['claimed']):.0f}, actual {sum(p['actual']):.0f}"
            + (f"; peer's bytes {p['peer_wrong'] / p['peer_bytes']:.4f}" if p["peer_bytes"] else "")
        )
    return "\n".join(lines)


def calibration(results: list[dict[str, Any]]) -> str:
    """Claimed against actual errors in bins of the claimed error, all points together."""
    lines = [
        "\nclaimed against actual errors of symbols, in bins of the claimed error; z: how many standard",
        f"errors the actual ones are above. By name: claimed/actual where |z| > {MOST_Z:g}.",
        f"{'bin':>16s} {'symbols':>9s} {'claimed':>9s} {'actual':>8s} {'z':>7s}",
    ]
    for k in range(len(BINS) - 1):
        rows: dict[str, np.ndarray[Any, np.dtype[np.float64]]] = {}
        for result in results:
            name = f"{result['card']} {result['impairment']}"
            rows.setdefault(name, np.zeros(4))
            for p in result["points"]:
                rows[name] += [p["total"][k], p["claimed"][k], p["actual"][k], p["variance"][k]]
        both = np.sum(list(rows.values()), axis=0) if rows else np.zeros(4)
        off = [f"{name} {r[1]:.0f}/{r[2]:.0f}" for name, r in rows.items() if abs(_z(r)) > MOST_Z]
        lines.append(
            f"{BINS[k]:7.0e}..{BINS[k + 1]:6.0e} {both[0]:9.0f} {both[1]:9.1f} {both[2]:8.0f}"
            f" {_z(both):+7.1f}   {', '.join(off)}"
        )
    return "\n".join(lines)


def claim_lines(claims: list[dict[str, Any]]) -> list[str]:
    """Say what one card claims to hear, sound by sound; where it claims nothing, only how often."""
    lines = []
    for claim in claims:
        if claim["covered_percent"] < LEAST_COVERED_PERCENT and claim["sure_percent"] == 0:
            continue
        where = "after program" if claim["after_program"] else "alone"
        flag = " *" if claim["sure_percent"] > SURE_PERCENT else ""
        lines.append(
            f"{claim['card']:22s} {claim['sound']:8s} {where:14s} {claim['covered_percent']:9.2f}"
            f" {claim['sure_percent']:8.3f}{flag}"
        )
    rest = len(claims) - len(lines)
    return [*lines, f"{claims[0]['card']:22s} nothing in {rest} of {len(claims)}"]


def dropout_lines(rows: list[dict[str, Any]]) -> list[str]:
    """One line for each depth."""
    return [
        f"{row['card']:22s} {row['depth_db']:10.0f} {row['layer']:8s} {row['bytes_']:7d} {row['wrong']:7d}"
        f" {row['unflagged']:9d}"
        + (" *" if 100 * row["unflagged"] > UNFLAGGED_PERCENT * row["wrong"] else "")
        for row in rows
    ]


def _z(row: np.ndarray[Any, np.dtype[np.float64]]) -> float:
    return z_score(float(row[1]), float(row[2]), float(row[3]))
