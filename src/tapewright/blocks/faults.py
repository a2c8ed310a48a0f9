"""What is wrong with a block, in words and places."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from tapewright.model import GAP, ByteRun, Fault, Span, Symbols
from tapewright.model.words import byte_count

__all__ = ["byte_faults", "chance_fault", "cut_fault", "jump_fault", "span_of", "unexplained_fault"]

#: Single bad bytes are listed up to here; more are summed up.
MOST_LISTED = 8


def byte_faults(symbols: Symbols, run: ByteRun) -> list[Fault]:
    """List dropouts, lost frames and parity errors among the bytes of a block."""
    if not len(run):
        return []
    faults = list(_dropouts(symbols, run))
    silent = np.array(
        [
            bool(np.any(symbols.index[a:b] == GAP))
            for a, b in zip(run.first_symbol[~run.framing_ok], run.end_symbol[~run.framing_ok], strict=True)
        ],
        bool,
    )
    lost = np.flatnonzero(~run.framing_ok)[~silent] if len(silent) else np.zeros(0, np.int64)
    faults += _summed(
        [
            Fault(
                "framing",
                f"the start and stop of {byte_count(b - a + 1)} could not be found at {_at(symbols, run, a)}",
                _span(symbols, run, a, b),
            )
            for a, b in _groups(lost)
        ],
        "framing",
        "places where start and stop of bytes could not be found",
    )
    odd = np.flatnonzero(~run.parity_ok & run.framing_ok)
    faults += _summed(
        [
            Fault(
                "parity",
                f"parity is wrong in {byte_count(b - a + 1)} at {_at(symbols, run, a)}",
                _span(symbols, run, a, b),
            )
            for a, b in _groups(odd)
        ],
        "parity",
        "places where parity is wrong",
    )
    return sorted(faults, key=lambda fault: fault.span or Span(0.0, 0.0))


def cut_fault(symbols: Symbols, place: int, what: str) -> Fault:
    """Say that a block ends at a symbol, before `what` is complete."""
    at = float(symbols.end_seconds[min(place, len(symbols)) - 1]) if place else 0.0
    what = "the data" if what == "data" else what
    return Fault("cut", f"the block ends at {at:.3f} s, before {what} is complete")


def jump_fault(symbols: Symbols, place: int | None, *, is_settled: bool) -> Fault:
    """Say that the recording jumps, at a symbol if it is known where.

    Parameters
    ----------
    symbols : Symbols
    place : int or None
    is_settled : bool
        Whether the end of the block tells where the bytes after it belong.
    """
    span = None if place is None else symbols.span(place, place)
    where = "somewhere in the block" if span is None else f"at {span.start_seconds:.3f} s"
    after = "its bytes" if span is None else "what follows there"
    so = "was counted from the end of the block" if is_settled else "may stand at wrong addresses"
    return Fault(
        "jump",
        f"the recording seems to jump {where}, as if a piece of it were missing or there twice: {after} {so}",
        span,
        "record the tape again, with nothing else running on the computer, and cut nothing out",
    )


def unexplained_fault() -> Fault:
    """Say that a check fails in a block that sounds good."""
    return Fault(
        "check",
        "no byte sounds worse than the others, yet the check fails: a piece of the recording may be missing"
        " or there twice, so that bytes stand at wrong addresses; or the block was saved like this; or the"
        " check of the format card is not the machine's",
        remedy="record the tape again; if every block of it fails, doubt the format card",
    )


def chance_fault(bits: int) -> Fault:
    """Say that a check of so many bits agrees, and does not count."""
    text = (
        f"the check agrees, as it does once in {1 << bits} times by chance: too much of the block is in doubt"
    )
    return Fault("check", text)


def span_of(symbols: Symbols, run: ByteRun) -> Span | None:
    """Give the place of a run of bytes, if there are any."""
    return symbols.span(int(run.first_symbol[0]), int(run.end_symbol[-1]) - 1) if len(run) else None


def _dropouts(symbols: Symbols, run: ByteRun) -> Iterator[Fault]:
    first, end = int(run.first_symbol[0]), int(run.end_symbol[-1])
    gaps = np.flatnonzero(symbols.index[first:end] == GAP) + first
    for a, b in _groups(gaps):
        span = symbols.span(a, b)
        touched = int(np.count_nonzero((run.first_symbol <= b) & (run.end_symbol > a)))
        yield Fault(
            "dropout", f"nothing of the format was heard from {span}, where {byte_count(touched)} stood", span
        )


def _groups(places: npt.NDArray[np.integer]) -> list[tuple[int, int]]:
    """Join neighbouring numbers into (first, last)."""
    if not len(places):
        return []
    cuts = np.flatnonzero(np.diff(places) > 1)
    firsts = places[np.concatenate(([0], cuts + 1))]
    lasts = places[np.concatenate((cuts, [len(places) - 1]))]
    return [(int(a), int(b)) for a, b in zip(firsts, lasts, strict=True)]


def _summed(faults: list[Fault], kind: str, what: str) -> list[Fault]:
    if len(faults) <= MOST_LISTED:
        return faults
    first, last = faults[0].span, faults[-1].span
    span = Span(first.start_seconds, last.end_seconds) if first and last else None
    return [Fault(kind, f"there are {len(faults)} {what}", span)]


def _at(symbols: Symbols, run: ByteRun, place: int) -> str:
    return f"{symbols.start_seconds[run.first_symbol[place]]:.3f} s"


def _span(symbols: Symbols, run: ByteRun, first: int, last: int) -> Span:
    return symbols.span(
        int(run.first_symbol[first]), max(int(run.end_symbol[last]) - 1, int(run.first_symbol[first]))
    )
