"""Arguments that several commands share, each with its help."""

from __future__ import annotations

from typing import Annotated

from cyclopts import Parameter

from tapewright.cli.numbers import ADDRESS_RULE, to_address, to_whole

__all__ = ["Force", "FormatName", "ImagePath", "Json", "Output", "RowBytes", "Start"]

ImagePath = Annotated[
    str,
    Parameter(
        help="Program: raw bytes (.bin), Intel HEX (.hex), S-record (.s19) or a plain hex listing (.txt)."
    ),
]
FormatName = Annotated[
    str,
    Parameter(
        name="--format",
        metavar="CARD",
        help="How the bytes stand on tape: a name from 'tapewright formats list', a TOML file, or auto,"
        " which tries every built-in card.",
    ),
]
Start = Annotated[
    int | None,
    Parameter(
        name="--start",
        metavar="ADDR",
        converter=to_address,
        help=f"Address of the first byte. {ADDRESS_RULE}",
    ),
]
Output = Annotated[str, Parameter(name=["--output", "-o"], metavar="FILE", help="File to make.")]
Force = Annotated[bool, Parameter(name="--force", help="Replace files that are there already.")]
Json = Annotated[bool, Parameter(name="--json", help="Print one JSON document instead of text.")]
RowBytes = Annotated[
    int,
    Parameter(name="--bytes-per-row", metavar="N", converter=to_whole, help="8 or 16.", show_default=True),
]
