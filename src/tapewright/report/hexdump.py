"""The program's bytes for the page: each with how sure it is, sure stretches of a long program folded."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from tapewright.image.rows import address_digits, split_rows
from tapewright.model import Range, Reading
from tapewright.model.reading import DOUBTFUL
from tapewright.report.words import address_text, confidence_text, count, seconds_text

__all__ = ["STEPS", "Cell", "Dump", "Folded", "Half", "Marks", "Step", "dump_reading", "locate_bytes"]

FloatArray = npt.NDArray[np.floating]

ROW_BYTES, HALF_BYTES = 16, 8
#: A program longer than this has its sure stretches folded, so that the page stays light.
MOST_OPEN_BYTES = 4096
#: Fewer sure rows than this between two doubtful ones are not worth folding.
LEAST_FOLDED_ROWS = 4
#: Rows shown byte by byte at most, and bytes kept in folded stretches at most.
MOST_OPEN_ROWS = 192
MOST_FOLDED_BYTES = 49_152
#: A block is taken for a copy of a stretch if this share of its bytes agrees.
ALIKE = 0.75


@dataclass(frozen=True)
class Step:
    """One step of the confidence scale.

    Parameters
    ----------
    name : str
        Class name on the page.
    least : float
        The lowest confidence on this step.
    words : str
    """

    name: str
    least: float
    words: str


#: Steps from sure to lost. From the third on a byte is doubtful, and marked by more than its shade.
STEPS = (
    Step("s0", 0.9999, "sure"),
    Step("s1", DOUBTFUL, "0.99 and more"),
    Step("s2", 0.9, "0.9 to 0.99"),
    Step("s3", 0.5, "0.5 to 0.9"),
    Step("s4", np.nextafter(0.0, 1.0), "less than 0.5"),
    Step("lost", 0.0, "unreadable"),
)


@dataclass(frozen=True, eq=False)
class Marks:
    """What is known of each byte of a range besides its value.

    Parameters
    ----------
    seconds : ndarray of float64, shape (n,)
        When it starts in the recording; NaN where that is not known.
    repaired : ndarray of bool, shape (n,)
    """

    seconds: FloatArray
    repaired: npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Cell:
    """One byte on the page; a blank one has no text."""

    text: str = ""
    classes: str = ""
    title: str = ""


@dataclass(frozen=True)
class Half:
    """Eight places of a row, their address, and their printable characters."""

    address: str
    cells: tuple[Cell, ...]
    characters: str


@dataclass(frozen=True)
class Folded:
    """A stretch shown as plain text when asked for; `text` is None where even that is too much."""

    summary: str
    text: str | None


Row = tuple[Half, ...]


@dataclass
class Dump:
    """The dump of one range.

    Parameters
    ----------
    heading : str
    parts : list
        Lists of rows, and folded stretches, in order.
    """

    heading: str
    parts: list[list[Row] | Folded] = field(default_factory=list)


@dataclass
class _Budget:
    rows: int = MOST_OPEN_ROWS
    folded_bytes: int = MOST_FOLDED_BYTES


def locate_bytes(reading: Reading) -> list[Marks]:
    """Find for each byte of the image the block it was taken from.

    Blocks with an address are laid at it; of several copies the surest that holds the same value counts.
    Blocks without one are looked for in the ranges without an address, in order.

    Returns
    -------
    list of Marks
        One for each range.
    """
    marks = [Marks(np.full(len(r), np.nan), np.zeros(len(r), bool)) for r in reading.image]
    best = [np.full(len(r), -1.0) for r in reading.image]
    cursor = [0] * len(marks)
    for block in reading.blocks:
        for number, piece in enumerate(reading.image):
            first = _place_in(piece, block.address, block.data, cursor[number])
            if first is None:
                continue
            if block.address is None:
                cursor[number] = first + len(block.data)
            low, high = max(first, 0), min(first + len(block.data), len(piece))
            own, there = slice(low - first, high - first), slice(low, high)
            same = np.frombuffer(block.data, np.uint8)[own] == np.frombuffer(piece.data, np.uint8)[there]
            better = same & (block.byte_confidence[own] > best[number][there])
            repaired = np.zeros(len(block.data), bool)
            repaired[list(block.repaired_offsets)] = True
            best[number][there][better] = block.byte_confidence[own][better]
            marks[number].seconds[there][better] = block.byte_seconds[own][better]
            marks[number].repaired[there][better] = repaired[own][better]
    return marks


def _place_in(piece: Range, address: int | None, data: bytes, cursor: int) -> int | None:
    """Offset in a range at which a block's data stands; None where it does not."""
    if not data or (address is None) != (piece.address is None):
        return None
    if address is not None and piece.address is not None:
        first = address - piece.address
        return first if -len(data) < first < len(piece) else None
    for first in (piece.data.find(data, cursor), piece.data.find(data)):
        if first >= 0:
            return first
    # No copy is quite like the program put together from all of them.
    for first in (cursor, 0):
        there = np.frombuffer(piece.data, np.uint8)[first : first + len(data)]
        if len(there) and np.mean(there == np.frombuffer(data, np.uint8)[: len(there)]) >= ALIKE:
            return first
    return None


def dump_reading(reading: Reading) -> list[Dump]:
    """Lay out the image of a reading.

    Returns
    -------
    list of Dump
        One for each range.
    """
    budget = _Budget()
    fold = len(reading.image) > MOST_OPEN_BYTES
    highest = max((len(r) if r.end is None else r.end for r in reading.image), default=0)
    digits = address_digits(highest)
    return [
        _dump_range(piece, np.asarray(sure, np.float64), marks, digits, fold, budget)
        for piece, sure, marks in zip(
            reading.image, reading.image_confidence, locate_bytes(reading), strict=True
        )
    ]


def _dump_range(
    piece: Range, confidence: FloatArray, marks: Marks, digits: int, fold: bool, budget: _Budget
) -> Dump:
    first, last = address_text(piece.address, 0, digits), address_text(piece.address, len(piece) - 1, digits)
    heading = f"{first} to {last}, {count(len(piece), 'byte')}"
    if piece.address is None:
        heading += "; the format carries no address, so these are offsets"
    dump = Dump(heading)
    rows = list(split_rows(piece.address or 0, piece.data, ROW_BYTES))
    starts = np.array([row.address - (piece.address or 0) for row in rows], np.int64)
    doubtful = (confidence < DOUBTFUL) | marks.repaired
    is_open = np.logical_or.reduceat(doubtful, starts) if fold else np.ones(len(rows), bool)
    if fold:
        is_open = _with_neighbours(is_open)
    for opened, low, high in _runs(is_open):
        shown = min(high, low + budget.rows) if opened else low
        if shown > low:
            budget.rows -= shown - low
            dump.parts.append(
                [_row(piece, int(start), confidence, marks, digits) for start in starts[low:shown]]
            )
        if high > shown:
            from_, to = int(starts[shown]), int(starts[high]) if high < len(rows) else len(piece)
            dump.parts.append(_folded(piece, confidence, from_, to, digits, opened, budget))
    return dump


def _with_neighbours(is_open: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Open the rows next to doubtful ones, and sure stretches too short to fold."""
    wide = is_open.copy()
    wide[1:] |= is_open[:-1]
    wide[:-1] |= is_open[1:]
    for opened, low, high in _runs(wide):
        if not opened and high - low < LEAST_FOLDED_ROWS:
            wide[low:high] = True
    return wide


def _runs(flags: npt.NDArray[np.bool_]) -> list[tuple[bool, int, int]]:
    """Return (flag, first, end) of each stretch of equal flags."""
    cuts = np.concatenate(([0], np.flatnonzero(np.diff(flags)) + 1, [len(flags)])).astype(int)
    return [(bool(flags[a]), int(a), int(b)) for a, b in pairwise(cuts) if b > a]


def _folded(
    piece: Range, confidence: FloatArray, first: int, end: int, digits: int, doubtful: bool, budget: _Budget
) -> Folded:
    where = f"{address_text(piece.address, first, digits)} to {address_text(piece.address, end - 1, digits)}"
    if doubtful:
        number = int(np.count_nonzero(confidence[first:end] < DOUBTFUL))
        summary = f"{where}: {count(end - first, 'byte')}, {number} of them doubtful, too many to mark each"
    else:
        summary = f"{where}: {count(end - first, 'byte')}, all sure"
    if end - first > budget.folded_bytes:
        return Folded(summary + "; not in this page, save the program to a file to see them", None)
    budget.folded_bytes -= end - first
    return Folded(summary, "\n".join(_plain_rows(piece, confidence, first, end, digits)))


def _plain_rows(piece: Range, confidence: FloatArray, first: int, end: int, digits: int) -> Iterator[str]:
    for row in split_rows((piece.address or 0) + first, piece.data[first:end], ROW_BYTES):
        start = row.address - (piece.address or 0)
        sure = confidence[start : start + len(row.data)]
        if np.all(sure > 0):
            text = row.data.hex(" ").upper()
        else:
            text = " ".join(f"{v:02X}" if c > 0 else "??" for v, c in zip(row.data, sure, strict=True))
        name = address_text(piece.address, start, digits)
        yield f"{name}  {text:{3 * ROW_BYTES}}  {_characters(row.data)}"


def _row(piece: Range, start: int, confidence: FloatArray, marks: Marks, digits: int) -> Row:
    """Lay out the row that holds offset `start`, its columns where the address says."""
    base = (piece.address or 0) + start
    left = base - base % ROW_BYTES - (piece.address or 0)  # offset of the row's first column; may be < 0
    halves = []
    for half in (left, left + HALF_BYTES):
        places = range(half, half + HALF_BYTES)
        inside = [k for k in places if start <= k < len(piece)]
        if not inside:
            continue
        cells = tuple(
            _cell(piece, k, confidence, marks, digits) if start <= k < len(piece) else Cell() for k in places
        )
        characters = "".join(
            _characters(piece.data[k : k + 1]) if start <= k < len(piece) else " " for k in places
        )
        halves.append(Half(address_text(piece.address, inside[0], digits), cells, characters))
    return tuple(halves)


def _cell(piece: Range, offset: int, confidence: FloatArray, marks: Marks, digits: int) -> Cell:
    sure = float(confidence[offset])
    step = next((step for step in STEPS if sure >= step.least), STEPS[-1])
    classes = step.name
    value = f"{piece.data[offset]:02X}"
    said = f"confidence {confidence_text(sure)}"
    if step.name == "lost":
        value, said = "??", "could not be read; stands as 00 in the program"
    if marks.repaired[offset]:
        classes += " fixed"
        said += ", repaired"
    when = float(marks.seconds[offset])
    title = f"{address_text(piece.address, offset, digits)}: {said}"
    if np.isfinite(when):
        title += f", at {seconds_text(when)}"
    return Cell(value, classes, title)


def _characters(data: bytes) -> str:
    return "".join(chr(value) if 0x20 <= value < 0x7F else "·" for value in data)
