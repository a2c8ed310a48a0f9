"""The report: one HTML file that says how a reading went and shows why."""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from functools import cache
from importlib.metadata import version
from pathlib import Path

import numpy as np
import plotly.graph_objects as go
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from plotly.offline import get_plotlyjs

from tapewright.cards import FormatCard
from tapewright.chain import Verdict, compare_with
from tapewright.files import check_output, write_text
from tapewright.image import Comparison
from tapewright.model import AudioSource, Image, ImageError, Reading, Stretch
from tapewright.model.reading import DOUBTFUL
from tapewright.report.hexdump import STEPS, dump_reading
from tapewright.report.pictures import draw_pictures
from tapewright.report.sound import survey_sound
from tapewright.report.style import PLOT_SETTINGS
from tapewright.report.tables import (
    MOST_LINES,
    block_lines,
    difference_lines,
    facts,
    fault_lines,
    stretch_lines,
)
from tapewright.report.verdict import headline
from tapewright.report.words import CAUTIONS, GLOSSARY, count, plain

__all__ = ["environment", "figure_json", "plot_settings", "report_html", "text_of", "write_report"]

#: Half-waves below this share of the signal's level are noise between blocks, not signal (chosen).
QUIET_SHARE = 0.2
#: What the page was made with.
LIBRARIES = ("tapewright", "numpy", "scipy", "plotly")


def write_report(
    reading: Reading,
    path: str | os.PathLike[str],
    *,
    card: FormatCard,
    source: AudioSource,
    image: Image | None = None,
    verdict: Verdict | None = None,
    channel_notes: Sequence[str] | None = None,
    stretches: Sequence[Stretch] = (),
    force: bool = False,
) -> None:
    """Write the report of a reading: one HTML file that needs nothing else, and no network.

    Parameters
    ----------
    reading : Reading
    path : str or path-like
        Appears whole or not at all.
    card : FormatCard
        The card the recording was read with.
    source : AudioSource
        The recording, for the pictures; it is streamed through, never held whole.
    image : Image, optional
        The program the tape should hold.
    verdict : Verdict, optional
        From :func:`tapewright.verify`; brings its own image.
    channel_notes : sequence of str, optional
        What is known of the tape and the recorder, a line each.
    stretches : sequence of Stretch, optional
        From :func:`tapewright.chain.explain`: how far the reading got in each stretch, and why.
    force : bool
        Whether an existing file may be replaced.

    Raises
    ------
    OutputError
        If the file is there already (and `force` is false) or cannot be written.
    TapewrightError
        If the recording can no longer be read.
    """
    check_output(path, force=force)
    page = report_html(
        reading,
        card=card,
        source=source,
        image=image,
        verdict=verdict,
        channel_notes=channel_notes,
        stretches=stretches,
    )
    write_text(path, page, force=force)


def report_html(
    reading: Reading,
    *,
    card: FormatCard,
    source: AudioSource,
    image: Image | None = None,
    verdict: Verdict | None = None,
    channel_notes: Sequence[str] | None = None,
    stretches: Sequence[Stretch] = (),
) -> str:
    """Make the page of :func:`write_report` as text.

    Returns
    -------
    str
        A whole HTML document, about 5 MB, most of it the library that draws the figures.
    """
    survey = survey_sound(
        source,
        reading.source.channel,
        expected_seconds=reading.source.seconds,
        quiet_below=_quiet_below(reading),
    )
    comparison, why_not = _compared(reading, image, verdict)
    pictures = draw_pictures(reading, card, source, survey)
    blocks, folded_blocks, blocks_left_out = block_lines(reading)
    differences, differences_left_out = difference_lines(comparison) if comparison else ([], 0)
    made = environment()
    return made.get_template("report.html").render(
        headline=headline(reading, comparison, verdict),
        facts=facts(reading, card, survey),
        name=plain(Path(reading.source.path or "a recording").name),
        strip=pictures[0],
        pictures=pictures[1:],
        missing=[picture.title.lower() for picture in pictures if picture.is_empty],
        figure_json=figure_json,
        blocks=blocks,
        folded_blocks=folded_blocks,
        blocks_left_out=blocks_left_out,
        faults=fault_lines(reading),
        stretches=stretch_lines(stretches),
        stretches_left_out=max(0, len(stretches) - MOST_LINES),
        dumps=dump_reading(reading),
        byte_count=len(reading.image),
        run=reading.image.run,
        steps=_scale(reading),
        repaired=sum(len(block.repaired_offsets) for block in reading.blocks),
        has_program=bool(comparison or why_not),
        comparison=comparison,
        why_not=why_not,
        differences=differences,
        differences_left_out=differences_left_out,
        rivals=[(plain(name), f"{bits:.0f}") for name, bits in reading.rivals],
        history=[plain(step) for step in getattr(source, "history", ())],
        notes=[plain(note) for note in channel_notes or ()],
        card_source=plain(card.source),
        versions=[(name, version(name)) for name in LIBRARIES],
        glossary=GLOSSARY,
        cautions=CAUTIONS,
        count=count,
        style=Markup(text_of(made, "report.css")),
        script=Markup(text_of(made, "report.js")),
        plot_settings=plot_settings(),
        plotly_js=Markup(get_plotlyjs()),
    )


@cache
def environment() -> Environment:
    """Where the pages' templates are."""
    return Environment(
        loader=PackageLoader("tapewright.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _compared(
    reading: Reading, image: Image | None, verdict: Verdict | None
) -> tuple[Comparison | None, str | None]:
    """Compare with the program, if one is given; else, or if it cannot be done, say why not."""
    if verdict is not None:
        return verdict.comparison, None
    if image is None:
        return None, None
    try:
        return compare_with(image, reading), None
    except ImageError as error:
        return None, str(error)


def _quiet_below(reading: Reading) -> float | None:
    level = reading.symbols.heard_sample().level
    return QUIET_SHARE * float(np.median(level)) if len(level) else None


def _scale(reading: Reading) -> list[tuple[str, str, int, bool]]:
    """The confidence scale with how many bytes stand on each step: class, words, count, doubtful."""
    sure = np.concatenate([np.zeros(0), *reading.image_confidence])
    steps: list[tuple[str, str, int, bool]] = []
    above = np.inf
    for step in STEPS:
        number = int(np.count_nonzero((sure >= step.least) & (sure < above)))
        steps.append((step.name, step.words, number, step.least < DOUBTFUL))
        above = step.least
    return steps


def figure_json(figure: go.Figure) -> Markup:
    """Make a figure's data safe to stand in a page."""
    return _json_markup(str(figure.to_json()))


def plot_settings() -> Markup:
    """How pages draw figures, safe to stand in a page."""
    return _json_markup(json.dumps(PLOT_SETTINGS))


def _json_markup(text: str) -> Markup:
    """Make JSON safe to stand in a script element: nothing in it can end the element."""
    return Markup(text.replace("<", r"\u003c").replace(">", r"\u003e").replace("&", r"\u0026"))


def text_of(environment: Environment, name: str) -> str:
    """Text of a file that stands beside the templates."""
    assert environment.loader is not None  # it is set above; mypy cannot know
    return environment.loader.get_source(environment, name)[0]
