"""The stretches of a recording as a table, for people at a terminal."""

from __future__ import annotations

from collections.abc import Sequence

from tapewright.cli.screen import BAD, DOUBT, GOOD, QUIET, Part
from tapewright.cli.telling import clock
from tapewright.model import Stretch

__all__ = ["HEADINGS", "stretch_rows"]

HEADINGS = ("from", "to", "what", "why", "what to do")

#: What each kind is called, and how it is coloured.
_LABELS: dict[str, Part] = {
    "silence": ("silence", QUIET),
    "quiet": ("too faint", DOUBT),
    "hum": ("hum", DOUBT),
    "noise": ("noise", DOUBT),
    "tone": ("tone", DOUBT),
    "clipped": ("overdriven", DOUBT),
    "speed": ("wrong speed", BAD),
    "passed-over": ("not read", BAD),
    "print-through": ("print-through", QUIET),
    "other": ("other sound", DOUBT),
    "idle": ("idle tone", QUIET),
    "leader": ("leader only", BAD),
    "no-leader": ("no leader", BAD),
    "no-sync": ("no sync", BAD),
    "no-bytes": ("no bytes", BAD),
    "no-block": ("no block", BAD),
    "dropout": ("dropout", BAD),
    "disturbance": ("disturbance", BAD),
    "speed-jump": ("speed jump", BAD),
    "cut": ("cut short", BAD),
    "missing": ("block missing", BAD),
    "check-failed": ("CHECK FAILS", BAD),
    "doubtful": ("doubtful block", DOUBT),
    "unchecked": ("block", GOOD),
    "good": ("good block", GOOD),
}


def stretch_rows(stretches: Sequence[Stretch]) -> list[tuple[Part, ...]]:
    """Make a row of each stretch: from, to, what, why, what to do."""
    return [
        (
            clock(stretch.span.start_seconds),
            clock(stretch.span.end_seconds),
            _LABELS[stretch.kind],
            stretch.text,
            stretch.remedy or "",
        )
        for stretch in stretches
    ]
