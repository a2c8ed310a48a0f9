"""What changes along the tape: confidence, speed, level and noise."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import plotly.graph_objects as go

from tapewright.model import GAP, Reading, Symbols
from tapewright.model.reading import DOUBTFUL
from tapewright.model.scratch import pieces
from tapewright.report.style import HEARD, MUTED, OCHRE, SURE, TROUBLE, empty_figure, new_figure
from tapewright.report.words import address_text, confidence_text

__all__ = ["Track", "confidence_figure", "level_figure", "make_track", "speed_figure", "typical_speed"]

FloatArray = npt.NDArray[np.floating]

#: Points drawn at most.
MOST_POINTS = 2000
#: Symbols are averaged over this long, eight of them at least: short enough to show wow, which is slower
#: than about 6 Hz, and long enough to quieten the noise of single symbols (chosen).
STEP_SECONDS = 0.05
LEAST_SYMBOLS = 8
#: A chance of error below this is not drawn any lower.
LEAST_ERROR = 1e-6


@dataclass(frozen=True, eq=False)
class Track:
    """A quantity along the tape, in steps, with NaN between stretches that have none.

    Parameters
    ----------
    seconds : ndarray of float32, shape (n,)
        Middle of each step.
    mean, low, high : ndarray of float32, shape (n,)
        Mean over the step, and the least and greatest short-time mean within.
    """

    seconds: FloatArray
    mean: FloatArray
    low: FloatArray
    high: FloatArray


def make_track(symbols: Symbols, values: FloatArray, unit: Callable[[FloatArray], FloatArray]) -> Track:
    """Average a quantity of the symbols over short steps, and those over longer ones if there are too many.

    Parameters
    ----------
    symbols : Symbols
    values : ndarray, shape (len(symbols),)
    unit : callable
        Turns values into what is averaged: percent, or decibels.

    Returns
    -------
    Track
        With at most 2000 entries, the NaN between stretches not counted.
    """
    sample, none = symbols.heard_sample(), np.zeros(0)
    if not len(sample):
        return Track(none, none, none, none)
    length = float(np.median(sample.end_seconds - sample.start_seconds))
    step = max(STEP_SECONDS, LEAST_SYMBOLS * length)
    start = symbols.start_seconds
    steps = int(start.max(where=np.isfinite(start), initial=0.0) / step) + 1
    total, count = np.zeros(steps), np.zeros(steps)
    for part in pieces(len(symbols)):
        chosen = (symbols.index[part] != GAP) & np.isfinite(values[part]) & np.isfinite(start[part])
        number = (start[part][chosen] / step).astype(np.int64)
        total += np.bincount(number, unit(values[part][chosen].astype(np.float64)), steps)
        count += np.bincount(number, minlength=steps)
    place = np.flatnonzero(count)
    mean = total[place] / count[place]
    seconds = (place + 0.5) * step
    low = high = mean
    if len(mean) > MOST_POINTS:
        joined = -(-int(place[-1] - place[0] + 1) // MOST_POINTS)
        group = (place - place[0]) // joined
        place, firsts = np.unique(group, return_index=True)
        sizes = np.diff(np.append(firsts, len(mean)))
        low, high = np.minimum.reduceat(mean, firsts), np.maximum.reduceat(mean, firsts)
        seconds = np.add.reduceat(seconds, firsts) / sizes
        mean = np.add.reduceat(mean, firsts) / sizes
    breaks = np.flatnonzero(np.diff(place) > 1) + 1
    return Track(*(np.insert(part, breaks, np.nan).astype(np.float32) for part in (seconds, mean, low, high)))


def confidence_figure(reading: Reading) -> go.Figure:
    """Draw the chance that each byte is wrong, along time.

    Returns
    -------
    plotly.graph_objects.Figure
        Traces ``bytes`` and ``unreadable``. Of a long recording the least sure byte of each step is drawn.
    """
    figure = new_figure(x_title="seconds on the recording", y_title="chance of being wrong", height=260)
    seconds, error, texts = _byte_points(reading)
    if not len(seconds):
        return empty_figure(figure, "no bytes were read")
    lost = error >= 1.0
    for name, chosen, marker in (
        ("bytes", ~lost, {"size": 4, "color": HEARD, "opacity": 0.8}),
        (
            "unreadable",
            lost,
            {"size": 9, "color": TROUBLE, "symbol": "x-thin", "line": {"width": 2, "color": TROUBLE}},
        ),
    ):
        if chosen.any():
            figure.add_scatter(
                x=seconds[chosen],
                y=np.maximum(error[chosen], LEAST_ERROR),
                mode="markers",
                marker=marker,
                hovertext=[text for text, use in zip(texts, chosen, strict=True) if use],
                hoverinfo="text",
                name=name,
            )
    figure.add_hline(y=1 - DOUBTFUL, line={"color": TROUBLE, "width": 1, "dash": "dot"})
    figure.update_yaxes(
        type="log",
        range=[np.log10(LEAST_ERROR) - 0.3, 0.3],
        fixedrange=True,
        tickvals=[1, 0.1, 0.01, 1e-3, 1e-4, 1e-5, 1e-6],
        ticktext=["unreadable", "1 in 10", "1 in 100", "1 in 1000", "1 in 10⁴", "1 in 10⁵", "1 in 10⁶, less"],
    )
    return figure


def _byte_points(reading: Reading) -> tuple[FloatArray, FloatArray, list[str]]:
    """Time, chance of error and a text of every byte, or of the least sure ones if there are too many."""
    blocks = [block for block in reading.blocks if len(block.data)]
    if not blocks:
        return np.zeros(0), np.zeros(0), []
    seconds = np.concatenate([block.byte_seconds for block in blocks]).astype(np.float64)
    error = 1.0 - np.concatenate([block.byte_confidence for block in blocks]).astype(np.float64)
    ends = np.cumsum([len(block.data) for block in blocks])
    chosen = np.flatnonzero(np.isfinite(seconds))
    if len(chosen) > MOST_POINTS:
        groups = np.array_split(chosen, MOST_POINTS)
        chosen = np.array([group[np.argmax(error[group])] for group in groups])
    texts = []
    for k in chosen:
        number = int(np.searchsorted(ends, k, "right"))
        block = blocks[number]
        offset = int(k - ends[number]) + len(block.data)
        what = (
            "unreadable"
            if error[k] >= 1
            else f"{block.data[offset]:02X}, confidence {confidence_text(1 - error[k])}"
        )
        texts.append(f"{address_text(block.address, offset)}: {what}<br>{seconds[k]:.3f} s")
    return seconds[chosen], error[chosen], texts


def speed_figure(reading: Reading) -> go.Figure:
    """Draw the tape speed along time, in percent from nominal.

    Returns
    -------
    plotly.graph_objects.Figure
        Trace ``speed``, and of a long recording the band it moves in.
    """
    figure = new_figure(x_title="seconds on the recording", y_title="speed, % from nominal")
    track = make_track(reading.symbols, reading.symbols.speed, _percent)
    if not len(track.seconds):
        return empty_figure(figure, "no symbols were heard")
    _add_band(figure, track, "rgba(63, 120, 168, 0.25)")
    figure.add_scatter(
        x=track.seconds,
        y=track.mean,
        mode="lines",
        line={"width": 1.2, "color": HEARD},
        hovertemplate="%{x:.2f} s: %{y:+.2f} %<extra></extra>",
        name="speed",
    )
    middle = float(np.nanmedian(track.mean))
    figure.add_hline(y=middle, line={"color": MUTED, "width": 1, "dash": "dot"})
    # Never so close that the measurement's own noise looks like a fault of the recorder.
    half = max(1.0, 1.1 * float(np.nanpercentile(np.abs(track.mean - middle), 99.5)))
    figure.update_yaxes(range=[middle - half, middle + half], ticksuffix=" %")
    return figure


def typical_speed(reading: Reading) -> tuple[float, float] | None:
    """Return the median speed and how near to it 95 % of the time stays, in percent; None without symbols."""
    track = make_track(reading.symbols, reading.symbols.speed, _percent)
    if not len(track.seconds):
        return None
    middle = float(np.nanmedian(track.mean))
    return middle, float(np.nanpercentile(np.abs(track.mean - middle), 95))


def level_figure(reading: Reading) -> go.Figure:
    """Draw the received level of the signal and the noise beside it, in decibels of full scale.

    Returns
    -------
    plotly.graph_objects.Figure
        Traces ``signal`` and ``noise``.
    """
    figure = new_figure(x_title="seconds on the recording", y_title="level, dBFS")
    symbols = reading.symbols
    if not np.any(symbols.index != GAP):
        return empty_figure(figure, "no symbols were heard")
    for name, values, color, dash in (
        ("signal", symbols.level, SURE, "solid"),
        ("noise", symbols.noise, OCHRE, "dash"),
    ):
        track = make_track(symbols, values, _decibels)
        figure.add_scatter(
            x=track.seconds,
            y=track.mean,
            mode="lines",
            line={"width": 1.4, "color": color, "dash": dash},
            hovertemplate="%{x:.2f} s: %{y:.1f} dBFS<extra></extra>",
            name=name,
        )
    figure.layout.showlegend = True
    return figure


def _percent(speed: FloatArray) -> FloatArray:
    return 100.0 * (speed - 1.0)


def _decibels(level: FloatArray) -> FloatArray:
    return np.asarray(20.0 * np.log10(np.maximum(level, 1e-6)))


def _add_band(figure: go.Figure, track: Track, color: str) -> None:
    """Shade between the least and the greatest, stretch by stretch, where they differ."""
    if not np.nanmax(track.high - track.low) > 0:
        return
    cuts = np.flatnonzero(np.isnan(track.mean))
    for piece in np.split(np.arange(len(track.mean)), cuts):
        inside = piece[~np.isnan(track.mean[piece])]
        if len(inside) > 1:
            figure.add_scatter(
                x=np.concatenate((track.seconds[inside], track.seconds[inside][::-1])),
                y=np.concatenate((track.high[inside], track.low[inside][::-1])),
                mode="lines",
                line={"width": 0},
                fill="toself",
                fillcolor=color,
                hoverinfo="skip",
                name="range",
            )
