"""Pictures of a format being learned: how long half-waves are, and the symbols where bytes begin."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import plotly.graph_objects as go

from tapewright.chain.lesson import Lesson
from tapewright.learn.stream import exchanged
from tapewright.model import GAP, Recording, Span, Symbols
from tapewright.report.closeup import add_boundaries, add_byte, add_samples, add_symbols
from tapewright.report.pictures import Picture
from tapewright.report.sound import Stretch
from tapewright.report.style import HEARD, MUTED, OCHRE, empty_figure, new_figure

__all__ = ["draw_lesson", "symbols_of"]

#: Bins of the histogram, and the share of half-waves at either end that would only squeeze the others.
BINS, FAR_OUT = 240, 0.002
#: Symbols shown before the first byte and from it on.
BEFORE, AFTER = 10, 44
#: Bytes are marked so much narrower at either end, so that each can be seen.
APART = 0.03
#: Where no symbols are known, half-waves are shown, so many.
HALF_WAVES = 40
#: With fewer equal symbols before it than this, nothing is the end of a leader.
LEADER_SYMBOLS = 24


def draw_lesson(lesson: Lesson) -> list[Picture]:
    """Draw what was heard.

    Parameters
    ----------
    lesson : Lesson

    Returns
    -------
    list of Picture
        ``half-waves`` and ``symbols``.
    """
    return [
        Picture(
            "half-waves",
            "Half-waves",
            "How long half-waves are, of all recordings at their mean speed. Data make a few sharp peaks;"
            " dotted lines are the lengths they were sorted by. One broad heap is noise, music or speech.",
            _histogram(lesson),
        ),
        Picture("symbols", "Where the bytes begin", _strip_words(lesson), _strip(lesson)),
    ]


def symbols_of(lesson: Lesson, save: int) -> Symbols:
    """What was heard of a save, 0 and 1 exchanged if they have to be, as in the card."""
    stream = lesson.learned.streams[save]
    layout = lesson.learned.layout
    if layout is not None and layout.framing.swapped[save]:
        names = exchanged(stream.symbols.names)
        return replace(stream.symbols, names=names)
    return stream.symbols


def _histogram(lesson: Lesson) -> go.Figure:
    figure = new_figure(x_title="length of a half-wave, µs", y_title="how many, the most = 1")
    heard = lesson.learned.heard
    if not heard or not sum(len(one.half_waves_us) for one in heard):
        return empty_figure(figure, "no sound crosses the zero line")
    lengths = np.concatenate([one.half_waves_us for one in heard])
    in_leader = np.concatenate([one.is_leader for one in heard])
    low, high = np.quantile(lengths[lengths > 0], [FAR_OUT, 1 - FAR_OUT])
    edges = np.geomspace(0.9 * max(low, 1.0), 1.1 * max(high, 2.0), BINS + 1)
    for name, chosen, colour, dash in (
        ("in leaders", in_leader, OCHRE, "dot"), ("elsewhere", ~in_leader, HEARD, "solid"),
    ):  # fmt: skip
        counts = np.histogram(lengths[chosen], edges)[0]
        figure.add_scatter(
            x=np.sqrt(edges[:-1] * edges[1:]),
            y=counts / max(int(counts.max()), 1),  # or a leader would dwarf the data
            customdata=counts,
            mode="lines",
            line={"shape": "hvh", "width": 1.3, "color": colour, "dash": dash},
            fill="tozeroy" if name == "elsewhere" else None,
            fillcolor="rgba(63, 120, 168, 0.4)",
            hovertemplate="%{x:.0f} µs: %{customdata}<extra></extra>",
            name=name,
        )
    for length in _classes_us(lesson):
        figure.add_vline(x=length, line={"color": MUTED, "width": 1, "dash": "dot"})
        figure.add_annotation(
            x=np.log10(length), y=1, yref="paper", yanchor="bottom", text=f"{length:.0f}", showarrow=False,
            font={"size": 11, "color": MUTED},
        )  # fmt: skip
    figure.update_xaxes(
        type="log",
        tickformat="d",
        tickvals=[20, 50, 100, 150, 200, 300, 400, 600, 800, 1200, 2000, 4000, 8000],
    )
    figure.layout.showlegend = True
    figure.layout.legend.y = 1.12
    figure.layout.margin.t = 40
    return figure


def _classes_us(lesson: Lesson) -> Sequence[float]:
    if lesson.learned.code is not None:
        return [timing.microseconds for timing in lesson.learned.code.timings]
    return lesson.learned.heard[0].classes_us if lesson.learned.heard else ()


def _strip_words(lesson: Lesson) -> str:
    if lesson.learned.layout is not None:
        return (
            "The end of the first leader and the beginning of the bytes in the first recording. Thin lines"
            " are boundaries of symbols; above them stands what each was taken for, below the first bytes."
        )
    if lesson.learned.streams:
        return (
            "The end of the first leader in the first recording, as the likeliest line code has it. Which"
            " symbol is called 0 is anybody's guess."
        )
    return "A lively place of the first recording; the numbers are lengths of half-waves in microseconds."


def _strip(lesson: Lesson) -> go.Figure:
    figure = new_figure(x_title="seconds on the recording", y_title="sample value, full scale 1", height=280)
    if lesson.learned.streams and len(lesson.learned.streams[0].symbols):
        symbols = symbols_of(lesson, 0)
        place = first_symbol(lesson, symbols)
        first, last = max(place - BEFORE, 0), min(place + AFTER, len(symbols) - 1)
        peak = _add_samples(figure, lesson.recordings[0], symbols.span(first, last))
        add_symbols(figure, symbols, symbols.span(first, last), peak)
        _add_bytes(figure, lesson, symbols, last, peak)
        return figure
    heard = lesson.learned.heard
    if not heard or len(heard[0].times_s) <= HALF_WAVES:
        return empty_figure(figure, "there are too few half-waves to show")
    times = heard[0].times_s
    outside = np.flatnonzero(~heard[0].is_leader)
    first = int(outside[len(outside) // 2]) if len(outside) else len(times) // 2
    first = min(first, len(times) - HALF_WAVES - 1)
    shown = times[first : first + HALF_WAVES + 1]
    peak = _add_samples(figure, lesson.recordings[0], Span(float(shown[0]), float(shown[-1])))
    _add_lengths(figure, shown, peak)
    return figure


def first_symbol(lesson: Lesson, symbols: Symbols) -> int:
    """Where the first byte begins; where nothing is known of bytes, where the first leader ends."""
    if lesson.learned.layout is not None:
        places = [int(s.places[0]) for s in lesson.learned.layout.stretches if s.save == 0]
        if places:
            return places[0] - len(lesson.learned.layout.framing.byte.start)
    index = symbols.index
    changes = np.flatnonzero(np.diff(index) != 0) + 1
    ends = changes[(np.diff(changes, prepend=0) >= LEADER_SYMBOLS) & (index[changes - 1] != GAP)]
    return int(ends[0]) if len(ends) else int(np.argmax(index != GAP))


def _add_samples(figure: go.Figure, recording: Recording, span: Span) -> float:
    """Draw the sound of the louder channel, and say how loud it is."""
    first = max(0, int(np.floor(span.start_seconds * recording.rate_hz)))
    end = int(np.ceil(span.end_seconds * recording.rate_hz)) + 1
    taken = recording.samples[first:end]
    channel = int(np.argmax((taken.astype(np.float64) ** 2).sum(axis=0)))
    stretch = Stretch((first + np.arange(len(taken))) / recording.rate_hz, taken[:, channel])
    peak = max(float(np.max(np.abs(stretch.samples), initial=0.0)), 1e-6)
    add_samples(figure, stretch, span, peak)
    return peak


def _add_bytes(figure: go.Figure, lesson: Lesson, symbols: Symbols, last: int, peak: float) -> None:
    """Mark the bytes in view."""
    layout = lesson.learned.layout
    if layout is None:
        return
    byte = layout.framing.byte
    for stretch in layout.stretches:
        if stretch.save != 0:
            continue
        for place, value in zip(stretch.places.tolist(), stretch.values.tolist(), strict=True):
            begin, end = place - len(byte.start), place - len(byte.start) + byte.symbols_per_byte - 1
            if end > last:
                return
            span = symbols.span(begin, end)
            edge = APART * span.seconds
            inner = Span(span.start_seconds + edge, span.end_seconds - edge)
            add_byte(figure, inner, f"{value:02X}" if value >= 0 else "??", peak)


def _add_lengths(figure: go.Figure, times: npt.NDArray[np.float64], peak: float) -> None:
    add_boundaries(figure, times, peak)
    figure.add_scatter(
        x=0.5 * (times[:-1] + times[1:]),
        y=np.full(len(times) - 1, 1.32 * peak),
        mode="text",
        text=[f"{length:.0f}" for length in 1e6 * np.diff(times)],
        textfont={"size": 10},
        hoverinfo="skip",
        name="lengths",
    )
