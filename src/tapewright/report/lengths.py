"""How long things last: half-waves of the sound, and symbols."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import plotly.graph_objects as go

from tapewright.cards import Alphabet, FormatCard
from tapewright.model import Reading, Symbols
from tapewright.model.scratch import pieces
from tapewright.report.sound import SoundSurvey
from tapewright.report.style import HEARD, MUTED, SERIES, empty_figure, new_figure, safe

__all__ = ["half_wave_figure", "nominal_half_waves_us", "symbol_length_figure"]

SYMBOL_BINS = 160


def half_wave_figure(survey: SoundSurvey, card: FormatCard) -> go.Figure:
    """Draw how many half-waves of each length the recording holds, beside those the card speaks of.

    Parameters
    ----------
    survey : SoundSurvey
    card : FormatCard

    Returns
    -------
    plotly.graph_objects.Figure
        Trace ``half-waves``; dotted lines at the nominal lengths.
    """
    figure = new_figure(x_title="length of a half-wave, µs", y_title="how many")
    if not survey.half_wave_counts.any():
        return empty_figure(figure, "no sound crosses the zero line")
    edges_us = 1e6 * survey.half_wave_edges
    used = np.flatnonzero(survey.half_wave_counts)
    first, last = max(0, int(used[0]) - 2), min(len(survey.half_wave_counts) - 1, int(used[-1]) + 2)
    figure.add_scatter(
        x=np.sqrt(edges_us[:-1] * edges_us[1:])[first : last + 1],
        y=survey.half_wave_counts[first : last + 1],
        mode="lines",
        line={"shape": "hvh", "width": 1, "color": HEARD},
        fill="tozeroy",
        fillcolor="rgba(63, 120, 168, 0.45)",
        hovertemplate="%{x:.0f} µs: %{y}<extra></extra>",
        name="half-waves",
    )
    for length_us in nominal_half_waves_us(card):
        figure.add_vline(x=length_us, line={"color": MUTED, "width": 1, "dash": "dot"})
    figure.update_xaxes(
        type="log",
        # A logarithmic axis with whole tick labels where tapes have their half-waves.
        tickvals=[20, 50, 100, 200, 300, 500, 1000, 2000, 5000, 10_000],
        tickformat="d",
    )
    return figure


def nominal_half_waves_us(card: FormatCard) -> list[float]:
    """Return the lengths of the half-waves in a card's symbols, in microseconds, shortest first."""
    shapes = Alphabet.of(card).shapes
    hertz = {segment.hertz for shape in shapes for segment in shape.segments if segment.hertz > 0}
    return sorted({round(0.5e6 / value, 1) for value in hertz})


def symbol_length_figure(reading: Reading, card: FormatCard) -> go.Figure:
    """Draw how long each kind of symbol was heard to last, beside its nominal length.

    Parameters
    ----------
    reading : Reading
    card : FormatCard

    Returns
    -------
    plotly.graph_objects.Figure
        One trace for each symbol of the alphabet that was heard, named ``symbol 0`` and so on.
    """
    figure = new_figure(x_title="length of a symbol, µs", y_title="how many")
    symbols = reading.symbols
    sample = symbols.heard_sample()
    if not len(sample):
        return empty_figure(figure, "no symbols were heard")
    # The few that were stretched to bridge a slip would squeeze all others into one bar.
    low, high = np.percentile(_length_us(sample), [0.2, 99.8])
    margin = 0.1 * (high - low) + 0.02 * high
    edges = np.linspace(max(0.0, low - margin), high + margin, SYMBOL_BINS + 1)
    middles = 0.5 * (edges[:-1] + edges[1:])
    counts = np.zeros((len(symbols.names), SYMBOL_BINS), np.int64)
    for part in map(symbols.at, pieces(len(symbols))):
        for number in range(len(symbols.names)):
            counts[number] += np.histogram(_length_us(part)[part.index == number], edges)[0]
    for number, name in enumerate(symbols.names):
        if not counts[number].any():
            continue
        color = SERIES[number % len(SERIES)]
        figure.add_scatter(
            x=middles,
            y=counts[number],
            mode="lines",
            line={"shape": "hvh", "width": 1.4, "color": color, "dash": ("solid", "dash", "dot")[number % 3]},
            hovertemplate=f"symbol {safe(name)}: %{{x:.0f}} µs, %{{y}} times<extra></extra>",
            name=f"symbol {safe(name)}",
        )
    for shape in Alphabet.of(card).shapes:
        if edges[0] <= 1e6 * shape.seconds <= edges[-1]:
            figure.add_vline(x=1e6 * shape.seconds, line={"color": MUTED, "width": 1, "dash": "dot"})
    figure.layout.showlegend = True
    return figure


def _length_us(symbols: Symbols) -> npt.NDArray[np.float64]:
    return np.asarray(1e6 * (symbols.end_seconds - symbols.start_seconds))
