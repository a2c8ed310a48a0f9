"""An image as text for the terminal."""

from __future__ import annotations

from tapewright.image.rows import address_digits, group_bytes, require_row_length, split_rows
from tapewright.model import Image
from tapewright.model.words import byte_count

__all__ = ["show_text"]


def show_text(image: Image, *, bytes_per_row: int = 16) -> str:
    """Show an image as a hex listing with the printable characters beside it.

    The characters follow a semicolon, so that the text of an image with addresses is also a listing
    `from_listing` reads. The offsets of a range without an address have a plus sign.

    Parameters
    ----------
    image : Image
    bytes_per_row : int
        8 or 16.

    Returns
    -------
    str
        Lines ending in a line feed.

    Raises
    ------
    UsageError
        If `bytes_per_row` is neither 8 nor 16.

    Examples
    --------
    >>> print(show_text(Image.from_bytes(b"HELLO", 0x0200), bytes_per_row=8), end="")
    ; 5 bytes at 0200..0204
    0200: 48 45 4C 4C  4F           ; HELLO
    """
    require_row_length(bytes_per_row)
    digits = address_digits(max((len(r) if r.end is None else r.end for r in image.ranges), default=0))
    width = len(group_bytes(bytes(bytes_per_row)))
    lines: list[str] = []
    if image.name:
        lines.append(f"; {' '.join(image.name.split())}")
    if not image.ranges:
        lines.append("; no bytes")
    for index, piece in enumerate(image.ranges):
        if index:
            lines.append("")
        sign = "+" if piece.address is None else ""
        bytes_in_words = byte_count(len(piece))
        place = (
            "without an address"
            if piece.address is None
            else f"at {piece.address:0{digits}X}..{piece.end:0{digits}X}"
        )
        lines.append(f"; {bytes_in_words} {place}")
        for row in split_rows(piece.address or 0, piece.data, bytes_per_row):
            shown = f"{group_bytes(row.data):{width}}  ; {printable(row.data)}"
            lines.append(f"{sign}{row.address:0{digits}X}: {shown}")
    if image.run is not None:
        lines += ["", f"run {image.run:04X}"]
    return "\n".join(lines) + "\n"


def printable(data: bytes) -> str:
    """Return the ASCII characters, a full stop for what has none."""
    return "".join(chr(value) if 0x20 <= value < 0x7F else "." for value in data)
