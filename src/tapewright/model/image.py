"""Image: program bytes with their memory addresses."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from tapewright.model.errors import ImageError

__all__ = ["HIGHEST_ADDRESS", "Image", "Range"]

#: Addresses are at most 32 bits wide, the widest any hex file format carries.
HIGHEST_ADDRESS = 0xFFFF_FFFF


@dataclass(frozen=True)
class Range:
    """Bytes that stand together in memory.

    Parameters
    ----------
    address : int or None
        Address of the first byte; None where nobody knows it.
    data : bytes
    """

    address: int | None
    data: bytes

    @property
    def end(self) -> int | None:
        """Address of the last byte (inclusive), or None."""
        return None if self.address is None else self.address + len(self.data) - 1

    def __len__(self) -> int:
        return len(self.data)


@dataclass(frozen=True)
class Image:
    """Program bytes in one or several ranges.

    Ranges with an address are in order of address and do not touch or overlap; ranges without one keep the
    order given. Use :meth:`of` to build one from ranges in any order.

    Parameters
    ----------
    ranges : tuple of Range
    run : int or None
        Where the program starts running, if the file it came from says so.
    name : str or None
    """

    ranges: tuple[Range, ...] = ()
    run: int | None = None
    name: str | None = None

    @classmethod
    def of(cls, ranges: Iterable[Range], *, run: int | None = None, name: str | None = None) -> Image:
        """Build an image from ranges in any order, joining those that touch.

        Raises
        ------
        ImageError
            If two ranges overlap or an address is out of range.
        """
        given = [r for r in ranges if r.data]
        joined: list[tuple[int, list[bytes], int]] = []  # address, pieces, end (exclusive)
        for piece in sorted((r for r in given if r.address is not None), key=lambda r: r.address or 0):
            address = piece.address or 0
            if address < 0 or address + len(piece) - 1 > HIGHEST_ADDRESS:
                raise ImageError(f"address {address:X}h plus {len(piece)} bytes does not fit in 32 bits")
            if joined and address < joined[-1][2]:
                raise ImageError(f"two ranges both hold address {address:04X}h; remove one of them")
            if joined and address == joined[-1][2]:
                first, pieces, _ = joined[-1]
                pieces.append(piece.data)
                joined[-1] = (first, pieces, address + len(piece))
            else:
                joined.append((address, [piece.data], address + len(piece)))
        placed = [Range(address, b"".join(pieces)) for address, pieces, _ in joined]
        return cls((*placed, *(r for r in given if r.address is None)), run=run, name=name)

    @classmethod
    def from_bytes(cls, data: bytes, address: int | None = None, *, name: str | None = None) -> Image:
        """Build an image of one range."""
        return cls.of([Range(address, bytes(data))], name=name)

    def __len__(self) -> int:
        return sum(len(r) for r in self.ranges)

    def __iter__(self) -> Iterator[Range]:
        return iter(self.ranges)

    @property
    def has_addresses(self) -> bool:
        """Whether every range says where it belongs."""
        return all(r.address is not None for r in self.ranges)

    def moved_to(self, address: int) -> Image:
        """Return the image with its one range (or its lowest) at `address`, the others moved along.

        Raises
        ------
        ImageError
            If a range without an address stands beside others, so that nobody knows where it goes.
        """
        if len(self.ranges) == 1:
            return Image.of([Range(address, self.ranges[0].data)], run=self.run, name=self.name)
        if not self.has_addresses:
            raise ImageError("several ranges without addresses cannot be moved; give one range")
        shift = address - min((r.address or 0) for r in self.ranges)
        return Image.of(
            [Range((r.address or 0) + shift, r.data) for r in self.ranges],
            run=None if self.run is None else self.run + shift,
            name=self.name,
        )

    def __repr__(self) -> str:
        places = ", ".join(
            f"{len(r)} bytes" if r.address is None else f"{r.address:04X}h..{r.end:04X}h" for r in self.ranges
        )
        return f"<Image {len(self)} bytes: {places}>" if self.ranges else "<Image, empty>"
