"""The look of the figures: colours that work on light and dark paper and for colour-blind readers."""

from __future__ import annotations

from html import escape

import plotly.graph_objects as go

from tapewright.report.words import plain

__all__ = [
    "HEARD",
    "MUTED",
    "OCHRE",
    "PLOT_SETTINGS",
    "SERIES",
    "SURE",
    "TINT",
    "TROUBLE",
    "empty_figure",
    "new_figure",
    "safe",
]

#: Of middling lightness, so that they stand out from white and from near-black alike; blue, ochre and
#: vermilion stay apart for every common kind of colour blindness.
HEARD = "#3f78a8"
SURE = "#2f8a7d"
TROUBLE = "#c4552b"
OCHRE = "#ad7a1f"
MUTED = "#858c94"
SERIES = (HEARD, OCHRE, "#8b67ab", SURE, "#6f7f3a", MUTED)
TINT = "rgba(63, 120, 168, 0.16)"
CLEAR = "rgba(0, 0, 0, 0)"
GRID = "rgba(128, 136, 144, 0.22)"

#: How a page draws the figures. The buttons are named one by one, because the figure library's own choice
#: has one that sends the figure to its maker's server.
PLOT_SETTINGS = {
    "responsive": True,
    "displaylogo": False,
    "plotlyServerURL": "",
    "modeBarButtons": [["toImage"], ["zoom2d", "pan2d", "resetScale2d"]],
}

FONT = "system-ui, sans-serif"


def safe(text: str) -> str:
    """Prepare a text that came from a file for a figure, which takes some tags for markup."""
    return escape(plain(text), quote=False)


def new_figure(*, x_title: str, y_title: str, height: int = 260) -> go.Figure:
    """Return an empty figure in the page's look: no box, thin grid, see-through paper.

    Parameters
    ----------
    x_title, y_title : str
        With the unit.
    height : int
        In pixels; the width follows the page.
    """
    axis = {
        "gridcolor": GRID,
        "zeroline": False,
        "showline": False,
        "automargin": True,
        "tickfont": {"size": 11},
    }
    # Given whole, as changing a figure's layout afterwards is slow.
    return go.Figure(
        layout={
            "template": {},  # none at all, where None means the library's own
            "height": height,
            "margin": {"l": 56, "r": 12, "t": 8, "b": 40},
            "paper_bgcolor": CLEAR,
            "plot_bgcolor": CLEAR,
            "font": {"family": FONT, "size": 12, "color": MUTED},
            "hovermode": "closest",
            "modebar": {"bgcolor": CLEAR, "color": MUTED, "activecolor": HEARD},
            "hoverlabel": {"align": "left", "font": {"family": FONT, "size": 12}},
            "legend": {"orientation": "h", "x": 0, "y": 1.02, "yanchor": "bottom"},
            "showlegend": False,
            "xaxis": {**axis, "title": {"text": x_title, "standoff": 8}},
            "yaxis": {**axis, "title": {"text": y_title, "standoff": 8}},
        }
    )


def empty_figure(figure: go.Figure, why: str) -> go.Figure:
    """Say in a figure why there is nothing in it."""
    figure.add_annotation(
        text=safe(why), xref="paper", yref="paper", x=0.5, y=0.5, showarrow=False, font={"size": 14}
    )
    figure.update_xaxes(showticklabels=False, showgrid=False)
    figure.update_yaxes(showticklabels=False, showgrid=False)
    return figure
