"""``tapewright image``: show, convert, compare, sheet."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from cyclopts import Parameter

from tapewright.cli.app import DAMAGED, DONE
from tapewright.cli.numbers import to_byte
from tapewright.cli.options import Force, ImagePath, Json, Output, RowBytes, Start
from tapewright.cli.screen import BAD, GOOD, emit, print_json, say

__all__ = ["compare", "convert", "sheet", "show"]


def show(
    image: ImagePath, /, *, start: Start = None, bytes_per_row: RowBytes = 16, json: Json = False
) -> int:
    """Show a program."""
    from tapewright.cli.document import image_document
    from tapewright.image import load_image, show_text

    program = load_image(image, address=start)
    if json:
        print_json({"path": image, "run": program.run, "image": image_document(program)})
    else:
        emit(show_text(program, bytes_per_row=bytes_per_row))
    return DONE


def convert(
    image: ImagePath,
    /,
    *,
    output: Annotated[
        Output, Parameter(metavar="FILE", help="Program file to make: .bin, .hex, .s19 or .txt.")
    ],
    start: Start = None,
    fill: Annotated[
        int | None,
        Parameter(
            converter=to_byte, metavar="BYTE", help="For .bin: what to put between the ranges, such as 0xFF."
        ),
    ] = None,
    force: Force = False,
) -> int:
    """Convert a program."""
    from tapewright.cli.telling import image_line
    from tapewright.image import load_image, save_image
    from tapewright.model import UsageError

    if fill is not None and Path(output).suffix.lower() != ".bin":
        raise UsageError(f"--fill is for .bin files, and {output} keeps gaps as they are; leave it out")
    program = load_image(image, address=start)
    save_image(program, output, force=force, fill=fill)
    say(f"{output}: {image_line(program)}")
    return DONE


def compare(first: ImagePath, second: ImagePath, /, *, start: Start = None, json: Json = False) -> int:
    """Compare two programs."""
    from tapewright.cli.document import comparison_document
    from tapewright.image import compare, load_image

    one, other = (load_image(path, address=start) for path in (first, second))
    comparison = compare(one, other, names=(first, second))
    if json:
        print_json(comparison_document(comparison, "first", "second"))
    else:
        *others, last = comparison.lines()
        for line in others:
            say(line)
        say((last, GOOD) if comparison.equal else last)
        if not comparison.equal:
            say(("They differ.", BAD))
    return DONE if comparison.equal else DAMAGED


def sheet(
    image: ImagePath,
    /,
    *,
    output: Annotated[
        str | None,
        Parameter(
            name=["--output", "-o"],
            metavar="FILE",
            help="File to make: .txt or .pdf; without it the sheet is printed here.",
        ),
    ] = None,
    start: Start = None,
    bytes_per_row: RowBytes = 8,
    title: Annotated[str | None, Parameter(help="Heading.")] = None,
    paper: Annotated[Literal["a4", "letter"], Parameter(help="For .pdf.", show_default=True)] = "a4",
    force: Force = False,
) -> int:
    """Make a sheet."""
    from tapewright.files import write_text
    from tapewright.image import load_image, sheet_pdf, sheet_text
    from tapewright.model import UsageError

    suffix = None if output is None else Path(output).suffix.lower()
    if suffix not in (None, ".txt", ".pdf"):
        raise UsageError(f"{output}: a sheet is a .txt or a .pdf file; name it so")
    program = load_image(image, address=start)
    title = title or Path(image).stem
    if output is None:
        emit(sheet_text(program, bytes_per_row=bytes_per_row, title=title))
        return DONE
    if suffix == ".pdf":
        sheet_pdf(program, output, bytes_per_row=bytes_per_row, title=title, paper=paper, force=force)
    else:
        write_text(output, sheet_text(program, bytes_per_row=bytes_per_row, title=title), force=force)
    say(f"Sheet: {output}")
    return DONE
