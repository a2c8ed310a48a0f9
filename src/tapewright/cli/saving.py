"""Putting what was read into a program file, so that no byte is lost for the shape of the file."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

from tapewright.image import SUFFIXES, save_image
from tapewright.model import Image, Range, UsageError

__all__ = ["NEEDS_ADDRESS", "place", "save"]

#: Kinds of file in which every byte has an address.
NEEDS_ADDRESS = (SUFFIXES[".hex"], SUFFIXES[".s19"])


def place(image: Image, start: int | None) -> Image:
    """Give `start` to bytes the tape gives no address.

    Raises
    ------
    UsageError
        If the tape has an address for everything, and another one.
    ImageError
        If several pieces have no address, or two pieces would overlap.
    """
    if start is None or not image.ranges:
        return image
    loose = [piece for piece in image if piece.address is None]
    if len(loose) == len(image.ranges):
        return image.moved_to(start)
    if not loose:
        first = image.ranges[0].address
        if first == start:
            return image
        raise UsageError(
            f"the tape itself says {first:04X}, not {start:04X}; leave --start out, and move the program"
            " afterwards with 'tapewright image convert --start'"
        )
    if len(loose) > 1:
        raise UsageError(
            f"{len(loose)} pieces on this tape have no address, and --start can be that of one only; leave it"
            " out, and take the bytes from 'read --json'"
        )
    placed = [piece for piece in image if piece.address is not None]
    return Image.of([*placed, Range(start, loose[0].data)], run=image.run, name=image.name)


def save(image: Image, output: str, *, force: bool) -> list[str]:
    """Save what was read, and say what there is to know about the file.

    Parameters
    ----------
    image : Image
    output : str
        The suffix says what to write.
    force : bool

    Returns
    -------
    list of str
        Sentences.

    Raises
    ------
    UsageError
        If the file needs addresses and nothing has one.
    TapewrightError
        If it cannot be written.
    """
    if not image.ranges:
        return [f"{output} was not made: there are no bytes to put in it"]
    said: list[str] = []
    placed = tuple(piece for piece in image if piece.address is not None)
    suffix = Path(output).suffix.lower()
    if not placed and SUFFIXES.get(suffix) in NEEDS_ADDRESS:
        raise UsageError(
            f"nothing on this tape says where the bytes belong, and {output} needs that; give --start, or"
            " name the file .bin or .txt"
        )
    if placed and len(placed) < len(image.ranges):
        left = len(image) - sum(len(piece) for piece in placed)
        said.append(
            f"{output} lacks {left} bytes without an address; give it with --start, or take them from"
            " 'read --json'"
        )
        image = Image(placed, run=image.run, name=image.name)
    fill = None
    if suffix == ".bin" and len(placed) > 1:
        fill = 0
        gaps = ", ".join(f"{_after(a):04X}..{(b.address or 0) - 1:04X}" for a, b in pairwise(placed))
        said.append(
            f"{output} holds 00 at {gaps}, where this tape has nothing; .hex, .s19 and .txt keep such gaps"
        )
    save_image(image, output, force=force, fill=fill)
    return [f"Written: {output}", *said]


def _after(piece: Range) -> int:
    return (piece.address or 0) + len(piece)
