"""Bytes collected line by line from a text file, put in order and joined."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from tapewright.model import ImageError, Range
from tapewright.model.image import HIGHEST_ADDRESS

__all__ = ["MOST_BYTES", "Pieces", "decode_text", "fault", "number_lines"]

#: Most program bytes an image may hold: 256 times the memory of an 8-bit machine (chosen, not a standard).
MOST_BYTES = 16 * 1024 * 1024

#: Old editors and tape punches pad the end of a text with these.
PADDING = "\x00\x1a"

#: Some editors put it in front of every text.
BYTE_ORDER_MARK = "\ufeff"


def fault(message: str, *, line: int | None = None, path: str | None = None) -> ImageError:
    """Make the error for a line of a file, worded the same in every format."""
    where = "" if path is None else f"{path}: "
    if line is not None:
        where += f"line {line}: "
    return ImageError(f"{where}{message}", path=path)


def decode_text(data: bytes, *, path: str | None = None) -> str:
    """Turn the bytes of a file into text.

    Raises
    ------
    ImageError
        If they are not text; the message names the first byte that is not.
    """
    try:
        text = data.decode("utf-8").rstrip(PADDING)
    except UnicodeDecodeError as error:
        raise not_text(data, error.start, path) from None
    odd = re.search(r"[\x00-\x08\x0e-\x1f\x7f]", text)
    if odd:
        raise not_text(data, len(text[: odd.start()].encode()), path)
    return text.removeprefix(BYTE_ORDER_MARK)


def not_text(data: bytes, offset: int, path: str | None) -> ImageError:
    return fault(
        f"this is not text (byte {offset} is {data[offset]:02X}h); if it holds raw program bytes,"
        " give the file the suffix .bin",
        path=path,
    )


def number_lines(text: str) -> list[tuple[int, str]]:
    """Return the lines that are not blank, stripped, each with the number an editor shows for it."""
    lines = re.split(r"\r\n|\n|\r", text.rstrip(PADDING))
    return [(number, line.strip()) for number, line in enumerate(lines, 1) if line.strip()]


@dataclass
class Pieces:
    """Bytes with their addresses as they come, in any order.

    Parameters
    ----------
    path : str, optional
        The file they come from, for the messages.
    """

    path: str | None = None
    total_bytes: int = 0
    found: list[tuple[int, int, bytes]] = field(default_factory=list)

    def add(self, address: int, data: bytes, line: int) -> None:
        """Add the bytes of one line.

        Raises
        ------
        ImageError
            If they reach beyond 32 bits, or there are too many altogether.
        """
        if not data:
            return
        if address + len(data) - 1 > HIGHEST_ADDRESS:
            raise fault(
                f"{len(data)} bytes from address {address:X}h on reach beyond FFFFFFFFh; correct the address",
                line=line,
                path=self.path,
            )
        self.total_bytes += len(data)
        if self.total_bytes > MOST_BYTES:
            raise fault(
                f"the file holds more than {MOST_BYTES >> 20} MiB of program bytes; give one program a file",
                line=line,
                path=self.path,
            )
        self.found.append((address, line, data))

    def ranges(self) -> list[Range]:
        """Return the bytes in order of address, neighbours joined.

        Raises
        ------
        ImageError
            If two lines hold the same address; the message names both.
        """
        joined: list[tuple[int, bytearray]] = []
        end = -1  # address after the last byte so far
        last_line = 0
        for address, line, data in sorted(self.found, key=lambda piece: piece[:2]):
            if joined and address < end:
                raise fault(
                    f"address {address:04X}h is already in line {min(line, last_line)};"
                    " remove one of the two lines",
                    line=max(line, last_line),
                    path=self.path,
                )
            if joined and address == end:
                joined[-1][1].extend(data)
            else:
                joined.append((address, bytearray(data)))
            end = address + len(data)
            last_line = line
        return [Range(address, bytes(data)) for address, data in joined]
