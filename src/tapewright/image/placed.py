"""The ranges of an image as a file format needs them."""

from __future__ import annotations

from tapewright.model import Image, ImageError

__all__ = ["join_without_addresses", "placed_ranges"]


def placed_ranges(image: Image, format_name: str) -> list[tuple[int, bytes]]:
    """Return (address, bytes) of each range.

    Raises
    ------
    ImageError
        If the image is empty or a range has no address.
    """
    if not len(image):
        raise ImageError("the image is empty; there is nothing to write")
    placed = [(r.address, r.data) for r in image.ranges if r.address is not None and r.data]
    if len(placed) != len([r for r in image.ranges if r.data]):
        raise ImageError(f"the program has no address and {format_name} needs one; give it with --start")
    return placed


def join_without_addresses(image: Image) -> bytes | None:
    """Return the bytes of an image without addresses, one range after another; None if it has addresses.

    Raises
    ------
    ImageError
        If the image is empty, or only some of its ranges have an address.
    """
    if not len(image):
        raise ImageError("the image is empty; there is nothing to write")
    if image.has_addresses:
        return None
    if any(r.address is not None for r in image.ranges):
        raise ImageError(
            "some ranges of the image have an address and some have none, so nobody knows where those go;"
            " give each range an address or none"
        )
    return b"".join(r.data for r in image.ranges)
