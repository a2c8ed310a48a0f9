"""Streams of symbols put together from windows and stretches."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from tapewright.model import GAP, Symbols

__all__ = ["between", "chained", "joined", "moved", "replaced"]


def moved(symbols: Symbols, seconds: float) -> Symbols:
    """Shift in time."""
    return replace(
        symbols, start_seconds=symbols.start_seconds + seconds, end_seconds=symbols.end_seconds + seconds
    )


def between(symbols: Symbols, low: float, high: float) -> Symbols:
    """Keep the symbols that start from `low` on and before `high`."""
    return _picked(symbols, (symbols.start_seconds >= low) & (symbols.start_seconds < high))


def _picked(symbols: Symbols, keep: npt.NDArray[np.bool_]) -> Symbols:
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
    before, after = _picked(symbols, middle < start), _picked(symbols, middle >= end)
    return chained([before, by, after])


def chained(parts: list[Symbols]) -> Symbols:
    """One stream after another."""
    return Symbols(
        parts[0].names,
        *(
            np.concatenate([getattr(part, name) for part in parts])
            for name in ("index", "start_seconds", "end_seconds", "log_p", "level", "speed", "noise")
        ),
    )


def joined(parts: list[Symbols], names: str, seconds: float) -> Symbols:
    """Join the windows' symbols, drop what two windows both heard, and put gaps where nothing was heard."""
    if not parts or not any(len(part) for part in parts):
        return Symbols.empty(names)
    kept: list[Symbols] = []
    end = -1.0
    for part in parts:
        if not len(part):
            continue
        part = _picked(part, 0.5 * (part.start_seconds + part.end_seconds) >= end)
        if len(part):
            kept.append(part)
            end = float(part.end_seconds[-1])
    return _with_gaps(chained(kept), seconds)


def _with_gaps(symbols: Symbols, seconds: float) -> Symbols:
    """Insert an entry of index GAP wherever more than two symbols' time passed without one."""
    before = np.append(0.0, symbols.end_seconds)
    after = np.append(symbols.start_seconds, seconds)
    at = np.flatnonzero(after - before > 2 * float(np.median(symbols.end_seconds - symbols.start_seconds)))
    if not len(at):
        return symbols
    count = len(at)
    near = np.minimum(at, len(symbols) - 1)
    return Symbols(
        symbols.names,
        np.insert(symbols.index, at, GAP),
        np.insert(symbols.start_seconds, at, before[at]),
        np.insert(symbols.end_seconds, at, after[at]),
        np.insert(symbols.log_p, at, np.full((count, len(symbols.names)), -np.inf, np.float32), axis=0),
        np.insert(symbols.level, at, 0.0),
        np.insert(symbols.speed, at, symbols.speed[near]),
        np.insert(symbols.noise, at, symbols.noise[near]),
    )
