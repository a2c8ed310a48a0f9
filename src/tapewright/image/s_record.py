"""Motorola S-record text <-> image."""

from __future__ import annotations

import logging
import re

from tapewright.image.pieces import Pieces, fault, number_lines
from tapewright.image.placed import placed_ranges
from tapewright.image.rows import split_rows
from tapewright.model import Image, ImageError
from tapewright.model.image import HIGHEST_ADDRESS

__all__ = ["from_s_record", "to_s_record"]

logger = logging.getLogger(__name__)

#: Bytes of address in each type of record; there is no type 4.
ADDRESS_BYTES = {"0": 2, "1": 2, "2": 3, "3": 4, "5": 2, "6": 3, "7": 4, "8": 3, "9": 2}

#: (data, end) record types by bytes of address.
TYPES = {2: ("1", "9"), 3: ("2", "8"), 4: ("3", "7")}

BYTES_PER_RECORD = 16
#: The count byte covers address (2), data and checksum (1).
MOST_HEADER_BYTES = 255 - 3


def from_s_record(text: str, *, path: str | None = None) -> Image:
    r"""Read Motorola S-records.

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
        `run` is the address in the end record (S7, S8, S9) unless that is zero; `name` the text in the
        header record (S0), if it is printable.

    Raises
    ------
    ImageError
        If a record is malformed, its checksum is wrong, a record count (S5, S6) does not fit, two records
        hold the same address, or there are no data; the message names the line.

    References
    ----------
    An assembler manual's chapter on object formats (second-hand).

    Examples
    --------
    >>> from_s_record("S107100041424344DE\nS9031000EC\n").run
    4096
    """
    pieces = Pieces(path)
    data_records = 0
    run: int | None = None
    name: str | None = None
    end_line: int | None = None
    for line, record in number_lines(text):
        kind, address, data = unpack(record.upper(), line, path)
        if end_line is not None:
            raise fault(
                f"there is a record after the end record in line {end_line};"
                " remove what does not belong to the program",
                line=line,
                path=path,
            )
        if kind == "0":
            name = name or header_text(data)
        elif kind in "123":
            data_records += 1
            pieces.add(address, data, line)
        elif kind in "56":
            if address != data_records:
                raise fault(
                    f"the file says it has {address} data records and has {data_records};"
                    " lines are missing or doubled, get the file again",
                    line=line,
                    path=path,
                )
        else:
            end_line = line
            run = address or None
    if not pieces.found:
        raise fault("there are no data records in this S-record text; check the file", path=path)
    if end_line is None:
        logger.warning(
            "%s: there is no end record, so the file may have been cut short", path or "S-record text"
        )
    return Image.of(pieces.ranges(), run=run, name=name)


def header_text(data: bytes) -> str | None:
    """Return the text of a header record, or None if it is not text."""
    try:
        text = data.decode("utf-8").rstrip("\x00").strip()
    except UnicodeDecodeError:
        return None
    return text if text and text.isprintable() else None


def unpack(record: str, line: int, path: str | None) -> tuple[str, int, bytes]:
    """Check one record and return its type, address and data."""
    if not re.match(r"S[0-9]", record):
        raise fault(
            "an S-record starts with S and a digit, this line does not; check that the file is S-record",
            line=line,
            path=path,
        )
    odd = re.search(r"[^0-9A-F]", record[1:])
    if odd:
        raise fault(f"{odd[0]!r} is not a hexadecimal digit; correct the line", line=line, path=path)
    kind = record[1]
    if kind not in ADDRESS_BYTES:
        raise fault(f"record type S{kind} is unknown; S0 to S3 and S5 to S9 exist", line=line, path=path)
    import bincopy  # late: it loads much that reading a tape has no use for

    try:
        _, address, _, data = bincopy.unpack_srec(record)
    except (bincopy.Error, ValueError, IndexError):
        raise explain(record, line, path) from None
    if int(record[2:4], 16) < ADDRESS_BYTES[kind] + 1:
        raise fault("the record is too short to hold its address; get the file again", line=line, path=path)
    return kind, int(address), bytes(data)


def explain(record: str, line: int, path: str | None) -> ImageError:
    """Say in plain words what is wrong with a record of hexadecimal digits."""
    digits = record[2:]
    if len(digits) < 4:
        return fault("the record is cut short; get the file again", line=line, path=path)
    if len(digits) % 2:
        return fault("the record has an odd number of digits; correct the line", line=line, path=path)
    values = bytes.fromhex(digits)
    if values[0] != len(values) - 1:
        return fault(
            f"the record says {values[0]} bytes follow its count and has {len(values) - 1};"
            " correct the line or get the file again",
            line=line,
            path=path,
        )
    return fault(
        f"checksum is {values[-1]:02X}, the bytes add up to {~sum(values[:-1]) & 0xFF:02X};"
        " correct the line or get the file again",
        line=line,
        path=path,
    )


def to_s_record(image: Image, *, least_address_bytes: int = 2) -> str:
    """Write Motorola S-records: a header, 16 bytes a record, the record count, the end.

    Parameters
    ----------
    image : Image
    least_address_bytes : int
        2 (S1 and S9), 3 (S2 and S8) or 4 (S3 and S7); more are used where the addresses need them.

    Returns
    -------
    str
        Lines ending in a line feed. The name goes into the header, cut to what a record holds; the run
        address into the end record, where zero means that there is none.

    Raises
    ------
    ImageError
        If the image is empty or a range has no address.
    """
    import bincopy

    placed = placed_ranges(image, "S-record")
    highest = max(address + len(data) - 1 for address, data in placed)
    if image.run is not None:
        if not 0 <= image.run <= HIGHEST_ADDRESS:
            raise ImageError(f"run address {image.run:X}h does not fit in 32 bits; correct it")
        highest = max(highest, image.run)
    address_bytes = max(least_address_bytes, 2 if highest <= 0xFFFF else 3 if highest <= 0xFF_FFFF else 4)
    data_type, end_type = TYPES[address_bytes]

    header = (image.name or "").encode("utf-8")[:MOST_HEADER_BYTES].decode("utf-8", "ignore").encode("utf-8")
    records = [bincopy.pack_srec("0", 0, len(header), header)]
    for address, data in placed:
        for row in split_rows(address, data, BYTES_PER_RECORD):
            records.append(bincopy.pack_srec(data_type, row.address, len(row.data), row.data))
    count = len(records) - 1
    if count <= 0xFF_FFFF:  # the widest count there is; a count is optional
        records.append(bincopy.pack_srec("5" if count <= 0xFFFF else "6", count, 0, None))
    records.append(bincopy.pack_srec(end_type, image.run or 0, 0, None))
    return "\n".join(records) + "\n"
