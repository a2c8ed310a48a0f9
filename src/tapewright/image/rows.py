"""Rows of bytes as people print and key them, and the check at the end of each."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from tapewright.model import UsageError

__all__ = [
    "ROW_MODULUS",
    "Row",
    "address_digits",
    "group_bytes",
    "require_row_length",
    "row_check",
    "split_rows",
]

#: A prime above 255: any single wrong byte and any two swapped bytes change the remainder. The usual 256 has
#: no set of weights that does both, and 255 takes 00 and FF for the same.
ROW_MODULUS = 257


def row_check(address: int, data: bytes) -> int:
    """Compute the check of one row.

    The low 16 bits of the address (two bytes, high first) and the bytes of the row are numbered 1, 2, 3 ...
    from the left; each is multiplied by its number; the check is the sum of the products modulo 257. As
    256 = -1 modulo 257, that is the low byte of the sum less the high byte, plus 257 if negative.

    It changes with every change of a single byte and every swap of two different bytes of the row (for
    rows of up to 254 bytes), as 257 is prime and all the weights and byte differences are smaller.

    Parameters
    ----------
    address : int
        Of the first byte of the row.
    data : bytes

    Returns
    -------
    int
        0 to 256.
    """
    numbered = enumerate((address & 0xFFFF).to_bytes(2, "big") + data, 1)
    return sum(number * value for number, value in numbered) % ROW_MODULUS


@dataclass(frozen=True)
class Row:
    """Bytes printed on one line.

    Parameters
    ----------
    address : int
        Of the first byte.
    data : bytes
    """

    address: int
    data: bytes

    @property
    def check(self) -> int:
        """See `row_check`."""
        return row_check(self.address, self.data)


def split_rows(address: int, data: bytes, bytes_per_row: int) -> Iterator[Row]:
    """Split bytes so that every row but the first starts at a multiple of `bytes_per_row`."""
    first = 0
    while first < len(data):
        length = bytes_per_row - (address + first) % bytes_per_row
        yield Row(address + first, data[first : first + length])
        first += length


def group_bytes(data: bytes) -> str:
    """Return the bytes as hex, blanks between, two blanks after every fourth."""
    return "  ".join(data[first : first + 4].hex(" ").upper() for first in range(0, len(data), 4))


def address_digits(highest_address: int) -> int:
    """Return how many hex digits to print addresses with: 4, 6 or 8."""
    return 4 if highest_address <= 0xFFFF else 6 if highest_address <= 0xFF_FFFF else 8


def require_row_length(bytes_per_row: int) -> None:
    """Refuse rows nobody can read at a glance.

    Raises
    ------
    UsageError
        If it is neither 8 nor 16.
    """
    if bytes_per_row not in (8, 16):
        raise UsageError(f"{bytes_per_row} bytes a row are not possible; choose 8 or 16")
