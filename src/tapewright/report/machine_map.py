"""The map of where a machine loads, as a figure, a page, and a picture file."""

from __future__ import annotations

import math
import os
import textwrap
from html import escape
from pathlib import Path

import numpy as np
import plotly.graph_objects as go
from jinja2 import Environment
from markupsafe import Markup
from plotly.offline import get_plotlyjs

from tapewright.chain.window import Window
from tapewright.files import check_output, write_bytes, write_text
from tapewright.machine.reasons import Reason
from tapewright.model import OutputError
from tapewright.report.page import environment, figure_json, plot_settings, text_of
from tapewright.report.pictures import Picture
from tapewright.report.style import HEARD, MUTED, SURE, TROUBLE, new_figure
from tapewright.report.words import CAUTIONS, LEVEL_CAUTION, plain

__all__ = ["check_map", "map_figure", "map_svg", "reason_figure", "write_map"]

#: Suffixes of a map that is written, and what each makes.
SUFFIXES = (".html", ".svg", ".png")
#: How strongly a cell is filled at no margin, and at a full one.
PALE, FULL = 0.5, 1.0
#: Around the cells that load, so many dB are shown at least.
AROUND_DB = 9.0
FAILS = "rgba(128, 136, 144, 0.13)"
#: The picture file, in pixels: cells, and room for what stands around them.
CELL_WIDTH, CELL_HEIGHT, LEFT, TOP, RIGHT, BOTTOM = 15, 15, 90, 78, 20, 62
PNG_DPI = 200


def check_map(path: str | os.PathLike[str], *, force: bool = False) -> None:
    """Refuse a name for a map before anything is worked out.

    Raises
    ------
    OutputError
        If the suffix is none of a map's, or the file is there already (and `force` is false).
    """
    if Path(path).suffix.lower() not in SUFFIXES:
        raise OutputError(f"{os.fspath(path)} is no name for a map; end it in {', '.join(SUFFIXES)}")
    check_output(path, force=force)


def write_map(
    found: Window, path: str | os.PathLike[str], *, cautions: list[str], force: bool = False
) -> None:
    """Write the map: a page (.html), or a picture of it alone (.svg, .png).

    Raises
    ------
    OutputError
        If the suffix is another, the file is there already (and `force` is false), or cannot be written.
    """
    check_map(path, force=force)
    suffix = Path(path).suffix.lower()
    if suffix == ".html":
        write_text(path, _page(found, cautions), force=force)
    elif suffix == ".svg":
        write_text(path, map_svg(found), force=force)
    else:
        import typst

        svg = map_svg(found).replace("\\", "\\\\").replace('"', '\\"')
        page = f'#set page(width: auto, height: auto, margin: 0pt)\n#image(bytes("{svg}"), format: "svg")\n'
        png = typst.compile(page.encode(), format="png", ppi=PNG_DPI)
        write_bytes(path, png, force=force)


def map_figure(found: Window) -> go.Figure:
    """Draw levels across, tones upwards: filled where it loads, the darker the wider the margin."""
    picture = found.map
    figure = new_figure(x_title="playback level, peak of the tone (V)", y_title="tone (Hz)", height=430)
    shade = PALE + (FULL - PALE) * picture.margin_db / max(float(picture.margin_db.max()), 1.0)
    rows = list(range(len(picture.corners_hz)))
    figure.add_heatmap(
        x=picture.levels_db,
        y=rows,
        z=np.where(picture.loads, shade, 0.0),
        zmin=0.0,
        zmax=1.0,
        colorscale=[[0.0, FAILS], [0.2, FAILS], [0.2, "rgba(47, 138, 125, 0.2)"], [1.0, SURE]],
        showscale=False,
        xgap=1,
        ygap=1,
        customdata=_told(found),
        hovertemplate="%{customdata}<extra></extra>",
        name="map",
    )
    row = _row(found)
    if found.best is not None:
        _mark(figure, found.best.level_db, row, "set here", HEARD, "diamond", "top center")
    if found.setting is not None:
        colour = HEARD if found.loads else TROUBLE
        _mark(figure, found.setting.level_db, row, "asked about", colour, "x", "bottom center")
    low, high = _shown(found)
    ticks = picture.levels_db[(picture.levels_db >= low) & (picture.levels_db <= high)]
    ticks = ticks[:: max(1, len(ticks) // 8)]
    figure.update_xaxes(
        tickvals=ticks, ticktext=[_volts(level) for level in ticks], showgrid=False, range=[low, high]
    )
    shown = rows[:: max(1, len(rows) // 7)] if len(rows) < 8 else [*rows[:-1:3], rows[-1]]
    figure.update_yaxes(
        tickvals=shown, ticktext=[_tone(picture.corners_hz[k]) for k in shown], showgrid=False
    )
    return figure


def _shown(found: Window) -> tuple[float, float]:
    """The levels of interest: those that load, and what is asked about, with room to either side."""
    picture = found.map
    asked = [] if found.setting is None else [found.setting.level_db]
    loading = picture.levels_db[picture.loads.any(axis=0)]
    of_interest = [*loading.tolist(), *asked]
    if not of_interest:
        return float(picture.levels_db[0]), float(picture.levels_db[-1])
    step = float(picture.levels_db[1] - picture.levels_db[0])
    low = max(min(of_interest) - AROUND_DB, float(picture.levels_db[0]) - 0.5 * step)
    high = min(max(of_interest) + AROUND_DB, float(picture.levels_db[-1]) + 0.5 * step)
    return low, max(high, low + 2 * AROUND_DB)


def _mark(
    figure: go.Figure, level_db: float, row: int, label: str, colour: str, symbol: str, place: str
) -> None:
    figure.add_scatter(
        x=[level_db],
        y=[row],
        mode="markers+text",
        text=[label],
        textposition=place,
        textfont={"color": colour, "size": 13},
        marker={"size": 12, "symbol": symbol, "color": colour, "line": {"width": 1.5, "color": "#fff"}},
        hovertemplate=f"{label}: {_volts(level_db)}<extra></extra>",
        name=label,
    )


def reason_figure(reason: Reason) -> go.Figure:
    """Draw the sound around the first wrong symbol, and where the input bit changes."""
    evidence = reason.evidence
    figure = new_figure(x_title="seconds on the recording", y_title="ear socket (V)", height=280)
    peak = max(float(np.max(np.abs(evidence.volts), initial=0.0)), 1e-6)
    for at in evidence.edges:
        figure.add_shape(
            type="line", x0=at, x1=at, y0=-1.2 * peak, y1=1.2 * peak, line={"width": 1, "color": TROUBLE}
        )
    figure.add_scatter(
        x=evidence.seconds,
        y=evidence.volts,
        mode="lines",
        line={"width": 1.3, "color": HEARD},
        hovertemplate="%{x:.6f} s: %{y:.3f} V<extra></extra>",
        name="sound",
    )
    figure.add_vline(x=reason.seconds, line={"width": 1.5, "color": MUTED, "dash": "dot"})
    figure.update_yaxes(range=[-1.3 * peak, 1.3 * peak], fixedrange=True)
    return figure


def map_svg(found: Window) -> str:
    """Draw the map as an SVG document of its own."""
    picture = found.map
    tones, levels = picture.loads.shape
    width, height = LEFT + CELL_WIDTH * levels + RIGHT, TOP + CELL_HEIGHT * tones + BOTTOM
    room = picture.margin_db / max(float(picture.margin_db.max()), 1.0)
    cells = []
    for row in range(tones):
        y = TOP + CELL_HEIGHT * (tones - 1 - row)
        for column in range(levels):
            x = LEFT + CELL_WIDTH * column
            if picture.loads[row, column]:
                share = float(room[row, column])
                look = f'fill="{SURE}" fill-opacity="{PALE + (FULL - PALE) * share:.2f}"'
            else:
                look = 'fill="#e7e9ec"'
            cells.append(
                f'<rect x="{x}" y="{y}" width="{CELL_WIDTH - 1}" height="{CELL_HEIGHT - 1}" {look}/>'
            )
    texts = [_text(LEFT, 22, found.machine, 16, "bold")]
    texts += [_text(LEFT, 42 + 16 * k, part, 12) for k, part in enumerate(_lines(found.sentence, width))]
    for row in [*range(0, tones - 1, 3), tones - 1]:
        y = TOP + CELL_HEIGHT * (tones - row) - 3
        texts.append(_text(LEFT - 8, y, _tone(picture.corners_hz[row]), 11, anchor="end"))
    for column in range(0, levels, 4):
        x = LEFT + CELL_WIDTH * column + CELL_WIDTH // 2
        texts.append(
            _text(x, TOP + CELL_HEIGHT * tones + 16, _volts(picture.levels_db[column]), 11, anchor="middle")
        )
    middle = LEFT + CELL_WIDTH * levels // 2
    texts.append(_text(middle, height - 14, "playback level, peak of the tone", 12, anchor="middle"))
    marks = [
        _cross(found, setting.level_db, colour)
        for setting, colour in ((found.best, HEARD), (found.setting, TROUBLE))
        if setting is not None
    ]
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}"'
        f' viewBox="0 0 {width} {height}" font-family="sans-serif">\n'
        '<rect width="100%" height="100%" fill="#fff"/>\n'
        + "\n".join([*cells, *texts, *marks])
        + "\n</svg>\n"
    )


def _page(found: Window, cautions: list[str]) -> str:
    title, filled = "Where it loads", "Filled cells load"
    if found.obstacle is not None:
        title, filled = "Where its input hears every bit", "In filled cells every bit is heard"
    axes = "Across: playback level. Upwards: tone, dull at the bottom, bright on top."
    pictures = [
        Picture("map", title, f"{filled}, the stronger the farther from the edge. {axes}", map_figure(found))
    ]
    if found.reason is not None:
        pictures.append(
            Picture(
                "reason",
                "Where it goes wrong",
                "The sound around the first symbol that is read wrongly (dotted), and each change of the"
                " input bit (upright lines).",
                reason_figure(found.reason),
            )
        )
    made: Environment = environment()
    return made.get_template("window.html").render(
        found=found,
        sentence=plain(found.sentence),
        where=plain(found.where),
        pictures=pictures,
        windows=[
            (_volts(one.low_db), _volts(one.high_db), f"{one.width_db:.1f} dB") for one in found.islands
        ],
        tone=_tone(found.corner_hz),
        cautions=[*(plain(text) for text in cautions), LEVEL_CAUTION, *CAUTIONS],
        figure_json=figure_json,
        style=Markup(text_of(made, "report.css")),
        script=Markup(text_of(made, "report.js")),
        plot_settings=plot_settings(),
        plotly_js=Markup(get_plotlyjs()),
    )


def _told(found: Window) -> list[list[str]]:
    picture = found.map
    return [
        [
            f"{_volts(level)}, {_tone(hertz)}: "
            + (
                "does not load"
                if not picture.loads[row, column]
                else "loads"
                if picture.is_certain[row, column]
                else "should load"
            )
            for column, level in enumerate(picture.levels_db)
        ]
        for row, hertz in enumerate(picture.corners_hz)
    ]


def _row(found: Window) -> int:
    corners = np.minimum(found.map.corners_hz, 3e4)
    return int(np.argmin(np.abs(np.log(corners / min(found.corner_hz, 3e4)))))


def _cross(found: Window, level_db: float, colour: str) -> str:
    levels = found.map.levels_db
    step = float(levels[1] - levels[0])
    x = LEFT + CELL_WIDTH * (0.5 + (level_db - float(levels[0])) / step)
    y = TOP + CELL_HEIGHT * (len(found.map.corners_hz) - _row(found) - 0.5)
    return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="6" fill="{colour}" stroke="#fff" stroke-width="2"/>'


def _text(x: float, y: float, text: str, size: int, weight: str = "normal", anchor: str = "start") -> str:
    return (
        f'<text x="{x}" y="{y}" font-size="{size}" font-weight="{weight}" text-anchor="{anchor}" fill="#222">'
        f"{escape(plain(text))}</text>"
    )


def _lines(sentence: str, width: int) -> list[str]:
    """Break a sentence into two lines, and cut the rest off."""
    return textwrap.wrap(sentence, (width - LEFT) // 6, max_lines=2, placeholder=" ...")


def _tone(hertz: float) -> str:
    return "open" if not math.isfinite(hertz) else f"{hertz:.0f} Hz"


def _volts(level_db: float) -> str:
    volts = 10.0 ** (level_db / 20.0)
    scaled, unit = (volts, "V") if volts >= 0.995 else (1000 * volts, "mV")
    return f"{scaled:.0f} {unit}" if scaled >= 9.95 else f"{scaled:.1f} {unit}"
