"""Stretch: one piece of a recording, with how far along the chain it got and why no farther."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from tapewright.model.place import Span

__all__ = ["PRINT_THROUGH", "STAGES", "STRETCH_KINDS", "Stretch"]

#: How far along the chain a stretch can get, least first.
STAGES = ("silence", "sound", "symbols", "bytes", "block")

#: The kind of a stretch, and of a fault, that is a faint copy from the next turn of tape.
PRINT_THROUGH = "print-through"
#: Every kind of stretch, in a word for programs, with what it means.
STRETCH_KINDS: dict[str, str] = {
    "silence": "nothing to be heard",
    "quiet": "too faint to tell what it is",
    "hum": "mains hum and its harmonics",
    "noise": "broadband noise, such as tape hiss",
    "tone": "a steady tone that is no leader of the format",
    "clipped": "sound cut off at full scale",
    "speed": "the format's own sound, at a speed out of range",
    "passed-over": "the format's own sound, at a speed in range, that was not read",
    PRINT_THROUGH: "a faint copy from the next turn of tape, passed over",
    "other": "speech, music, or another format",
    "idle": "the format's idle tone after a block",
    "leader": "a leader with nothing after it",
    "no-leader": "the format's symbols or bytes without a leader before them",
    "no-sync": "a leader, and no sync after it",
    "no-bytes": "a leader, and symbols after it that make no bytes",
    "no-block": "a beginning of a block, and no block after it",
    "dropout": "the signal fell within a block",
    "disturbance": "something else, as loud as the signal, within a block",
    "speed-jump": "the speed changed within a block",
    "cut": "a block that ends too early",
    "missing": "a block that was not heard and must have been there",
    "check-failed": "a block whose check fails",
    "doubtful": "a block without a check, some bytes of which are doubtful",
    "unchecked": "a block read clearly, in a format without a check",
    "good": "a block its check vouches for",
}


@dataclass(frozen=True)
class Stretch:
    """A piece of a recording: where the chain stopped there, and why.

    Parameters
    ----------
    span : Span
    stage : str
        How far along the chain it got: one of `STAGES`.
    kind : str
        One of `STRETCH_KINDS`.
    text : str
        What was found, in plain words.
    remedy : str or None
        What the owner can do about it; None where there is nothing to do.
    evidence : mapping of str to float
        The numbers behind it, with units in their names.
    """

    span: Span
    stage: str
    kind: str
    text: str
    remedy: str | None = None
    evidence: Mapping[str, float] = field(default_factory=dict)

    def __str__(self) -> str:
        return f"{self.span}: {self.text}"
