"""Sheets to key a program in from: plain text, and typeset for paper."""

from __future__ import annotations

import datetime
import json
import os
from importlib import resources
from typing import Literal

from tapewright.files import check_output, write_bytes
from tapewright.image.pages import Gap, Page, Sheet, lay_out
from tapewright.image.rows import Row, group_bytes
from tapewright.model import Image, UsageError
from tapewright.model.words import byte_count

__all__ = ["sheet_pdf", "sheet_text"]

#: typst's name for each size of paper.
PAPERS = {"a4": "a4", "letter": "us-letter"}

#: What fits beside the date and the page number.
MOST_TITLE_LETTERS = 44

CHECK_RULE = (
    "Row check: number the bytes of a row from the left, the two of the address (its last four digits)"
    " 1 and 2, the others 3, 4, 5 ...; multiply each by its number and add up. The check is the remainder"
    " after dividing by 257 (101 hex), in hex. Short cut: of the sum in hex, low byte less high byte,"
    " plus 101 if negative."
)
SUM_RULE = (
    "Page sum and total: all bytes added up, in hex, the last four digits. Page sums add up to the total."
)


def sheet_text(
    image: Image, *, bytes_per_row: int = 8, title: str | None = None, date: datetime.date | None = None
) -> str:
    """Write a sheet to key in from as plain text.

    All but the rows are comments, so that `tapewright.image.listing.from_listing` reads the sheet back and
    verifies every row check.

    Parameters
    ----------
    image : Image
        One without addresses is numbered from 0000.
    bytes_per_row : int
        8 or 16.
    title : str, optional
        Else the image's name.
    date : datetime.date, optional
        Printed in the heading; today if not given.

    Returns
    -------
    str
        Pages of at most 32 rows, a form feed between them.

    Raises
    ------
    ImageError
        If the image is empty, larger than 64 KiB or has addresses only in part.
    UsageError
        If `bytes_per_row` is neither 8 nor 16.
    """
    sheet = lay_out(image, bytes_per_row)
    width = len(group_bytes(bytes(bytes_per_row)))
    pages: list[str] = []
    for number, page in enumerate(sheet.pages, 1):
        lines = [
            f"; {heading(image, title)}",
            f"; page {number} of {len(sheet.pages)}, {(date or datetime.date.today()).isoformat()}",
        ]
        lines += [f"; {note}" for note in notes(image, sheet)] if number == 1 else []
        lines.append("")
        for entry in page.entries:
            if isinstance(entry, Gap):
                lines.append(f"; -- {gap_text(entry, sheet.digits)} --")
            else:
                shown = f"{group_bytes(entry.data):{width}}"
                lines.append(f"{entry.address:0{sheet.digits}X}: {shown}  ={entry.check:03X}  ; [ ]")
        lines += ["", f"; {page_sum_text(page)}"]
        if number == len(sheet.pages):
            lines += [f"; {total_text(sheet)}", ";", *wrap_comment(CHECK_RULE), *wrap_comment(SUM_RULE)]
        pages.append("\n".join(lines) + "\n")
    return "\f".join(pages)


def sheet_pdf(
    image: Image,
    path: str | os.PathLike[str],
    *,
    bytes_per_row: int = 8,
    title: str | None = None,
    date: datetime.date | None = None,
    paper: Literal["a4", "letter"] = "a4",
    force: bool = False,
) -> None:
    """Typeset a sheet to key in from as PDF.

    The same input and date give the same file, byte for byte.

    Parameters
    ----------
    image, bytes_per_row, title, date
        As in `sheet_text`.
    path : path-like
        The file to make.
    paper : str
        ``a4`` or ``letter`` (US).
    force : bool
        Whether a file that is there already may be replaced.

    Raises
    ------
    ImageError
        If the image is empty, larger than 64 KiB or has addresses only in part.
    UsageError
        If `bytes_per_row` is neither 8 nor 16, or the paper is unknown.
    OutputError
        If the file is there already or cannot be written.
    """
    import typst  # late: only those who want a PDF need it

    if paper not in PAPERS:
        raise UsageError(f"paper {paper!r} is unknown; choose a4 or letter")
    check_output(path, force=force)
    sheet = lay_out(image, bytes_per_row)
    date = date or datetime.date.today()
    last = len(sheet.pages) - 1
    content = {
        "paper": PAPERS[paper],
        "title": heading(image, title),
        "date": date.isoformat(),
        "notes": notes(image, sheet),
        "columns": bytes_per_row,
        "rules": [CHECK_RULE, SUM_RULE],
        "total": total_text(sheet),
        "pages": [
            {
                "entries": [entry_content(entry, sheet.digits) for entry in page.entries],
                "sum": page_sum_text(page),
                "is_last": index == last,
            }
            for index, page in enumerate(sheet.pages)
        ],
    }
    template = resources.files("tapewright.image").joinpath("sheet.typ").read_bytes()
    compiler = typst.Compiler(
        template,
        font_paths=typst.Fonts(include_system_fonts=False),
        sys_inputs={"content": json.dumps(content)},
    )
    noon = datetime.datetime.combine(date, datetime.time(12), datetime.UTC)
    pdf = compiler.compile(format="pdf", timestamp=noon)
    if not isinstance(pdf, bytes):
        raise TypeError(f"the typesetter returned {type(pdf).__name__}, not a PDF")
    write_bytes(path, pdf, force=force)


def heading(image: Image, title: str | None) -> str:
    """Return the title, made to fit one line."""
    words = " ".join((title or image.name or "").split()) or "Untitled program"
    return words if len(words) <= MOST_TITLE_LETTERS else f"{words[: MOST_TITLE_LETTERS - 3]}..."


def notes(image: Image, sheet: Sheet) -> list[str]:
    """Return what the reader has to know before the first row."""
    first, last = sheet.pages[0].rows[0], sheet.pages[-1].rows[-1]
    end = last.address + len(last.data) - 1
    said = [f"{byte_count(sheet.byte_count)}, {first.address:0{sheet.digits}X} to {end:0{sheet.digits}X}"]
    if sheet.is_by_offset:
        said.append("The program has no address: rows are numbered from 0000.")
    if image.run is not None:
        said.append(f"Starts running at {image.run:0{sheet.digits}X}")
    return said


def gap_text(gap: Gap, digits: int) -> str:
    return f"gap: nothing at {gap.first:0{digits}X} to {gap.last:0{digits}X}; go to {gap.last + 1:0{digits}X}"


def page_sum_text(page: Page) -> str:
    return f"Page sum {page.byte_sum:04X} over {byte_count(page.byte_count)}"


def total_text(sheet: Sheet) -> str:
    return f"Total {sheet.byte_sum:04X} over {byte_count(sheet.byte_count)}"


def entry_content(entry: Row | Gap, digits: int) -> dict[str, object]:
    """Return a row or gap as the template wants it."""
    if isinstance(entry, Gap):
        return {"gap": gap_text(entry, digits)}
    return {
        "address": f"{entry.address:0{digits}X}",
        "bytes": [f"{value:02X}" for value in entry.data],
        "check": f"{entry.check:03X}",
    }


def wrap_comment(text: str, width: int = 76) -> list[str]:
    """Break a sentence into comment lines."""
    lines: list[str] = []
    for word in text.split():
        if lines and len(lines[-1]) + 1 + len(word) <= width:
            lines[-1] += f" {word}"
        else:
            lines.append(f"; {word}")
    return lines
