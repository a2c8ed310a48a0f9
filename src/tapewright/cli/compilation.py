"""What happens while a first run compiles: it is told, once, and not disturbed."""

from __future__ import annotations

import gc
from typing import Any

from tapewright.cli.screen import note

__all__ = ["attend_compilation"]

_is_attending = False


def attend_compilation() -> None:
    """Have the compiler tell when it really compiles; what it finds in its cache is quick and not told."""
    global _is_attending
    if _is_attending:
        return
    _is_attending = True
    from numba.core import event

    class _Attendant(event.Listener):
        def on_start(self, event: Any) -> None:
            _begin()

        def on_end(self, event: Any) -> None:
            _end()

    event.register("numba:compile", _Attendant())  # type: ignore[no-untyped-call]


_depth = 0
_has_told = False
_collects = False


def _begin() -> None:
    """Say why it takes long; and leave garbage alone, as looking for it would take a fifth of the time."""
    global _depth, _has_told, _collects
    if not _depth:
        _collects = gc.isenabled()
        gc.disable()
    _depth += 1
    if not _has_told:
        _has_told = True
        note("preparing the receiver for this computer (once for each job; up to a minute) ...")


def _end() -> None:
    global _depth
    _depth -= 1  # what a function calls is compiled while that is
    if not _depth and _collects:
        gc.enable()
