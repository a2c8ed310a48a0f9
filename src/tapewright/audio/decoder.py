"""What the two ways of decoding a sound file have in common."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Protocol

from tapewright.model import Fault, Samples, Span

__all__ = [
    "NOT_AUDIO",
    "Decoder",
    "RefusedError",
    "Report",
    "StreamInfo",
    "cut_short",
    "damaged",
    "ends_early",
]

Report = Callable[[Fault], None]

#: What a library says of a file it knows nothing about.
NOT_AUDIO = "is not audio; give a sound file"


class RefusedError(Exception):
    """A decoder cannot make sound of a file; ``str()`` completes "FILE ...". Stays in this package."""


@dataclass(frozen=True)
class StreamInfo:
    """What a file says about its audio before any of it is decoded.

    Parameters
    ----------
    rate_hz : float
    channels : int
    seconds : float or None
        The length the file promises; None where it promises none.
    is_length_firm : bool
        Whether less audio than that means that some is missing, rather than that the length was a guess.
    faults : tuple of Fault
        What is wrong already.
    """

    rate_hz: float
    channels: int
    seconds: float | None
    is_length_firm: bool = True
    faults: tuple[Fault, ...] = ()


class Decoder(Protocol):
    """One library's way to read one file; `blocks` starts at the beginning each time."""

    @property
    def info(self) -> StreamInfo:
        """What the file says about its audio."""

    def blocks(self, report: Report) -> Iterator[Samples]:
        """Yield float32 arrays of shape (n, channels), of whatever length suits, and report faults."""


def cut_short(seconds: float, what: str) -> Fault:
    """Build the fault of a file whose audio ends at `seconds`, sooner than it should."""
    return Fault(
        "truncated",
        f"the file is cut short: {what}",
        Span(seconds, seconds),
        "copy or download the file again, or capture the tape again",
    )


def damaged(seconds: float) -> Fault:
    """Build the fault of a file that loses some audio at `seconds` and goes on after it."""
    return Fault(
        "damage",
        f"the file is damaged at {seconds:.3f} s; what is lost there is left out, so the rest comes early",
        Span(seconds, seconds),
        "copy or download the file again",
    )


def ends_early(seconds: float, promised_seconds: float | None) -> Fault:
    """Build the fault of a file whose audio ends at `seconds`, against what its header promises."""
    promise = "" if promised_seconds is None else f" and its header promises {promised_seconds:.3f} s"
    return cut_short(seconds, f"its audio ends at {seconds:.3f} s{promise}")
