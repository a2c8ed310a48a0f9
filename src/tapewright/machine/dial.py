"""Dials of a recorder: from marks to levels and back, how sure that is, and the advice in marks.

Measured points are joined by a curve that never turns back between them (PCHIP). How sure it is:

- *At a measured mark*: as the points measured several times scatter, 0.5 dB where none was.
- *Between two*: that, and a share of what the level changes by from the nearer of them, along their chord.
  The share is 1/20 for each dB between the two, so a quarter where they are 5 dB apart: what a smooth curve
  may hide grows with the square of the gap.
- *Beyond the outermost*: the curve goes straight on at its end slope, and may be off by as much again as it
  changes by from there, and more as it goes farther: times 1 + distance / span of the marks measured.

The shares were chosen so that common tapers (linear, logarithmic, two straight pieces), measured at every
mark, stay within them, and up to half a mark beyond; tests/unit/machine/test_dial.py holds them to that.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from tapewright.cards.rig import Direction, RigCard, decibels, dial_problem, in_decibels, in_hertz
from tapewright.machine.dial_words import DialWindow, advice
from tapewright.model import UsageError

__all__ = ["Dial", "eye_dial", "tone_dial", "volume_dial"]

#: Scatter of one measurement in dB where no mark was measured twice: chosen, about what setting a dial by eye
#: to a tenth of a mark costs where it changes by 5 dB a mark.
UNREPEATED_DB = 0.5
#: The least scatter believed of points measured several times: chosen, a few measurements may agree by luck.
LEAST_SCATTER_DB = 0.2
#: Share of the change of level from the nearest point: for each dB of the gap between two, and beyond them.
INSIDE_SHARE_PER_DB, BEYOND_SHARE = 1 / 20, 1.0
#: A curve may end flat though its last two points differ; beyond, it has this share of their slope at least.
LEAST_END_SHARE = 0.5
#: Peak of a sine over its rms value, sqrt 2 by definition.
PEAK_OVER_RMS_DB = decibels(math.sqrt(2.0))


class Dial:
    """A dial as measured: a curve through points, straight on beyond them.

    Parameters
    ----------
    marks, levels_db : sequence of float, as long as each other
        Measured points in any order; a mark may occur several times.
    direction : {"up", "down"}, optional
        Whether levels rise or fall as marks rise; the points tell, if left out.
    ends : (float, float), optional
        Lowest and highest mark the dial can be turned to.
    shown : callable, optional
        How a level is written in errors; "-12.0 dB" by default.

    Raises
    ------
    UsageError
        If the points are no dial: fewer than two marks, a number that is not finite, one mark measured with
        levels more than 1.5 dB apart, or levels that do not go one way.

    References
    ----------
    F. N. Fritsch and J. Butland, SIAM Journal on Scientific and Statistical Computing 5 (1984): the slopes
    that keep a cubic monotone, as scipy's `PchipInterpolator` documents them.

    Examples
    --------
    >>> dial = Dial([1, 2, 3], [-40.0, -30.0, -24.0])
    >>> dial.level_db(2), round(dial.mark_of(-27.0), 2), dial.is_reversed
    (-30.0, 2.43, False)
    """

    def __init__(
        self,
        marks: Sequence[float],
        levels_db: Sequence[float],
        *,
        direction: Direction | None = None,
        ends: tuple[float, float] | None = None,
        shown: Callable[[float], str] = in_decibels,
    ) -> None:
        from scipy.interpolate import PchipInterpolator  # late: it takes a moment, and few commands need it

        if len(marks) != len(levels_db):
            raise UsageError(
                f"a dial has {len(marks)} marks but {len(levels_db)} levels; give one level a mark"
            )
        problem = dial_problem(marks, levels_db, direction, shown=shown)
        if problem is not None:
            raise UsageError(f"dial: {problem}")
        if ends is not None and not -math.inf < ends[0] < ends[1] < math.inf:
            raise UsageError(f"a dial cannot end at {ends[0]:g} and {ends[1]:g}; give the lower mark first")
        self.ends = ends
        self._marks, self._levels_db = list(marks), list(levels_db)
        self._direction, self._shown = direction, shown
        self._x, which = np.unique(np.asarray(marks, np.float64), return_inverse=True)
        levels = np.asarray(levels_db, np.float64)
        counts = np.bincount(which)
        means = np.bincount(which, levels) / counts
        self.is_reversed = bool(means[-1] < means[0])
        self._sign = -1.0 if self.is_reversed else 1.0
        self._y = self._sign * means
        self._curve = PchipInterpolator(self._x, self._y)
        chords = np.diff(self._y) / np.diff(self._x)
        slopes = self._curve.derivative()(self._x[[0, -1]])
        self._end_slopes = np.maximum(slopes, LEAST_END_SHARE * chords[[0, -1]])
        self._chords = chords
        repeats = int(len(levels) - len(self._x))
        scatter = (
            math.sqrt(float(np.sum((levels - means[which]) ** 2)) / repeats) if repeats else UNREPEATED_DB
        )
        self.scatter_db = max(scatter, LEAST_SCATTER_DB)

    @property
    def measured(self) -> tuple[float, float]:
        """Lowest and highest mark that was measured."""
        return float(self._x[0]), float(self._x[-1])

    def level_db(self, mark: float) -> float:
        """Level at a mark.

        Raises
        ------
        UsageError
            If the mark is not a finite number.
        """
        return self._sign * self._rising(_finite(mark, "mark"))

    def mark_of(self, level_db: float) -> float:
        """Mark at which the level is so; the inverse of `level_db`, also beyond the measured marks."""
        from scipy.optimize import brentq

        wanted = self._sign * _finite(level_db, "level")
        if wanted <= self._y[0]:
            return float(self._x[0] + (wanted - self._y[0]) / self._end_slopes[0])
        if wanted >= self._y[-1]:
            return float(self._x[-1] + (wanted - self._y[-1]) / self._end_slopes[1])
        gap = int(np.searchsorted(self._y, wanted, "right")) - 1
        return float(
            brentq(lambda mark: self._rising(mark) - wanted, self._x[gap], self._x[gap + 1], xtol=1e-9)
        )

    def uncertainty_db(self, mark: float) -> float:
        """How far the level at a mark may be from the curve, either way; the module says how it is found."""
        slope = self._slope(_finite(mark, "mark"))
        low, high = self.measured
        if low <= mark <= high:
            gap = self._gap(mark)
            share = min(1.0, INSIDE_SHARE_PER_DB * float(self._y[gap + 1] - self._y[gap]))
            distance = float(np.min(np.abs(self._x - mark)))
        else:
            distance = low - mark if mark < low else mark - high
            share = BEYOND_SHARE * (1.0 + distance / (high - low))
        return self.scatter_db + share * slope * distance

    def uncertainty_marks(self, mark: float) -> float:
        """The same in marks: by how much the mark for a wanted level may be wrong."""
        return self.uncertainty_db(mark) / self._slope(_finite(mark, "mark"))

    def window(self, low_db: float, high_db: float) -> DialWindow:
        """Turn a window of levels into marks and a sentence.

        Parameters
        ----------
        low_db, high_db : float
            Quietest and loudest level that will do; infinite where there is no such limit.

        Raises
        ------
        UsageError
            If they are not numbers, or in the wrong order.
        """
        if not low_db <= high_db or math.inf in (low_db, -high_db):
            raise UsageError(f"a window cannot reach from {low_db:g} to {high_db:g} dB; give the lower first")
        return advice(self, low_db, high_db)

    def words(self, low_db: float, high_db: float) -> str:
        """Say a window in marks: "load between marks 2.6 and 2.9; set 2.7"."""
        return self.window(low_db, high_db).words

    def shifted(self, by_db: float) -> Dial:
        """Return the same dial with every level higher by so many decibels."""
        by_db = _finite(by_db, "change")
        return Dial(
            self._marks,
            [level + by_db for level in self._levels_db],
            direction=self._direction,
            ends=self.ends,
            shown=self._shown,
        )

    def _rising(self, mark: float) -> float:
        """Level at a mark, turned over where the dial falls."""
        if mark <= self._x[0]:
            return float(self._y[0] - (self._x[0] - mark) * self._end_slopes[0])
        if mark >= self._x[-1]:
            return float(self._y[-1] + (mark - self._x[-1]) * self._end_slopes[1])
        return float(self._curve(mark))

    def _slope(self, mark: float) -> float:
        """Change of level a mark: along the chord inside, of the straight line beyond; above 0."""
        if mark < self._x[0]:
            return float(self._end_slopes[0])
        if mark > self._x[-1]:
            return float(self._end_slopes[1])
        return float(self._chords[self._gap(mark)])

    def _gap(self, mark: float) -> int:
        """Which gap between two measured marks a mark lies in."""
        return min(int(np.searchsorted(self._x, mark, "right")) - 1, len(self._chords) - 1)


def volume_dial(rig: RigCard) -> Dial:
    """Make the volume dial of a rig, in the card's own dB: the level of the test tone as it was heard.

    Raises
    ------
    UsageError
        If the points are no dial, which a loaded card has made sure of.
    """
    scale = rig.volume
    return Dial(
        [point.mark for point in scale.points],
        scale.levels_db,
        direction=scale.direction,
        ends=_ends(scale.ends),
    )


def eye_dial(rig: RigCard, program_dbfs: float | None = None) -> Dial:
    """Make the volume dial of a rig in the machine's terms: peak of the program's tone, in dB over 1 V.

    That is the level at the ear socket with nothing connected, the scale of `WindowMap.levels_db`. What the
    meter showed with a load on it is brought to none by the divider of source and load.

    Parameters
    ----------
    rig : RigCard
    program_dbfs : float, optional
        Peak of the program's tone in the file that was recorded (or is played directly), in dB below full
        scale; as loud as the test tone, if left out. A recorder with an automatic level control makes them
        equally loud whatever the files were: leave it out then.

    Raises
    ------
    UsageError
        If no point of the card has a meter reading, so that no volts are known.
    """
    volts = rig.volume.volts_at_zero_db
    if volts is None:
        raise UsageError(
            f"the rig '{rig.name}' has levels only, so its volts are not known; read a meter at one mark of"
            " the volume dial and add millivolts to that point"
        )
    unloaded = 1.0 if rig.ear is None else rig.ear.unloaded_ratio
    louder_db = 0.0 if program_dbfs is None else _finite(program_dbfs, "level") - rig.volume.tone_dbfs
    return volume_dial(rig).shifted(decibels(volts * unloaded) + PEAK_OVER_RMS_DB + louder_db)


def tone_dial(rig: RigCard) -> Dial | None:
    """Make the tone dial of a rig, its levels ``20 log10`` of the corner in Hz; None where it has none.

    Far above its corner a first-order low-pass passes ``corner / f``, so these decibels are those by which
    treble changes. ``10 ** (dial.level_db(mark) / 20)`` is the corner.
    """
    scale = rig.tone
    if scale is None:
        return None
    return Dial(
        [point.mark for point in scale.points],
        [decibels(point.corner) for point in scale.points],
        direction=scale.direction,
        ends=_ends(scale.ends),
        shown=in_hertz,
    )


def _ends(ends: list[float] | None) -> tuple[float, float] | None:
    return None if ends is None else (ends[0], ends[1])


def _finite(number: float, noun: str) -> float:
    if not math.isfinite(number):
        raise UsageError(f"{number} is no {noun} of a dial; give a finite number")
    return float(number)
