"""Which rows of a load routine's measurements stand for which symbol, learnt from a perfect signal."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tapewright.cards import Alphabet, FormatCard
from tapewright.cards.layout import Gap, Lead, Mark
from tapewright.cards.machine_input import LoadLoop
from tapewright.model import CardError

__all__ = ["SymbolRuns", "learn_runs", "refused", "specimen"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: The specimen: symbols of each leader, and bytes wherever a card has some (chosen: every order of four bits
#: comes up several times).
LEAD_SYMBOLS, ITEM_BYTES = 24, 12
SEED = 20
#: A perfect measurement that is just on a limit has no room, and no share of it either.
LEAST_ROOM = 1e-9


@dataclass(frozen=True, eq=False)
class SymbolRuns:
    """Rows of kinds as a tree: from the root, node 0, one step a measurement.

    Parameters
    ----------
    step : ndarray of int64, shape (nodes, kinds)
        The node after a measurement of a kind, -1 for none.
    accept : ndarray of int64, shape (nodes,)
        The symbol whose row ends there, -1 for none.
    room_below, room_above : ndarray of float64, shape (nodes,)
        How far the perfect measurement that leads there is from the limits of its kind, in seconds or edges.
    longest : int
        Most measurements of a symbol.
    usual : tuple of tuple of int
        The most frequent row of each symbol.
    """

    step: IntArray
    accept: IntArray
    room_below: FloatArray
    room_above: FloatArray
    longest: int
    usual: tuple[tuple[int, ...], ...]


def specimen(card: FormatCard) -> str:
    """Write symbols in the order a tape of this format has them: leaders, marks, bytes at random."""
    rng = np.random.default_rng(SEED)
    text = []
    for block in card.block:
        for item in block.layout:
            if isinstance(item, Lead):
                text.append(item.lead * math.ceil(LEAD_SYMBOLS / len(item.lead)))
            elif isinstance(item, Mark):
                text.append(item.mark)
            elif not isinstance(item, Gap):
                text += [_byte(card, rng) for _ in range(ITEM_BYTES)]
    return "".join(text)


def _byte(card: FormatCard, rng: np.random.Generator) -> str:
    count = card.byte.bits + (card.byte.parity != "none")
    return card.byte.start + "".join("01"[bit] for bit in rng.integers(0, 2, count)) + card.byte.stop


def learn_runs(
    kind: npt.NDArray[np.int8], value: FloatArray, start_seconds: FloatArray,
    symbols: IntArray, alphabet: Alphabet, loop: LoadLoop, name: str,
) -> SymbolRuns:  # fmt: skip
    """Sort a perfect signal's measurements by the symbol in which each begins.

    Parameters
    ----------
    kind, value, start_seconds : ndarray
        The measurements.
    symbols : ndarray of int64
        What was played from 0 seconds on.
    alphabet : Alphabet
    loop : LoadLoop
    name : str
        Of the format, for messages.

    Raises
    ------
    CardError
        If a symbol is outside the limits, cannot be told from another, or leaves nothing to measure.
    """
    ends = np.cumsum([alphabet.shapes[k].seconds for k in symbols])
    # Polls come after the edges they see, so a start is never earlier than its symbol's.
    owner = np.searchsorted(ends, start_seconds * (1 + 1e-9) + 1e-9, side="right")
    first = np.searchsorted(owner, np.arange(len(symbols) + 1))
    rows: list[Counter[tuple[int, ...]]] = [Counter() for _ in alphabet.names]
    values: dict[tuple[int, ...], list[float]] = {}
    for number in range(len(symbols) - 2):  # the last have no edge after them
        here = slice(first[number], first[number + 1])
        row = tuple(kind[here].tolist())
        if -1 in row:
            raise _outside(alphabet.names[symbols[number]], float(value[here][row.index(-1)]), loop, name)
        rows[symbols[number]][row] += 1
        for length, one in enumerate(value[here].tolist(), 1):
            values.setdefault(row[:length], []).append(one)
    _check_distinct(rows, alphabet.names, loop, name)
    return _tree(rows, values, loop)


def _outside(symbol: str, value: float, loop: LoadLoop, name: str) -> CardError:
    if loop.reads in ("count", "burst"):
        measured, limits = f"{value:g} edges", f"{loop.limits[0]:g} to {loop.limits[-1]:g}"
    else:
        measured = f"{value * 1e6:.0f} us"
        limits = f"{loop.limits[0] * 1e6:.0f} to {loop.limits[-1] * 1e6:.0f} us"
    return refused(f"measures {measured} in symbol {symbol!r}, outside its limits of {limits}", loop, name)


def refused(why: str, loop: LoadLoop, name: str) -> CardError:
    """Give the error of a loop that cannot read a format."""
    return CardError(
        f"format {name}: even with a perfect signal the load loop, which reads {loop.reads!r}, {why}; change"
        " what it reads or its limits, or name another format",
        key="loop.limits",
    )


def _check_distinct(rows: list[Counter[tuple[int, ...]]], names: str, loop: LoadLoop, name: str) -> None:
    owner: dict[tuple[int, ...], str] = {}
    for symbol, some in zip(names, rows, strict=True):
        for row in some:
            if not row:
                why = f"finds nothing of its own to measure in symbol {symbol!r}"
            elif row in owner:
                why = f"measures symbols {owner[row]!r} and {symbol!r} alike"
            else:
                owner[row] = symbol
                continue
            raise refused(why, loop, name)


def _tree(
    rows: list[Counter[tuple[int, ...]]], values: dict[tuple[int, ...], list[float]], loop: LoadLoop
) -> SymbolRuns:
    nodes: list[tuple[int, ...]] = [(), *sorted({row[:k] for some in rows for row in some for k in _to(row)})]
    number = {row: k for k, row in enumerate(nodes)}
    step = np.full((len(nodes), len(loop.limits) - 1), -1, np.int64)
    accept = np.full(len(nodes), -1, np.int64)
    room_below, room_above = np.ones(len(nodes)), np.ones(len(nodes))
    for row in nodes[1:]:
        step[number[row[:-1]], row[-1]] = number[row]
        nominal = float(np.mean(values[row]))
        room_below[number[row]] = max(nominal - loop.limits[row[-1]], LEAST_ROOM)
        room_above[number[row]] = max(loop.limits[row[-1] + 1] - nominal, LEAST_ROOM)
    for symbol, some in enumerate(rows):
        for row in some:
            accept[number[row]] = symbol
    longest = max(len(row) for row in nodes)
    usual = tuple(some.most_common(1)[0][0] if some else () for some in rows)
    return SymbolRuns(step, accept, room_below, room_above, longest, usual)


def _to(row: tuple[int, ...]) -> range:
    return range(1, len(row) + 1)
