"""A window of levels in marks of a dial, and the sentence that tells an owner where to set it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tapewright.machine.dial import Dial

__all__ = ["DialWindow", "advice"]

#: What a hand can set: tenths of a mark, and hundredths with patience.
TENTH, HUNDREDTH = 1, 2
#: A window farther out than this share of the measured marks is not worth a guess: chosen.
FARTHEST_SHARE = 0.5
#: Marks this close to a tenth are on it: many orders below what the curve is good for.
ON_IT = 1e-6


@dataclass(frozen=True)
class DialWindow:
    """Where on a dial a window of levels is.

    Parameters
    ----------
    low_mark, high_mark : float or None
        The marks between which the level is right, not rounded, and never past the ends of the dial; None
        where the dial does not reach the window, or nothing was measured near it.
    set_mark : float or None
        The mark to set, in the middle of the window's decibels as nearly as a hand can set it.
    uncertainty_marks : float or None
        How far the marks may be wrong, either way.
    is_narrow : bool
        Whether it is narrower than a tenth of a mark.
    is_beyond_measured : bool
        Whether an edge lies beyond the outermost marks that were measured.
    words : str
        The advice, one line without a full stop.
    """

    low_mark: float | None
    high_mark: float | None
    set_mark: float | None
    uncertainty_marks: float | None
    is_narrow: bool
    is_beyond_measured: bool
    words: str


def advice(dial: Dial, low_db: float, high_db: float) -> DialWindow:
    """Find a window on a dial and say where; called by `Dial.window`, which checks what it is given."""
    low, high = _marks(dial, low_db, high_db)
    is_open = math.isinf(low), math.isinf(high)
    first, last = dial.measured
    if dial.ends is not None:
        if low > dial.ends[1] or high < dial.ends[0]:
            end = dial.ends[1] if low > dial.ends[1] else dial.ends[0]
            return _no_window(_out_of_reach(dial, low_db, high_db, end), not first <= end <= last)
        low, high = max(low, dial.ends[0]), min(high, dial.ends[1])
    farthest = FARTHEST_SHARE * (last - first)
    if math.isfinite(low) and low > last + farthest:
        return _no_window(_not_measured(dial, low, "above"), True)
    if math.isfinite(high) and high < first - farthest:
        return _no_window(_not_measured(dial, high, "below"), True)
    # without known ends, an open edge ends where the measured marks do
    low = min(first, high) if math.isinf(low) else low
    high = max(last, low) if math.isinf(high) else high
    edges = [mark for mark, open_ in zip((low, high), is_open, strict=True) if not open_]
    return _told(dial, low, high, [mark for mark in edges if not first - ON_IT <= mark <= last + ON_IT])


def _marks(dial: Dial, low_db: float, high_db: float) -> tuple[float, float]:
    """Marks of both edges, the lower mark first, infinite where the window is open."""
    ends = [dial.mark_of(db) if math.isfinite(db) else math.inf for db in (low_db, high_db)]
    if dial.is_reversed:
        ends.reverse()
    return (-math.inf if math.isinf(ends[0]) else ends[0]), ends[1]


def _told(dial: Dial, low: float, high: float, beyond: list[float]) -> DialWindow:
    is_narrow = high - low < 0.1 - ON_IT
    places = HUNDREDTH if is_narrow else TENTH
    shown_low, shown_high = _up(low, places), _down(high, places)
    first, last = dial.measured
    middle = dial.mark_of(0.5 * (dial.level_db(low) + dial.level_db(high)))
    uncertainty = max(dial.uncertainty_marks(mark) for mark in beyond or [middle])
    if shown_low > shown_high:  # not even a hundredth of a mark lies inside
        words = (
            f"the window is at mark {middle:.3f} and narrower than a hundredth of a mark:"
            " no hand can set the dial so finely"
        )
        return DialWindow(low, high, None, uncertainty, True, bool(beyond), words)
    setting = min(max(round(middle, places), shown_low), shown_high)
    if shown_low == shown_high:
        words = f"load at mark {shown_low:.{places}f}"
        if not is_narrow:
            words += f", the one tenth between {_up(low, HUNDREDTH):.2f} and {_down(high, HUNDREDTH):.2f}"
    else:
        words = (
            f"load between marks {shown_low:.{places}f} and {shown_high:.{places}f}; set {setting:.{places}f}"
        )
    if is_narrow:
        words += "; the window is narrower than a tenth of a mark, so turn slowly"
    if beyond:
        which = "both are" if len(beyond) == 2 else "the lower is" if beyond[0] < first else "the higher is"
        words += (
            f"; {which} beyond the marks measured, {first:g} to {last:g},"
            f" and sure to {_spread(uncertainty)} only"
        )
    elif uncertainty > 0.5 * (high - low):
        words += f"; marks are sure to {_spread(uncertainty)} only, so try a little to either side as well"
    if dial.is_reversed:
        words += "; on this dial higher marks turn down"
    return DialWindow(low, high, setting, uncertainty, is_narrow, bool(beyond), words)


def _out_of_reach(dial: Dial, low_db: float, high_db: float, end: float) -> str:
    level = dial.level_db(end)
    how = f"{low_db - level:.1f} dB below" if level < low_db else f"{level - high_db:.1f} dB above"
    words = f"the dial does not reach the window: at mark {end:g}, where it ends, it is {how} it"
    first, last = dial.measured
    return words if first <= end <= last else f"{words}, to judge by marks {first:g} to {last:g}"


def _not_measured(dial: Dial, mark: float, side: str) -> str:
    first, last = dial.measured
    return (
        f"the window is somewhere {side} mark {mark:.0f}, far beyond the marks measured, {first:g} to"
        f" {last:g}; measure nearer to it first"
    )


def _no_window(words: str, is_beyond_measured: bool) -> DialWindow:
    return DialWindow(None, None, None, None, False, is_beyond_measured, words)


def _up(mark: float, places: int) -> float:
    """Round towards higher marks, so into a window from its lower edge."""
    return math.ceil((mark - ON_IT) * 10.0**places) / 10.0**places + 0.0


def _down(mark: float, places: int) -> float:
    return math.floor((mark + ON_IT) * 10.0**places) / 10.0**places + 0.0


def _spread(marks: float) -> str:
    return f"±{max(marks, 0.1):.1f}"
