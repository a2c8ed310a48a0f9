"""The tape strip: the whole recording with blocks, gaps and faults marked over it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import plotly.graph_objects as go

from tapewright.model import GAP, Block, Fault, Reading, Span
from tapewright.report.sound import SoundSurvey
from tapewright.report.style import HEARD, MUTED, SURE, TINT, TROUBLE, empty_figure, new_figure, safe
from tapewright.report.verdict import is_damaged
from tapewright.report.words import address_text, count, seconds_text

__all__ = ["all_faults", "strip_figure"]

#: Marks of one kind drawn at most; the longest gaps and the first faults are kept.
MOST_MARKS = 600
#: More blocks than this are too narrow for an outline, a pattern and a shade over the sound.
MOST_SHADED = 150
#: The lanes below and above the sound, which fills -1..1.
BLOCK_LANE, GAP_LANE, FAULT_LANE = -1.35, -1.7, 1.3


def strip_figure(reading: Reading, survey: SoundSurvey) -> go.Figure:
    """Draw the tape strip.

    Parameters
    ----------
    reading : Reading
    survey : SoundSurvey
        Of the same recording.

    Returns
    -------
    plotly.graph_objects.Figure
        Traces named ``sound``, ``blocks``, ``damaged blocks``, ``gaps`` and ``faults``, where there are any.
    """
    figure = new_figure(x_title="seconds on the recording", y_title="", height=300)
    if not len(survey.low):
        return empty_figure(figure, "the recording is empty")
    _add_sound(figure, survey)
    sound = [block for block in reading.blocks if not is_damaged(block)]
    damaged = [block for block in reading.blocks if is_damaged(block)]
    _add_blocks(figure, sound, "blocks", SURE, "", 0.24)
    _add_blocks(figure, damaged, "damaged blocks", TROUBLE, "x", 0.36)
    _add_gaps(figure, gap_spans(reading))
    _add_faults(figure, all_faults(reading))
    figure.update_xaxes(range=[0, survey.seconds])
    figure.update_yaxes(
        range=[-1.95, 1.65],
        fixedrange=True,
        showgrid=False,
        tickvals=[FAULT_LANE, 0, BLOCK_LANE, GAP_LANE],
        ticktext=["faults", "sound", "blocks", "gaps"],
    )
    figure.layout.barmode = "overlay"
    return figure


def all_faults(reading: Reading) -> list[Fault]:
    """Return the faults of the recording and of its blocks in order of time, those without a place first."""
    faults = [*reading.faults, *(fault for block in reading.blocks for fault in block.faults)]
    return sorted(faults, key=lambda fault: fault.span.start_seconds if fault.span else -1.0)


def gap_spans(reading: Reading) -> list[Span]:
    """Return the stretches in which no symbol was heard: the longest, in order of time."""
    symbols = reading.symbols
    places = np.flatnonzero(symbols.index == GAP)
    spans = [Span(float(symbols.start_seconds[k]), float(symbols.end_seconds[k])) for k in places]
    return sorted(sorted(spans, key=lambda span: -span.seconds)[:MOST_MARKS])


def _add_sound(figure: go.Figure, survey: SoundSurvey) -> None:
    """Draw the envelope as an area, scaled to its peak so that a quiet recording shows too."""
    peak = survey.peak or 1.0
    seconds = ((np.arange(len(survey.low)) + 0.5) * survey.column_seconds).astype(np.float32)
    low, high = survey.low / peak, survey.high / peak
    loud = np.maximum(np.abs(survey.low), np.abs(survey.high))
    decibels = 20 * np.log10(np.maximum(loud, 1e-6))
    figure.add_scatter(
        x=seconds,
        y=low.astype(np.float32),
        mode="lines",
        line={"width": 0},
        hoverinfo="skip",
        name="sound, low",
    )
    figure.add_scatter(
        x=seconds,
        y=high.astype(np.float32),
        mode="lines",
        line={"width": 0.6, "color": HEARD},
        fill="tonexty",
        fillcolor=HEARD,
        customdata=decibels.astype(np.float32),
        hovertemplate="%{x:.3f} s: peak %{customdata:.1f} dBFS<extra></extra>",
        name="sound",
    )


def _add_blocks(
    figure: go.Figure, blocks: Sequence[Block], name: str, color: str, pattern: str, height: float
) -> None:
    if not blocks:
        return
    starts = np.array([block.span.start_seconds for block in blocks])
    ends = np.array([block.span.end_seconds for block in blocks])
    few = len(blocks) <= MOST_SHADED
    if few:
        _add_tint(figure, starts, ends, TINT, name)
    figure.add_bar(
        orientation="h",
        base=starts,
        x=ends - starts,
        y=np.full(len(blocks), BLOCK_LANE),
        width=height,
        marker={
            "color": color,
            "line": {"width": 1 if few else 0, "color": "rgba(255,255,255,0.7)"},
            "pattern": {
                "shape": pattern if few else "",
                "bgcolor": color,
                "fgcolor": "rgba(255,255,255,0.85)",
                "size": 6,
                "solidity": 0.3,
            },
        },
        hovertext=[_block_text(block) for block in blocks],
        hoverinfo="text",
        name=name,
    )


def _add_tint(figure: go.Figure, starts: np.ndarray, ends: np.ndarray, color: str, name: str) -> None:
    """Shade the sound of all these stretches with a single trace."""
    figure.add_scatter(
        x=np.stack((starts, starts, ends, ends, np.full(len(starts), np.nan)), 1).ravel(),
        y=np.tile([-1.15, 1.15, 1.15, -1.15, np.nan], len(starts)),
        mode="lines",
        line={"width": 0},
        fill="toself",
        fillcolor=color,
        hoverinfo="skip",
        name=f"{name}, shade",
    )


def _add_gaps(figure: go.Figure, gaps: Sequence[Span]) -> None:
    if not gaps:
        return
    figure.add_bar(
        orientation="h",
        base=[gap.start_seconds for gap in gaps],
        x=[gap.seconds for gap in gaps],
        y=np.full(len(gaps), GAP_LANE),
        width=0.16,
        marker={"color": MUTED, "opacity": 0.55},
        hovertext=[f"gap: no symbol from {gap}" for gap in gaps],
        hoverinfo="text",
        name="gaps",
    )


def _add_faults(figure: go.Figure, faults: Sequence[Fault]) -> None:
    placed = [(fault, fault.span) for fault in faults if fault.span is not None][:MOST_MARKS]
    if not placed:
        return
    starts = np.array([span.start_seconds for _, span in placed])
    ends = np.array([span.end_seconds for _, span in placed])
    _add_tint(figure, starts, ends, "rgba(196, 85, 43, 0.35)", "faults")
    figure.add_scatter(
        x=0.5 * (starts + ends),
        y=np.full(len(placed), FAULT_LANE),
        mode="markers",
        marker={"symbol": "triangle-down", "size": 9, "color": TROUBLE},
        hovertext=[f"{safe(fault.kind)}, {span}<br>{_folded(safe(fault.text))}" for fault, span in placed],
        hoverinfo="text",
        name="faults",
    )


def _block_text(block: Block) -> str:
    where = "no address" if block.address is None else f"at {address_text(block.address)}"
    lines = [
        f"{safe(block.kind)}: {count(len(block.data), 'byte')}, {where}",
        f"{seconds_text(block.span.start_seconds)} to {seconds_text(block.span.end_seconds)}",
        f"check {safe(block.check)}" + ("" if block.complete else ", not complete"),
    ]
    if block.faults:
        lines.append(count(len(block.faults), "fault"))
    return "<br>".join(lines)


def _folded(text: str, width: int = 70) -> str:
    """Break a long sentence into lines a hover label can hold."""
    lines = [""]
    for word in text.split(" "):
        if len(lines[-1]) + len(word) > width:
            lines.append("")
        lines[-1] += ("" if not lines[-1] else " ") + word
    return "<br>".join(lines)
