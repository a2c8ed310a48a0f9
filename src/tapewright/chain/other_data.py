"""Whether a recording holds more than the format it was read with: a note, so that nothing is overlooked."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tapewright.model import GAP, Fault, Reading, Span

__all__ = ["OTHER_DATA", "other_data"]

#: The kind of fault where a recording seems to hold data that are not in the program.
OTHER_DATA = "other-data"
#: So many seconds that sound like data are more than a moment of music (chosen).
LEAST_SECONDS = 3.0
#: A second in which a format hears its own idle tone, and hardly anything else, holds no other.
HEARD_SHARE, SAME_SHARE = 0.5, 0.95


def other_data(likely_data: Sequence[Span], reading: Reading) -> tuple[Fault, ...]:
    """Say how many seconds outside the blocks of a reading sound like data all the same."""
    begins = np.array([block.span.start_seconds for block in reading.blocks])
    ends = np.array([block.span.end_seconds for block in reading.blocks])

    def is_in_a_block(second: Span) -> bool:
        return bool(np.any((second.start_seconds < ends) & (begins < second.end_seconds)))

    left = [
        second for second in likely_data if not is_in_a_block(second) and not _is_own_idle(second, reading)
    ]
    seconds = sum(span.seconds for span in left)
    if not reading.blocks or seconds < LEAST_SECONDS:
        return ()
    text = (
        f"{seconds:.0f} s of the recording, between {left[0].start_seconds:.0f} and"
        f" {left[-1].end_seconds:.0f} s, sound like data too, and no {reading.format} block is there:"
        " it may be a program of another format"
    )
    return (Fault(OTHER_DATA, text, remedy="cut that part out and read it by itself"),)


def _is_own_idle(second: Span, reading: Reading) -> bool:
    symbols = reading.symbols
    first, last = np.searchsorted(symbols.start_seconds, (second.start_seconds, second.end_seconds))
    index = symbols.index[first:last]
    lengths = (symbols.end_seconds - symbols.start_seconds)[first:last]
    heard = index != GAP
    total = float(lengths[heard].sum())
    if total < HEARD_SHARE * second.seconds:
        return False
    most = max(float(lengths[index == name].sum()) for name in np.unique(index[heard]))
    return most >= SAME_SHARE * total
