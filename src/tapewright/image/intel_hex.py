"""Intel HEX text <-> image."""

from __future__ import annotations

import logging
import re

from tapewright.image.pieces import Pieces, fault, number_lines
from tapewright.image.placed import placed_ranges
from tapewright.image.rows import split_rows
from tapewright.model import Image, ImageError
from tapewright.model.image import HIGHEST_ADDRESS

__all__ = ["from_intel_hex", "to_intel_hex"]

logger = logging.getLogger(__name__)

DATA, END, SEGMENT, START_SEGMENT, LINEAR, START_LINEAR = range(6)

#: Data bytes each type of record must have; data records have as many as they say.
PAYLOAD_BYTES = {END: 0, SEGMENT: 2, START_SEGMENT: 4, LINEAR: 2, START_LINEAR: 4}

#: Common practice, and what small monitors have room for.
BYTES_PER_RECORD = 16


def from_intel_hex(text: str, *, path: str | None = None) -> Image:
    r"""Read Intel HEX.

    A file without its end record is read all the same and a warning logged, as it may have been cut short.

    Parameters
    ----------
    text : str
        Records one a line; lower case, blank lines and any line ending are fine.
    path : str, optional
        The file the text came from, for the messages.

    Returns
    -------
    Image
        `run` is the address in a start record (types 03 and 05), else the one in the end record unless that
        is zero, else None.

    Raises
    ------
    ImageError
        If a record is malformed, its checksum is wrong, its type unknown, two records hold the same address,
        or there are no data; the message names the line.

    References
    ----------
    Record layout: two vendor manuals (second-hand). That a segment's 16-bit offset wraps at its end, and
    that early files keep the run address in the end record: from memory.

    Examples
    --------
    >>> from_intel_hex(":0410000041424344E2\n:00000001FF\n")
    <Image 4 bytes: 1000h..1003h>
    """
    pieces = Pieces(path)
    base = 0
    is_linear = False
    run: int | None = None
    end_line: int | None = None
    for line, record in number_lines(text):
        kind, offset, data = unpack(record, line, path)
        if end_line is not None:
            raise fault(
                f"there is a record after the end record in line {end_line};"
                " remove what does not belong to the program",
                line=line,
                path=path,
            )
        if kind == DATA:
            # A record over the end of a 64 KiB segment wraps by the letter of the format, yet many readers
            # go straight on: where its bytes belong is anybody's guess. Linear addressing has no such end.
            if not is_linear and offset + len(data) > 0x1_0000:
                raise fault(
                    f"the record at offset {offset:04X}h runs over the end of its 64 KiB segment;"
                    " split it there or use a linear address record (type 04)",
                    line=line,
                    path=path,
                )
            pieces.add(base + offset, data, line)
        elif kind == END:
            end_line = line
            if run is None and offset:
                run = offset
        elif kind == SEGMENT:
            base, is_linear = int.from_bytes(data, "big") << 4, False
        elif kind == LINEAR:
            base, is_linear = int.from_bytes(data, "big") << 16, True
        elif kind == START_SEGMENT:
            run = (int.from_bytes(data[:2], "big") << 4) + int.from_bytes(data[2:], "big")
        else:
            run = int.from_bytes(data, "big")
    if not pieces.found:
        raise fault("there are no data records in this Intel HEX text; check the file", path=path)
    if end_line is None:
        logger.warning(
            "%s: there is no end record, so the file may have been cut short", path or "Intel HEX text"
        )
    return Image.of(pieces.ranges(), run=run)


def unpack(record: str, line: int, path: str | None) -> tuple[int, int, bytes]:
    """Check one record and return its type, 16-bit offset and data."""
    if not record.startswith(":"):
        raise fault(
            "an Intel HEX record starts with a colon, this line does not; check that the file is Intel HEX",
            line=line,
            path=path,
        )
    odd = re.search(r"[^0-9A-Fa-f]", record[1:])
    if odd:
        raise fault(f"{odd[0]!r} is not a hexadecimal digit; correct the line", line=line, path=path)
    import bincopy  # late: it loads much that reading a tape has no use for

    try:
        kind, offset, _, data = bincopy.unpack_ihex(record)
    except (bincopy.Error, ValueError):
        raise explain(record, line, path) from None
    if kind != DATA and kind not in PAYLOAD_BYTES:
        raise fault(f"record type {kind:02X} is unknown; types 00 to 05 exist", line=line, path=path)
    if kind in PAYLOAD_BYTES and len(data) != PAYLOAD_BYTES[kind]:
        raise fault(
            f"a record of type {kind:02X} has {PAYLOAD_BYTES[kind]} data bytes, this one {len(data)};"
            " correct the line",
            line=line,
            path=path,
        )
    return int(kind), int(offset), bytes(data)


def explain(record: str, line: int, path: str | None) -> ImageError:
    """Say in plain words what is wrong with a record of hexadecimal digits."""
    digits = record[1:]
    if len(digits) < 10:
        return fault("the record is cut short; get the file again", line=line, path=path)
    if len(digits) % 2:
        return fault("the record has an odd number of digits; correct the line", line=line, path=path)
    values = bytes.fromhex(digits)
    if values[0] != len(values) - 5:
        return fault(
            f"the record says it has {values[0]} data bytes and has {len(values) - 5};"
            " correct the line or get the file again",
            line=line,
            path=path,
        )
    return fault(
        f"checksum is {values[-1]:02X}, the bytes add up to {-sum(values[:-1]) & 0xFF:02X};"
        " correct the line or get the file again",
        line=line,
        path=path,
    )


def to_intel_hex(image: Image) -> str:
    """Write Intel HEX: 16 bytes a record, linear address records only where needed.

    The image's name has no place in the format.

    Returns
    -------
    str
        Lines ending in a line feed; the run address, if there is one, in a type 05 record.

    Raises
    ------
    ImageError
        If the image is empty or a range has no address.

    Examples
    --------
    >>> print(to_intel_hex(Image.from_bytes(b"ABCD", 0x1000)), end="")
    :0410000041424344E2
    :00000001FF
    """
    import bincopy

    records: list[str] = []
    upper = 0
    for address, data in placed_ranges(image, "Intel HEX"):
        for row in split_rows(address, data, BYTES_PER_RECORD):
            if row.address >> 16 != upper:
                upper = row.address >> 16
                records.append(bincopy.pack_ihex(LINEAR, 0, 2, upper.to_bytes(2, "big")))
            records.append(bincopy.pack_ihex(DATA, row.address & 0xFFFF, len(row.data), row.data))
    if image.run is not None:
        if not 0 <= image.run <= HIGHEST_ADDRESS:
            raise ImageError(f"run address {image.run:X}h does not fit in 32 bits; correct it")
        records.append(bincopy.pack_ihex(START_LINEAR, 0, 4, image.run.to_bytes(4, "big")))
    records.append(bincopy.pack_ihex(END, 0, 0, None))
    return "\n".join(records) + "\n"
