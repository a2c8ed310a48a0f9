"""The page of a format being learned: what was found out, how sure it is, and what was heard."""

from __future__ import annotations

import os

from markupsafe import Markup
from plotly.offline import get_plotlyjs

from tapewright.chain.lesson import Lesson, ReadBack
from tapewright.files import check_output, write_text
from tapewright.learn.known import Known
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
        proved=bool(lesson.proof),
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
    return "Guessed" if lesson.is_guess else "Learned" if lesson.is_proved else "Not proved"


def _state(lesson: Lesson) -> str:
    if lesson.card is None:
        return "nothing"
    return "unchecked" if lesson.is_guess else "good" if lesson.is_proved else "damaged"


def _saves(lesson: Lesson) -> list[tuple[str, str, str, str, str, str]]:
    """A row for each recording: name, length, what was said of it, and what came back."""
    rows = []
    knowns = lesson.knowns or [Known(b"")] * len(lesson.recordings)
    for number, (recording, known) in enumerate(zip(lesson.recordings, knowns, strict=True)):
        told = count(len(known.data), "byte") if known.data else "nothing"
        supposed = ", supposed" if lesson.is_guess and known.data else ""
        address = "" if known.start is None else f" at {known.start:04X}"
        name = "" if known.name is None else f", saved as “{plain(known.name)}”"
        back = lesson.proof[number] if number < len(lesson.proof) else None
        rows.append(
            (
                plain(recording.path or f"recording {number + 1}"),
                length_text(recording.seconds),
                f"{told}{address}{name}{supposed}",
                "" if back is None else _came_back(back),
                "" if back is None else back.check,
                _timings(back),
            )
        )
    return rows


def _came_back(back: ReadBack) -> str:
    return "; ".join([f"{back.right} of {back.total} bytes", *map(str, back.unlike)])


def _timings(back: ReadBack | None) -> str:
    """How far the half-waves the card makes are from the recording's."""
    if back is None or back.timings is None:
        return ""
    return f"{back.timings.offset_us:.1f} µs off, within {back.timings.spread_us:.1f} µs"
