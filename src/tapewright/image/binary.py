"""Raw program bytes <-> image."""

from __future__ import annotations

from tapewright.image.pieces import MOST_BYTES
from tapewright.image.placed import join_without_addresses, placed_ranges
from tapewright.model import Image, ImageError, UsageError

__all__ = ["from_binary", "to_binary"]


def from_binary(data: bytes, *, address: int | None = None) -> Image:
    """Make an image of raw bytes.

    Raises
    ------
    ImageError
        If there are none, or they do not fit in 32 bits of address.
    """
    if not data:
        raise ImageError("there are no bytes; give some")
    return Image.from_bytes(data, address)


def to_binary(image: Image, *, fill: int | None = None) -> bytes:
    """Return the bytes of an image, from the lowest address to the highest.

    Parameters
    ----------
    image : Image
        Ranges without an address are put one after another.
    fill : int, optional
        Value, 0 to 255, for addresses between the ranges.

    Raises
    ------
    ImageError
        If there are gaps and no `fill`, the result would pass 16 MiB, or the image is empty.
    UsageError
        If `fill` is not a byte.
    """
    if fill is not None and not 0 <= fill <= 0xFF:
        raise UsageError(f"fill value {fill} is not a byte; give 0 to 255")
    joined = join_without_addresses(image)
    if joined is not None:
        return joined
    placed = placed_ranges(image, "a file")
    first_address = placed[0][0]
    length = placed[-1][0] + len(placed[-1][1]) - first_address
    gap_bytes = length - len(image)
    if gap_bytes and fill is None:
        gap_start = placed[0][0] + len(placed[0][1])
        raise ImageError(
            f"the program has {len(placed)} ranges and a .bin file cannot hold the gap from"
            f" {gap_start:04X}h to {placed[1][0] - 1:04X}h; give a fill value for it, or save as .hex,"
            " .s19 or .txt"
        )
    if length > MOST_BYTES:
        raise ImageError(
            f"with its gaps filled the program would be {length} bytes, more than {MOST_BYTES >> 20} MiB;"
            " save as .hex, .s19 or .txt"
        )
    filled = bytearray([fill or 0]) * length
    for address, data in placed:
        filled[address - first_address : address - first_address + len(data)] = data
    return bytes(filled)
