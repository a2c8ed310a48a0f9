"""Streams of symbols put together from windows and stretches."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from tapewright.model import GAP, Symbols
from tapewright.model.layers import SYMBOL_FIELDS
from tapewright.model.scratch import Growing

__all__ = ["Gathering", "between", "chained", "moved", "picked", "replaced", "usual_seconds", "with_gaps"]


def moved(symbols: Symbols, seconds: float) -> Symbols:
    """Shift in time."""
    return replace(
        symbols, start_seconds=symbols.start_seconds + seconds, end_seconds=symbols.end_seconds + seconds
    )


def between(symbols: Symbols, low: float, high: float) -> Symbols:
    """Keep the symbols that start from `low` on and before `high`."""
    return picked(symbols, (symbols.start_seconds >= low) & (symbols.start_seconds < high))


def picked(symbols: Symbols, keep: npt.NDArray[np.bool_]) -> Symbols:
    """Keep the symbols that are marked; where all of them follow one another, as a view."""
    at = np.flatnonzero(keep)
    chosen = slice(at[0], at[-1] + 1) if len(at) and at[-1] - at[0] < len(at) else at
    return symbols.at(chosen)


def replaced(symbols: Symbols, by: Symbols) -> Symbols:
    """Put one stretch of symbols in the place of whatever stood there."""
    if not len(by):
        return symbols
    start, end = float(by.start_seconds[0]), float(by.end_seconds[-1])
    middle = 0.5 * (symbols.start_seconds + symbols.end_seconds)
    before, after = picked(symbols, middle < start), picked(symbols, middle >= end)
    return chained([before, by, after])


def chained(parts: list[Symbols]) -> Symbols:
    """One stream after another."""
    if len(parts) == 1:
        return parts[0]
    return Symbols(
        parts[0].names,
        *(np.concatenate([getattr(part, name) for part in parts]) for name in SYMBOL_FIELDS),
    )


class Gathering:
    """One stream from the symbols of windows that overlap, with a gap where nothing was heard.

    Of hours of symbols the arrays are in files (`model.scratch`).

    Parameters
    ----------
    names : str
        The alphabet.
    usual_seconds : float
        Twice this time without a symbol is a gap.
    """

    def __init__(self, names: str, usual_seconds: float) -> None:
        self._names, self._usual = names, usual_seconds
        self._fields = {name: Growing(getattr(Symbols.empty(names), name)) for name in SYMBOL_FIELDS}
        self._is_begun, self._end = False, 0.0

    def add(self, part: Symbols) -> None:
        """Append a window's symbols, but for those that the window before has heard as well."""
        if self._is_begun:
            part = picked(part, 0.5 * (part.start_seconds + part.end_seconds) >= self._end)
        if len(part):
            end = float(part.end_seconds[-1])
            self._append(with_gaps(part, self._end, end, self._usual))
            self._end = end

    def finish(self, seconds: float) -> Symbols:
        """Return all of them; the recording ends at `seconds`."""
        if not self._is_begun:
            return Symbols.empty(self._names)
        self._append(with_gaps(Symbols.empty(self._names), self._end, seconds, self._usual))
        return Symbols(self._names, *(self._fields[name].array() for name in SYMBOL_FIELDS))

    def _append(self, part: Symbols) -> None:
        self._is_begun = True
        for name, field in self._fields.items():
            field.append(getattr(part, name))


def with_gaps(symbols: Symbols, since: float, until: float, usual: float) -> Symbols:
    """Insert an entry of index GAP wherever more than two `usual` symbols' time passed without one.

    Counted from `since` to the first symbol, and from the last one to `until`.
    """
    before = np.append(since, symbols.end_seconds)
    after = np.append(symbols.start_seconds, until)
    at = np.flatnonzero(after - before > 2 * usual)
    if not len(at):
        return symbols
    count = len(at)
    near = np.minimum(at, len(symbols) - 1)
    speed = symbols.speed[near] if len(symbols) else 1.0
    noise = symbols.noise[near] if len(symbols) else 0.0
    return Symbols(
        symbols.names,
        np.insert(symbols.index, at, GAP),
        np.insert(symbols.start_seconds, at, before[at]),
        np.insert(symbols.end_seconds, at, after[at]),
        np.insert(symbols.log_p, at, np.full((count, len(symbols.names)), -np.inf, np.float32), axis=0),
        np.insert(symbols.level, at, 0.0),
        np.insert(symbols.speed, at, speed),
        np.insert(symbols.noise, at, noise),
    )


def usual_seconds(symbols: Symbols) -> float:
    """Length most symbols have; there must be one."""
    return float(np.median(symbols.end_seconds - symbols.start_seconds))
