"""Bytes of all recordings one under another, each marked with what it was taken for; or bits alone."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from tapewright.chain.lesson import Lesson
from tapewright.learn.kinds import Kind
from tapewright.learn.messages import Named
from tapewright.learn.samples import Sample
from tapewright.model import GAP
from tapewright.report.lesson_pictures import LEADER_SYMBOLS, symbols_of
from tapewright.report.words import count, plain

__all__ = ["BitRow", "ByteTable", "bit_rows", "byte_tables"]

#: Blocks of one kind that are shown, data bytes of each, and of the last ones.
MOST_ROWS, FIRST_DATA, LAST_DATA = 24, 16, 4
#: Where there are no bytes, so many symbols after each leader, of so many leaders in each recording.
MOST_BITS, MOST_LEADERS = 96, 4


@dataclass(frozen=True)
class Cell:
    """What stands in one column of one block.

    Parameters
    ----------
    bytes : str
        In hexadecimal.
    left_out : str
        What is not shown, in words.
    last : str
        The last bytes after what is left out.
    """

    bytes: str
    left_out: str = ""
    last: str = ""


@dataclass(frozen=True)
class Row:
    """One block: where it is from, and its cells."""

    label: str
    cells: tuple[Cell, ...]


@dataclass(frozen=True)
class ByteTable:
    """All blocks of one kind.

    Parameters
    ----------
    name : str
    columns : tuple of (str, str)
        Name of each item, and what it was taken for: ``sync``, ``field``, ``name``, ``data``, ``check``,
        ``unknown``.
    rows : tuple of Row
    left_out : int
        Blocks not shown.
    """

    name: str
    columns: tuple[tuple[str, str], ...]
    rows: tuple[Row, ...]
    left_out: int


@dataclass(frozen=True)
class BitRow:
    """Symbols after one leader."""

    label: str
    symbols: str


def byte_tables(lesson: Lesson) -> list[ByteTable]:
    """Align the bytes of all blocks of all recordings, kind by kind; none without a layout."""
    layout = lesson.learned.layout
    return [] if layout is None else [_table(lesson, kind) for kind in layout.kinds]


def bit_rows(lesson: Lesson) -> list[BitRow]:
    """Align the symbols after the leaders of all recordings."""
    rows: list[BitRow] = []
    for save in range(len(lesson.learned.streams)):
        symbols = symbols_of(lesson, save)
        index, text = symbols.index, symbols.text
        changes = np.flatnonzero(np.diff(index) != 0) + 1
        is_end = (np.diff(changes, prepend=0) >= LEADER_SYMBOLS) & (index[changes - 1] != GAP)
        ends = changes[is_end & (index[changes] != GAP)].tolist()
        rows += [
            BitRow(
                f"{_recording(lesson, save)}, {symbols.start_seconds[end]:.2f} s", text[end : end + MOST_BITS]
            )
            for end in ends[:MOST_LEADERS]
        ]
    return rows


def _table(lesson: Lesson, kind: Kind) -> ByteTable:
    columns = [(item.name, _taken_for(item)) for item in kind.head]
    if kind.has_data:
        columns += [("data", "data"), *((item.name, _taken_for(item)) for item in kind.tail)]
    cells = [[*_cells(lesson, kind, place)] for place in range(min(len(kind.samples), MOST_ROWS))]
    if any(len(row) > len(columns) for row in cells):
        columns.append(("not explained", "unknown"))
    rows = [
        Row(_label(lesson, sample), tuple(row + [Cell("")] * (len(columns) - len(row))))
        for sample, row in zip(kind.samples, cells, strict=False)
    ]
    return ByteTable(kind.name, tuple(columns), tuple(rows), max(0, len(kind.samples) - MOST_ROWS))


def _taken_for(item: Named) -> str:
    if item.name in ("sync", "check"):
        return item.name
    return {"constant": "sync", "text": "name"}.get(item.part.kind, item.part.kind)


def _cells(lesson: Lesson, kind: Kind, place: int) -> Iterator[Cell]:
    sample = kind.samples[place]
    rest = sample.head
    for number, item in enumerate(kind.head):
        taken, rest = rest[: item.part.widths[place]], rest[item.part.widths[place] :]
        if not number and sample.repeats > 1:
            yield Cell(
                f"{taken[:1].hex().upper()} ×{sample.repeats}" + (f" {_hex(taken[1:])}" if taken[1:] else "")
            )
        else:
            yield Cell(_hex(taken))
    if kind.has_data:
        yield _data(lesson, sample)
        rest = sample.tail
        for item in kind.tail:
            taken, rest = rest[: item.part.widths[place]], rest[item.part.widths[place] :]
            yield Cell(_hex(taken))
    if rest:
        yield Cell(_hex(rest))


def _data(lesson: Lesson, sample: Sample) -> Cell:
    assert lesson.learned.layout is not None
    known = lesson.knowns[sample.save].data[sample.first : sample.end]
    sent = lesson.learned.layout.framing.sent(known)
    more = len(sent) - FIRST_DATA - LAST_DATA
    if more <= 0:
        return Cell(_hex(sent))
    return Cell(_hex(sent[:FIRST_DATA]), f"{count(more, 'more byte')}", _hex(sent[-LAST_DATA:]))


def _hex(data: bytes) -> str:
    return data.hex(" ").upper()


def _label(lesson: Lesson, sample: Sample) -> str:
    copies = f", {sample.copies} copies" if sample.copies > 1 else ""
    return f"{_recording(lesson, sample.save)}{copies}"


def _recording(lesson: Lesson, save: int) -> str:
    path = lesson.recordings[save].path
    return plain(path.replace("\\", "/").rpartition("/")[2]) if path else f"recording {save + 1}"


def all_kinds(tables: Sequence[ByteTable]) -> list[str]:
    """What bytes were taken for, each once, for the legend."""
    return list(dict.fromkeys(taken for table in tables for _, taken in table.columns))
