"""Span and Fault: where on the tape, and what is wrong there."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Fault", "Span"]


@dataclass(frozen=True, order=True)
class Span:
    """A stretch of the original recording, in seconds from its first sample."""

    start_seconds: float
    end_seconds: float

    @property
    def seconds(self) -> float:
        """Length of the stretch."""
        return self.end_seconds - self.start_seconds

    def __str__(self) -> str:
        return f"{self.start_seconds:.3f}..{self.end_seconds:.3f} s"


@dataclass(frozen=True)
class Fault:
    """Something wrong, in a word for programs and a sentence for people.

    Parameters
    ----------
    kind : str
        One word: ``dropout``, ``framing``, ``parity``, ``check``, ``hum``, ``no-signal`` ...
    text : str
        What was found, in plain words.
    span : Span, optional
        Where.
    remedy : str, optional
        What the owner can do about it.
    """

    kind: str
    text: str
    span: Span | None = None
    remedy: str | None = None
