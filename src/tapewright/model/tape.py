"""TapePart: what stands on tape, from one end to the other, before it becomes sound."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["TapePart"]


@dataclass(frozen=True)
class TapePart:
    """One part of what goes on tape; a tape is an iterable of them.

    Parameters
    ----------
    kind : {"bytes", "symbols", "lead", "gap"}
        ``bytes``: `data`, to be framed. ``symbols``: `symbols` once. ``lead``: `symbols` repeated whole until
        at least `seconds` have passed. ``gap``: silence for `seconds`.
    data : bytes
    symbols : str
        Names of symbols.
    seconds : float
    """

    kind: Literal["bytes", "symbols", "lead", "gap"]
    data: bytes = b""
    symbols: str = ""
    seconds: float = 0.0
