"""The waveform up close, around the byte that is least sure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import plotly.graph_objects as go

from tapewright.model import GAP, Block, Reading, Span, Symbols
from tapewright.report.sound import SoundSurvey, Stretch
from tapewright.report.style import HEARD, MUTED, OCHRE, empty_figure, new_figure, safe
from tapewright.report.words import address_text, confidence_text, seconds_text

__all__ = [
    "CloseupPlace",
    "add_boundaries",
    "add_byte",
    "add_samples",
    "add_symbols",
    "choose_place",
    "closeup_figure",
]

#: Shown before and after the byte, in its own lengths.
MARGIN_BYTES = 0.8
SHORTEST_SECONDS, LONGEST_SECONDS = 0.004, 0.4
#: Without any byte to look at.
BLIND_SECONDS = 0.03
MOST_POINTS = 4000
#: Symbols whose values are written out; more would run into one another.
MOST_NAMES = 80


@dataclass(frozen=True)
class CloseupPlace:
    """Where the close-up looks.

    Parameters
    ----------
    span : Span
        What is shown.
    byte : Span or None
        The byte in the middle.
    label : str
        What is there, for the caption.
    value : str
        The byte's value, for the figure; empty without a byte.
    """

    span: Span
    byte: Span | None
    label: str
    value: str = ""


def choose_place(reading: Reading, survey: SoundSurvey) -> CloseupPlace:
    """Choose the least sure byte; without bytes the first symbols, without symbols the loudest place.

    Parameters
    ----------
    reading : Reading
    survey : SoundSurvey

    Returns
    -------
    CloseupPlace
    """
    found = _least_sure(reading)
    if found is not None:
        block, offset = found
        byte = _byte_span(block, offset)
        margin = MARGIN_BYTES * max(byte.seconds, SHORTEST_SECONDS)
        confidence = float(block.byte_confidence[offset])
        where = f"{address_text(block.address, offset)}, {seconds_text(byte.start_seconds)}"
        if confidence > 0:
            value = f"{block.data[offset]:02X}"
            label = f"The least sure byte: {value} at {where}, confidence {confidence_text(confidence)}."
        else:
            value = "unreadable"
            label = f"A byte that could not be read, at {where}."
        return CloseupPlace(_widened(byte, margin), byte, label, value)
    heard = np.flatnonzero(reading.symbols.index != GAP)
    if len(heard):
        start = float(reading.symbols.start_seconds[heard[0]])
        return CloseupPlace(Span(start, start + BLIND_SECONDS), None, "The first symbols that were heard.")
    middle = survey.loudest_seconds
    span = Span(max(0.0, middle - BLIND_SECONDS / 2), middle + BLIND_SECONDS / 2)
    return CloseupPlace(span, None, "The loudest place of the recording; no symbols were heard in it.")


def closeup_figure(reading: Reading, place: CloseupPlace, stretch: Stretch) -> go.Figure:
    """Draw samples, the boundaries of the symbols, and what each was taken for.

    Parameters
    ----------
    reading : Reading
    place : CloseupPlace
    stretch : Stretch
        The samples of ``place.span``.

    Returns
    -------
    plotly.graph_objects.Figure
        Traces ``samples``, ``boundaries``, ``symbols`` and ``byte``, where there are any.
    """
    figure = new_figure(x_title="seconds on the recording", y_title="sample value, full scale 1", height=300)
    if not len(stretch.samples):
        return empty_figure(figure, "there are no samples at this place")
    peak = max(float(np.max(np.abs(stretch.samples))), 1e-6)
    if place.byte is not None:
        add_byte(figure, place.byte, place.value, peak)
    add_symbols(figure, reading.symbols, place.span, peak)
    add_samples(figure, stretch, place.span, peak)
    return figure


def add_samples(figure: go.Figure, stretch: Stretch, span: Span, peak: float) -> None:
    """Draw the sound.

    Parameters
    ----------
    figure : plotly.graph_objects.Figure
    stretch : Stretch
    span : Span
        What the axis shows.
    peak : float
        The largest of its samples.
    """
    seconds, samples = thinned(stretch)
    figure.add_scatter(
        x=seconds,
        y=samples,
        mode="lines",
        line={"width": 1.3, "color": HEARD},
        hovertemplate="%{x:.6f} s: %{y:.4f}<extra></extra>",
        name="samples",
    )
    figure.update_xaxes(range=[span.start_seconds, span.end_seconds], showgrid=False)
    figure.update_yaxes(range=[-1.5 * peak, 1.45 * peak], fixedrange=True)


def _least_sure(reading: Reading) -> tuple[Block, int] | None:
    best: tuple[Block, int] | None = None
    lowest = np.inf
    for block in reading.blocks:
        known = np.isfinite(block.byte_seconds)
        if not known.any():
            continue
        offset = int(np.argmin(np.where(known, block.byte_confidence, np.inf)))
        if block.byte_confidence[offset] < lowest:
            best, lowest = (block, offset), float(block.byte_confidence[offset])
    return best


def _byte_span(block: Block, offset: int) -> Span:
    """From the start of a byte to the start of the next, or as long as the others where it is the last."""
    start = float(block.byte_seconds[offset])
    later = block.byte_seconds[offset + 1 :]
    later = later[np.isfinite(later) & (later > start)]
    if len(later):
        end = float(later[0])
    else:
        steps = np.diff(block.byte_seconds[np.isfinite(block.byte_seconds)])
        steps = steps[steps > 0]
        length = float(np.median(steps)) if len(steps) else SHORTEST_SECONDS
        end = start + length
        if block.span.end_seconds > start:
            end = min(end, block.span.end_seconds)
    return Span(start, min(end, start + LONGEST_SECONDS))


def _widened(byte: Span, margin: float) -> Span:
    half = min(max(0.5 * byte.seconds + margin, 0.5 * SHORTEST_SECONDS), 0.5 * LONGEST_SECONDS)
    middle = 0.5 * (byte.start_seconds + byte.end_seconds)
    return Span(max(0.0, middle - half), middle + half)


def add_symbols(figure: go.Figure, symbols: Symbols, span: Span, peak: float) -> None:
    """Draw a line at each boundary and write each symbol's value between two of them."""
    first = int(np.searchsorted(symbols.end_seconds, span.start_seconds, "right"))
    last = int(np.searchsorted(symbols.start_seconds, span.end_seconds, "left"))
    if first >= last:
        return
    starts, ends = symbols.start_seconds[first:last], symbols.end_seconds[first:last]
    boundaries = np.unique(np.concatenate((starts, ends)))
    add_boundaries(figure, boundaries, peak)
    names = [_symbol_name(symbols, k) for k in range(first, last)]
    middles = 0.5 * (np.maximum(starts, span.start_seconds) + np.minimum(ends, span.end_seconds))
    figure.add_scatter(
        x=middles,
        y=np.full(len(middles), 1.32 * peak),
        mode="markers" if len(names) > MOST_NAMES else "text",
        marker={"size": 4, "color": MUTED},
        text=names,
        textfont={"size": 13, "family": "ui-monospace, monospace"},
        hovertext=[_symbol_text(symbols, k, name) for k, name in zip(range(first, last), names, strict=True)],
        hoverinfo="text",
        name="symbols",
    )


def _symbol_name(symbols: Symbols, number: int) -> str:
    index = int(symbols.index[number])
    return "gap" if index == GAP else safe(symbols.names[index])


def _symbol_text(symbols: Symbols, number: int, name: str) -> str:
    start, end = float(symbols.start_seconds[number]), float(symbols.end_seconds[number])
    lines = [f"{start:.6f} to {end:.6f} s ({1e6 * (end - start):.0f} µs)"]
    index = int(symbols.index[number])
    if index == GAP:
        return "<br>".join(["gap: no symbol heard", *lines])
    chance = float(np.exp(symbols.log_p[number, index]))
    lines.append(f"probability {confidence_text(chance)}, speed {100 * (symbols.speed[number] - 1):+.1f} %")
    return "<br>".join([f"symbol {name}", *lines])


def add_boundaries(figure: go.Figure, times: npt.NDArray[np.float64], peak: float) -> None:
    """Draw a fine upright line at each of these times (seconds)."""
    figure.add_scatter(
        x=np.repeat(times, 3),
        y=np.tile([-1.2 * peak, 1.2 * peak, np.nan], len(times)),
        mode="lines",
        line={"width": 0.8, "color": MUTED},
        hoverinfo="skip",
        name="boundaries",
    )


def add_byte(figure: go.Figure, byte: Span, value: str, peak: float) -> None:
    """Mark where a byte stands, with its value below."""
    x = [byte.start_seconds, byte.start_seconds, byte.end_seconds, byte.end_seconds]
    figure.add_scatter(
        x=x,
        y=[-1.2 * peak, 1.2 * peak, 1.2 * peak, -1.2 * peak],
        mode="lines",
        line={"width": 0},
        fill="toself",
        fillcolor="rgba(173, 122, 31, 0.16)",
        hoverinfo="skip",
        name="byte",
    )
    figure.add_annotation(
        x=0.5 * (byte.start_seconds + byte.end_seconds),
        y=-1.34 * peak,
        text=value,
        showarrow=False,
        font={"size": 13, "color": OCHRE, "family": "ui-monospace, monospace"},
    )


def thinned(stretch: Stretch) -> tuple[npt.NDArray[np.floating], npt.NDArray[np.floating]]:
    """Keep the least and the greatest of each few samples where there are too many to draw."""
    n = len(stretch.samples)
    if n <= MOST_POINTS:
        return stretch.seconds, stretch.samples
    width = -(-2 * n // MOST_POINTS)
    whole = n - n % width
    rows = stretch.samples[:whole].reshape(-1, width)
    picked = np.sort(np.stack((rows.argmin(axis=1), rows.argmax(axis=1)), 1), axis=1)
    kept = (picked + width * np.arange(len(rows))[:, np.newaxis]).ravel()
    return stretch.seconds[kept], stretch.samples[kept]
