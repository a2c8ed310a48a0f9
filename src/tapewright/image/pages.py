"""A key-in sheet cut into pages: rows, gaps and sums, before anything is drawn."""

from __future__ import annotations

from dataclasses import dataclass

from tapewright.image.placed import join_without_addresses, placed_ranges
from tapewright.image.rows import Row, address_digits, require_row_length, split_rows
from tapewright.model import Image, ImageError

__all__ = ["MOST_SHEET_BYTES", "ROWS_PER_PAGE", "Gap", "Page", "Sheet", "lay_out"]

#: Lines of a page; with 8 bytes a row a full page holds 256 bytes. Fits A4 and US letter (tried).
ROWS_PER_PAGE = 32

#: All a 16-bit address reaches. Nobody keys in more, and it is 256 pages already.
MOST_SHEET_BYTES = 0x1_0000


@dataclass(frozen=True)
class Gap:
    """Addresses between two ranges, first and last inclusive."""

    first: int
    last: int


@dataclass(frozen=True)
class Page:
    """What stands on one page, in order."""

    entries: tuple[Row | Gap, ...]

    @property
    def rows(self) -> tuple[Row, ...]:
        """The rows alone."""
        return tuple(entry for entry in self.entries if isinstance(entry, Row))

    @property
    def byte_count(self) -> int:
        """Bytes on the page."""
        return sum(len(row.data) for row in self.rows)

    @property
    def byte_sum(self) -> int:
        """All bytes of the page added up, modulo 65536."""
        return sum(sum(row.data) for row in self.rows) & 0xFFFF


@dataclass(frozen=True)
class Sheet:
    """A whole key-in sheet.

    Parameters
    ----------
    pages : tuple of Page
    digits : int
        Hex digits of an address.
    is_by_offset : bool
        Whether the image has no addresses, so that the sheet counts from zero.
    """

    pages: tuple[Page, ...]
    digits: int
    is_by_offset: bool

    @property
    def byte_count(self) -> int:
        """Bytes on all pages."""
        return sum(page.byte_count for page in self.pages)

    @property
    def byte_sum(self) -> int:
        """All bytes added up, modulo 65536: the sum of the page sums."""
        return sum(page.byte_sum for page in self.pages) & 0xFFFF


def lay_out(image: Image, bytes_per_row: int) -> Sheet:
    """Cut an image into the pages of a sheet.

    Raises
    ------
    ImageError
        If the image is empty, larger than 64 KiB or has addresses only in part.
    UsageError
        If `bytes_per_row` is neither 8 nor 16.
    """
    require_row_length(bytes_per_row)
    if len(image) > MOST_SHEET_BYTES:
        raise ImageError(
            f"the image holds {len(image)} bytes; a sheet to key in from holds at most"
            f" {MOST_SHEET_BYTES >> 10} KiB, so take a part of it"
        )
    joined = join_without_addresses(image)
    placed = [(0, joined)] if joined is not None else placed_ranges(image, "a sheet")
    entries: list[Row | Gap] = []
    last_end: int | None = None
    for address, data in placed:
        if last_end is not None:
            entries.append(Gap(last_end + 1, address - 1))
        entries.extend(split_rows(address, data, bytes_per_row))
        last_end = address + len(data) - 1
    digits = address_digits(last_end or 0)
    return Sheet(tuple(cut_pages(entries)), digits, joined is not None)


def cut_pages(entries: list[Row | Gap]) -> list[Page]:
    """Fill pages, keeping a gap on the page of the row it leads to."""
    pages: list[Page] = []
    first = 0
    while first < len(entries):
        end = min(first + ROWS_PER_PAGE, len(entries))
        if isinstance(entries[end - 1], Gap):
            end -= 1
        pages.append(Page(tuple(entries[first:end])))
        first = end
    return pages
