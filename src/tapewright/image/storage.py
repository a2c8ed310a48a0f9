"""Image files: which suffix means which form, and reading and writing them whole."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

from tapewright.files import write_bytes, write_text
from tapewright.image.binary import from_binary, to_binary
from tapewright.image.intel_hex import from_intel_hex, to_intel_hex
from tapewright.image.listing import from_listing, to_listing
from tapewright.image.pieces import MOST_BYTES, decode_text, fault
from tapewright.image.s_record import from_s_record, to_s_record
from tapewright.model import Image, ImageError
from tapewright.model.image import HIGHEST_ADDRESS

__all__ = ["SUFFIXES", "is_program_file", "load_image", "save_image"]

BINARY, INTEL_HEX, S_RECORD, LISTING = "binary", "Intel HEX", "S-record", "hex listing"

#: What each suffix means.
SUFFIXES = {
    ".bin": BINARY,
    ".hex": INTEL_HEX,
    ".ihx": INTEL_HEX,
    ".s19": S_RECORD,
    ".s28": S_RECORD,
    ".s37": S_RECORD,
    ".srec": S_RECORD,
    ".mot": S_RECORD,
    ".txt": LISTING,
}

#: By custom these suffixes promise addresses of 24 and 32 bits.
LEAST_ADDRESS_BYTES = {".s28": 3, ".s37": 4}

#: A text needs two to four characters a byte and some for addresses; more can only be the wrong file.
MOST_TEXT_BYTES = 8 * MOST_BYTES


def is_program_file(path: str | os.PathLike[str]) -> bool:
    """Whether a file's suffix says that it holds a program."""
    return Path(path).suffix.lower() in SUFFIXES


def load_image(path: str | os.PathLike[str], *, address: int | None = None) -> Image:
    """Load a program from a file.

    Parameters
    ----------
    path : path-like
        The suffix says what it is: ``.bin`` raw bytes; ``.hex``, ``.ihx`` Intel HEX; ``.s19``, ``.s28``,
        ``.s37``, ``.srec``, ``.mot`` Motorola S-record; ``.txt`` a plain hex listing.
    address : int, optional
        Where the program belongs. Bytes without an address get it; a program that has addresses is moved, its
        lowest to `address`, gaps and run address along with it.

    Raises
    ------
    ImageError
        If the file is missing, empty, too big, of another kind than its suffix says, or damaged.
    """
    path = Path(path)
    kind = kind_of(path)
    data = read_whole(path, MOST_BYTES if kind == BINARY else MOST_TEXT_BYTES)
    where = str(path)
    if kind == BINARY:
        image = from_binary(data)
    elif kind == INTEL_HEX:
        image = from_intel_hex(decode_text(data, path=where), path=where)
    elif kind == S_RECORD:
        image = from_s_record(decode_text(data, path=where), path=where)
    else:
        image = from_listing(decode_text(data, path=where), path=where)
    return image if address is None else place_at(image, address, where)


def place_at(image: Image, address: int, where: str) -> Image:
    """Move the image so that its lowest byte is at `address`, its run address along with it."""
    lowest = image.ranges[
        0
    ].address  # what is loaded from a file is in order and all or nothing has addresses
    shift = 0 if lowest is None else address - lowest
    run = None if image.run is None else image.run + shift
    if address < 0 or (run is not None and not 0 <= run <= HIGHEST_ADDRESS):
        raise fault(f"the program cannot be moved to address {address:X}h; give another", path=where)
    return replace(image.moved_to(address), run=run)


def kind_of(path: Path) -> str:
    kind = SUFFIXES.get(path.suffix.lower())
    if kind is None:
        said = f"suffix {path.suffix} is unknown" if path.suffix else "the name has no suffix"
        raise fault(
            f"{said}; program files are .bin (raw bytes), .hex (Intel HEX), .s19 (S-record)"
            " or .txt (hex listing)",
            path=str(path),
        )
    return kind


def read_whole(path: Path, most_bytes: int) -> bytes:
    """Read a file of at most `most_bytes`, without ever holding more."""
    where = str(path)
    try:
        with path.open("rb") as file:
            data = file.read(most_bytes + 1)
    except FileNotFoundError:
        raise fault("there is no such file; check the name", path=where) from None
    except IsADirectoryError:
        raise fault("this is a folder; give a file in it", path=where) from None
    except OSError as error:
        reason = (error.strerror or "unknown reason").lower()
        raise fault(f"the file cannot be read ({reason}); check it and its permissions", path=where) from None
    if not data:
        raise fault("the file is empty; get it again", path=where)
    if len(data) > most_bytes:
        raise fault(
            f"the file is larger than {most_bytes >> 20} MiB, which no program here is; check the name",
            path=where,
        )
    return data


def save_image(
    image: Image, path: str | os.PathLike[str], *, force: bool = False, fill: int | None = None
) -> None:
    """Save a program to a file, whole or not at all.

    Parameters
    ----------
    image : Image
    path : path-like
        The suffix says what to write, as in `load_image`.
    force : bool
        Whether a file that is there already may be replaced.
    fill : int, optional
        For ``.bin``: the value, 0 to 255, for addresses between the ranges.

    Raises
    ------
    ImageError
        If the image is empty or too big, lacks the addresses the file needs, or has gaps and `fill` is not
        given; or the suffix is unknown.
    OutputError
        If the file is there already or cannot be written.
    """
    path = Path(path)
    kind = kind_of(path)
    if len(image) > MOST_BYTES:
        raise ImageError(f"the image holds {len(image)} bytes; a file holds at most {MOST_BYTES >> 20} MiB")
    if kind == BINARY:
        write_bytes(path, to_binary(image, fill=fill), force=force)
    elif kind == INTEL_HEX:
        write_text(path, to_intel_hex(image), force=force)
    elif kind == S_RECORD:
        least = LEAST_ADDRESS_BYTES.get(path.suffix.lower(), 2)
        write_text(path, to_s_record(image, least_address_bytes=least), force=force)
    else:
        write_text(path, to_listing(image), force=force)
