"""Streams of symbols put together from windows and stretches."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from tapewright.model import GAP, Symbols

__all__ = ["between", "chained", "joined", "moved", "picked", "replaced", "usual_seconds", "with_gaps"]


#: What `Symbols` holds for each symbol.
FIELDS = ("index", "start_seconds", "end_seconds", "log_p", "level", "speed", "noise")


def moved(symbols: Symbols, seconds: float) -> Symbols:
    """Shift in time."""
    return replace(
        symbols, start_seconds=symbols.start_seconds + seconds, end_seconds=symbols.end_seconds + seconds
    )


def between(symbols: Symbols, low: float, high: float) -> Symbols:
    """Keep the symbols that start from `low` on and before `high`."""
    return picked(symbols, (symbols.start_seconds >= low) & (symbols.start_seconds < high))


def picked(symbols: Symbols, keep: npt.NDArray[np.bool_]) -> Symbols:
    """Keep the symbols that are marked."""
    return Symbols(
        symbols.names, symbols.index[keep], symbols.start_seconds[keep], symbols.end_seconds[keep],
        symbols.log_p[keep], symbols.level[keep], symbols.speed[keep], symbols.noise[keep],
    )  # fmt: skip


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
    return Symbols(
        parts[0].names,
        *(np.concatenate([getattr(part, name) for part in parts]) for name in FIELDS),
    )


def joined(parts: list[Symbols], names: str, seconds: float) -> Symbols:
    """Join the windows' symbols, drop what two windows both heard, and put gaps where nothing was heard.

    `parts` is emptied on the way: of hours of symbols there should never be more copies than one and a bit.
    """
    kept: list[Symbols] = []
    end = -1.0
    parts.reverse()
    while parts:
        part = parts.pop()
        if not len(part):
            continue
        part = picked(part, 0.5 * (part.start_seconds + part.end_seconds) >= end)
        if len(part):
            kept.append(part)
            end = float(part.end_seconds[-1])
    if not kept:
        return Symbols.empty(names)
    fields = {name: [getattr(part, name) for part in kept] for name in FIELDS}
    kept.clear()
    symbols = Symbols(names, *(np.concatenate(fields.pop(name)) for name in FIELDS))
    return with_gaps(symbols, 0.0, seconds, usual_seconds(symbols))


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
