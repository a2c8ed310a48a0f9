"""The page of a format being learned: what was found out, how sure it is, and what was heard."""

from __future__ import annotations

import os

from markupsafe import Markup
from plotly.offline import get_plotlyjs

from tapewright.chain import Lesson
from tapewright.files import check_output, write_text
from tapewright.report.lesson_bytes import all_kinds, bit_rows, byte_tables
from tapewright.report.lesson_pictures import draw_lesson
from tapewright.report.page import environment, figure_json, plot_settings, text_of
from tapewright.report.words import CAUTIONS, count, length_text, plain

__all__ = ["lesson_html", "write_lesson"]

#: What bytes were taken for, in words.
TAKEN_FOR = {
    "sync": "sync or always the same",
    "field": "a number",
    "name": "a name",
    "data": "data",
    "check": "check",
    "unknown": "not known",
}


def write_lesson(lesson: Lesson, path: str | os.PathLike[str], *, force: bool = False) -> None:
    """Write the page: one HTML file that needs nothing else, and no network.

    Parameters
    ----------
    lesson : Lesson
    path : str or path-like
    force : bool
        Whether an existing file may be replaced.

    Raises
    ------
    OutputError
        If the file is there already (and `force` is false) or cannot be written.
    """
    check_output(path, force=force)
    write_text(path, lesson_html(lesson), force=force)


def lesson_html(lesson: Lesson) -> str:
    """Make the page of :func:`write_lesson` as text."""
    made = environment()
    tables = byte_tables(lesson)
    taken = all_kinds(tables)
    return made.get_template("lesson.html").render(
        word=_word(lesson),
        state=_state(lesson),
        sentence=plain(lesson.sentence),
        remedy=plain(lesson.remedy),
        suggestions=[plain(suggestion.words) for suggestion in lesson.suggestions],
        conclusions=lesson.conclusions,
        saves=_saves(lesson),
        pictures=draw_lesson(lesson),
        tables=tables,
        legend=[(kind, words) for kind, words in TAKEN_FOR.items() if kind in taken],
        bits=[] if tables else bit_rows(lesson),
        card_text=lesson.text,
        cautions=CAUTIONS,
        count=count,
        figure_json=figure_json,
        style=Markup(text_of(made, "report.css") + text_of(made, "lesson.css")),
        script=Markup(text_of(made, "report.js")),
        plot_settings=plot_settings(),
        plotly_js=Markup(get_plotlyjs()),
    )


def _word(lesson: Lesson) -> str:
    if lesson.card is None:
        return "Not learned"
    return "Learned" if lesson.is_proved else "Not proved"


def _state(lesson: Lesson) -> str:
    if lesson.card is None:
        return "nothing"
    return "good" if lesson.is_proved else "damaged"


def _saves(lesson: Lesson) -> list[tuple[str, str, str, str, str]]:
    """A row for each recording: name, length, what was said of it, and what came back."""
    rows = []
    for number, (recording, known) in enumerate(zip(lesson.recordings, lesson.knowns, strict=True)):
        address = "" if known.start is None else f" at {known.start:04X}"
        name = "" if known.name is None else f", saved as “{plain(known.name)}”"
        back = lesson.proof[number] if number < len(lesson.proof) else None
        rows.append(
            (
                plain(recording.path or f"recording {number + 1}"),
                length_text(recording.seconds),
                f"{count(len(known.data), 'byte')}{address}{name}",
                "" if back is None else f"{back.right} of {back.total} bytes right",
                "" if back is None else back.check,
            )
        )
    return rows
