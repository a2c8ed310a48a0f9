"""How a reader knows from the fields where data load, how many there are, and which block is the last."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tapewright.learn.framing import Framing
from tapewright.learn.kinds import Kind
from tapewright.learn.messages import Named

__all__ = ["Rules", "rules_of", "shifted"]

IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Rules:
    """What a card's block table says besides its layout.

    Parameters
    ----------
    data : str
        Expression for the number of bytes in a block, or ``until lead``.
    size : int or None
        Into how large blocks the writer cuts a program.
    total : str or None
        Expression for the bytes in all blocks.
    last_when : (str, int) or None
        Field and its value in the last block.
    load : str or None
        Expression for the address; where it stands with the header, `header_load` says it instead.
    header_load : str or None
    doubts : tuple of str
        What the recordings leave open, as sentences.
    """

    data: str
    size: int | None = None
    total: str | None = None
    last_when: tuple[str, int] | None = None
    load: str | None = None
    header_load: str | None = None
    doubts: tuple[str, ...] = ()


def rules_of(kinds: Sequence[Kind], framing: Framing) -> Rules:
    """Work out the rules of a format.

    Parameters
    ----------
    kinds : sequence of Kind
        In the order they stand on tape; one of them holds data.
    framing : Framing
    """
    data = next(kind for kind in kinds if kind.has_data)
    headers = kinds[: kinds.index(data)]
    header = headers[-1] if headers else None
    counts = np.array([sample.room for sample in data.samples], np.int64)
    places = {(sample.save, sample.first) for sample in data.samples}  # another copy is at the same place
    is_cut = len(places) > len({save for save, _ in places})
    size = int(counts.max()) if is_cut else None
    doubts: list[str] = []
    length = _length(data, header, is_cut, counts, framing, doubts)
    total = last_when = None
    if is_cut and header is not None:
        total = _plus(header, ("length", "total"))
        last_when = None if total else _last_when(data)
        if total is None and last_when is None:
            doubts.append(
                "Nothing found on the tape tells a reader which block is the last; the card takes every block"
                " for a program of its own."
            )
    load, header_load = _load(data, header, size)
    return Rules(length, size, total, last_when, load, header_load, tuple(doubts))


def _field(kind: Kind | None, facts: Sequence[str]) -> Named | None:
    """The first field of a kind that tells one of these."""
    items = [] if kind is None else [*kind.head, *kind.tail] if not kind.has_data else kind.head
    return next((item for fact in facts for item in items if item.part.fact == fact), None)


def shifted(name: str, by: int) -> str:
    """Write an expression for a number and so much more, or less.

    Examples
    --------
    >>> shifted("start", -0x8000)
    'start - 0x8000'
    """
    if not by:
        return name
    size = f"0x{abs(by):x}" if abs(by) >= 0x100 else str(abs(by))
    return f"{name} {'+' if by > 0 else '-'} {size}"


def _less(item: Named) -> str:
    """The number meant, from the field that holds it."""
    return shifted(item.name, -item.part.offset)


def _plus(kind: Kind, facts: Sequence[str]) -> str | None:
    item = _field(kind, facts)
    return _less(item) if item is not None else None


def _span(kind: Kind | None) -> str | None:
    """Number of bytes from the first and the last address."""
    start, end = _field(kind, ["start"]), _field(kind, ["end"])
    if start is None or end is None:
        return None
    more = 1 - end.part.offset + start.part.offset
    return shifted(f"{end.name} - {start.name}", more)


def _length(
    data: Kind, header: Kind | None, is_cut: bool, counts: IntArray, framing: Framing, doubts: list[str]
) -> str:
    own = _field(data, ["length"])
    if own is not None:
        return _less(own)
    if (span := _span(data)) is not None:
        return span
    if header is not None and not is_cut:
        told = _field(header, ["length", "total"])
        if told is not None:
            return _less(told)
        if (span := _span(header)) is not None:
            return span
    if is_cut and len(set(counts.tolist())) == 1:
        return str(int(counts[0]))
    if framing.byte.start and not data.tail:
        return "until lead"
    doubts.append(
        "Nothing found on the tape tells how many bytes there are; the card reads as many as there were."
    )
    return str(int(counts.max()))


def _last_when(data: Kind) -> tuple[str, int] | None:
    for fact, last in (("is_last", 1), ("two", None), ("remaining", 0)):
        item = _field(data, [fact])
        if item is not None:
            return item.name, item.part.two[0] if last is None else last + item.part.offset
    return None


def _load(data: Kind, header: Kind | None, size: int | None) -> tuple[str | None, str | None]:
    own = _field(data, ["start"])
    if own is not None:
        return _less(own), None
    told = _field(header, ["start"])
    if told is None:
        return None, None
    index = _field(data, ["index"])
    if index is not None and size is not None:
        number = _less(index) if not index.part.offset else f"({_less(index)})"
        return f"{_less(told)} + {number} * {size}", None
    return None, _less(told)
