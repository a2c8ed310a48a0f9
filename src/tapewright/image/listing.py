"""Plain hex listing <-> image: the form a person types and prints.

One line is::

    0300: A9 00 8D 20  03 4C 00 03  =00A  ; comment

The address is optional. It is marked by a colon or dash after it, by ``$`` or ``0x`` before it or by ``h``
behind it; or it has exactly four digits, a blank after it, and only two-digit bytes follow. Bytes stand with
or without blanks. ``=`` and two or three digits at the end are the row's check
(`tapewright.image.rows.row_check`). A line ``run 0300`` says where the program starts. Comments begin with
``;`` or ``#``.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from tapewright.image.pieces import MOST_BYTES, Pieces, fault, number_lines
from tapewright.image.placed import join_without_addresses, placed_ranges
from tapewright.image.rows import address_digits, group_bytes, require_row_length, row_check, split_rows
from tapewright.model import Image, ImageError, Range

__all__ = ["from_listing", "to_listing"]

CHECK = re.compile(r"=\s*([0-9A-Fa-f]{2,3})$")
RUN = re.compile(r"run\b\s*[:=]?\s*(?:\$|0x)?([0-9a-f]{1,8})h?$", re.IGNORECASE)
ADDRESS = re.compile(
    r"(?P<prefix>\$|0x)?(?P<digits>[0-9a-f]+)(?P<suffix>h)?(?P<mark>\s*[:-])?(?P<rest>.*)", re.IGNORECASE
)
#: Letters that look like digits to a tired reader.
LOOKALIKES = {"O": "0", "o": "0", "I": "1", "l": "1", "i": "1", "S": "5", "s": "5", "Z": "2", "z": "2"}


@dataclass(frozen=True)
class Line:
    """One line taken apart.

    `address_style` is ``marked``, ``blank`` (four digits and a blank) or ``none``.
    """

    number: int
    address: int | None
    address_style: str
    data: bytes
    check: int | None
    #: The words as typed, to talk about in a message.
    words: tuple[str, ...]


def from_listing(text: str, *, path: str | None = None) -> Image:
    r"""Read a plain hex listing.

    Parameters
    ----------
    text : str
        See the module for what a line may look like. A line without an address goes on where the last ended.
    path : str, optional
        The file the text came from, for the messages.

    Returns
    -------
    Image
        One range without an address, if no line gives one.

    Raises
    ------
    ImageError
        If a line cannot be understood or could mean two things, a row check does not fit, two lines hold the
        same address, or there are no bytes; the message names the line.

    Examples
    --------
    >>> from_listing("0300: A9 00 8D 20\n      4c0003 ; and again")
    <Image 7 bytes: 0300h..0306h>
    """
    lines: list[Line] = []
    run: int | None = None
    for number, raw in number_lines(text):
        content = re.split(r"[;#]", raw, maxsplit=1)[0].strip()
        if not content:
            continue
        said_run = RUN.fullmatch(content)
        if said_run:
            if run is not None:
                raise fault("the run address is given twice; remove one", line=number, path=path)
            run = int(said_run[1], 16)
        else:
            lines.append(take_apart(content, number, path))
    refuse_mixed_addresses(lines, path)
    return place(lines, run, path)


def take_apart(content: str, number: int, path: str | None) -> Line:
    """Find address, bytes and check in a line without comment."""
    check: int | None = None
    said_check = CHECK.search(content)
    if said_check:
        check = int(said_check[1], 16)
        content = content[: said_check.start()].strip()
    address: int | None = None
    style = "none"
    match = ADDRESS.fullmatch(content)
    words = content.split()
    if match and is_marked(match):
        digits = match["digits"]
        if not 3 <= len(digits) <= 8:
            raise fault(
                f"{content[: match.start('rest')]!r} is not clearly an address;"
                " write addresses with four to eight digits and bytes without marks",
                line=number,
                path=path,
            )
        address, style = int(digits, 16), "marked"
        words = match["rest"].split()
    elif len(words) > 1 and len(words[0]) > 2:
        if len(words[0]) == 4 and is_hex(words[0]) and all(len(word) == 2 for word in words[1:]):
            address, style = int(words[0], 16), "blank"
            words = words[1:]
        elif is_hex(words[0]):
            raise fault(
                f"{words[0]!r} may be an address or bytes; put a colon after it if it is an address,"
                " blanks between its bytes if not",
                line=number,
                path=path,
            )
    return Line(number, address, style, to_bytes(words, number, path), check, tuple(words))


def is_marked(match: re.Match[str]) -> bool:
    """Whether what looks like an address carries a mark, and is not glued to something else."""
    if match["mark"]:
        return True
    ends = not match["rest"] or match["rest"][0].isspace()
    return ends and bool(match["prefix"] or match["suffix"])


def is_hex(word: str) -> bool:
    return re.fullmatch(r"[0-9A-Fa-f]+", word) is not None


def to_bytes(words: list[str], number: int, path: str | None) -> bytes:
    """Turn the words of a line into bytes."""
    odd = next((word for word in words if len(word) % 2), None)
    try:
        if odd is None:
            return bytes.fromhex("".join(words))
    except ValueError:
        pass  # some word is no hexadecimal; the search for it is slow and only worth it now
    wrong = next((word for word in words if not is_hex(word)), None)
    if wrong is None:
        raise fault(f"{odd!r} has an odd number of digits; write each byte with two", line=number, path=path)
    letter = next(letter for letter in wrong if not is_hex(letter))
    hint = f"is the letter {letter} a {LOOKALIKES[letter]}?" if letter in LOOKALIKES else "correct it"
    raise fault(f"{wrong!r} is not hexadecimal; {hint}", line=number, path=path)


def refuse_mixed_addresses(lines: list[Line], path: str | None) -> None:
    """Refuse what is clear line by line but not in the file as a whole."""
    marked = next((line for line in lines if line.address_style == "marked"), None)
    blank = next((line for line in lines if line.address_style == "blank"), None)
    if blank is None:
        return
    if marked is not None:
        raise fault(
            f"{blank.address:04X} may be an address or two bytes, as line {marked.number} marks its address;"
            " mark this one too or put a blank between the bytes",
            line=blank.number,
            path=path,
        )
    for line in lines:
        if line.address is None and len(line.words) == 1 and len(line.words[0]) == 4:
            raise fault(
                f"{line.words[0]!r} may be an address or two bytes; put a colon after it if it is an address,"
                " a blank between the bytes if not",
                line=line.number,
                path=path,
            )


def place(lines: list[Line], run: int | None, path: str | None) -> Image:
    """Give every byte its address, verify the checks and join."""
    addressed = next((line for line in lines if line.address is not None), None)
    here = 0
    pieces = Pieces(path)
    for line in lines:
        if line.address is not None:
            here = line.address
        elif addressed is not None and line.number < addressed.number:
            raise fault(
                f"these bytes have no address although line {addressed.number} has the address"
                f" {addressed.address:04X}; write the address in front, or a blank between the bytes if that"
                " is none",
                line=line.number,
                path=path,
            )
        if line.check is not None and line.check != row_check(here, line.data):
            raise fault(
                f"the row check is {line.check:03X}, address {here:04X} and the bytes make"
                f" {row_check(here, line.data):03X}; compare the line with the original",
                line=line.number,
                path=path,
            )
        pieces.add(here, line.data, line.number)
        here += len(line.data)
    if not pieces.found:
        raise fault("there are no bytes in this listing; check the file", path=path)
    ranges = pieces.ranges()
    if addressed is None:
        ranges = [Range(None, ranges[0].data)]
    return Image.of(ranges, run=run)


def to_listing(image: Image, *, bytes_per_row: int = 16, checks: bool = False) -> str:
    """Write a plain hex listing.

    Parameters
    ----------
    image : Image
        Ranges without an address are written one after another, without addresses.
    bytes_per_row : int
        8 or 16; every row but the first of a range starts at a multiple of it.
    checks : bool
        Whether to end each row with its check.

    Returns
    -------
    str
        Lines ending in a line feed; the name as a comment, the run address as a ``run`` line.

    Raises
    ------
    ImageError
        If the image is empty or only some of its ranges have an address.
    UsageError
        If `bytes_per_row` is neither 8 nor 16.

    Examples
    --------
    >>> print(to_listing(Image.from_bytes(b"ABCDE", 0x0300), checks=True), end="")
    0300: 41 42 43 44  45  =092
    """
    require_row_length(bytes_per_row)
    if len(image) > MOST_BYTES:
        raise ImageError(f"the image holds {len(image)} bytes; a file holds at most {MOST_BYTES >> 20} MiB")
    lines: list[str] = []
    if image.name:
        lines.append(f"; {' '.join(image.name.split())}")
    if image.run is not None:
        lines.append(f"run {image.run:04X}")
    joined = join_without_addresses(image)
    placed = [(0, joined)] if joined is not None else placed_ranges(image, "a listing")
    digits = address_digits(max(address + len(data) - 1 for address, data in placed))
    for index, (address, data) in enumerate(placed):
        if index:
            lines.append("")
        for row in split_rows(address, data, bytes_per_row):
            front = "" if joined is not None else f"{row.address:0{digits}X}: "
            end = f"  ={row.check:03X}" if checks else ""
            lines.append(f"{front}{group_bytes(row.data)}{end}")
    return "\n".join(lines) + "\n"
