"""What the calibration steps are: their levels, and when each burst of tone begins."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

from tapewright.model import UsageError

__all__ = ["Burst", "CalibrationPlan"]

#: The marks' frequency over the tone's: no harmonic of it, and out of its reach at a speed 10 % wrong.
MARK_RATIO = 1.5
MOST_STEPS = 64
_SILENCE_SECONDS = 1.0
#: Levels of the beeps of both marks, the start mark's over the first step's and the end mark's over the last.
#: The gaps of the start mark differ, so that it fits itself in one place only.
_START_DB, _START_SECONDS, _START_GAPS = (-24.0, -18.0, -12.0, -6.0, 0.0), 0.25, (0.1, 0.25, 0.4, 0.15, 0.0)
_END_DB, _END_SECONDS, _END_GAP_SECONDS = (0.0, 0.0), 0.6, 0.2


@dataclass(frozen=True)
class Burst:
    """A burst of tone.

    Parameters
    ----------
    start_seconds, seconds : float
    hertz : float
    level_db : float
        Its peak, over the plan's `tone_dbfs`.
    step : int
        Number of the step, from 1; 0 for the start mark and -1 for the end mark.
    """

    start_seconds: float
    seconds: float
    hertz: float
    level_db: float
    step: int


@dataclass(frozen=True, kw_only=True)
class CalibrationPlan:
    """Level steps, one for each setting of the dial that is to be measured.

    Parameters
    ----------
    steps_db : tuple of float
        Level of each step, 0 or less. All zero for a recorder with an automatic level control, which would
        even out anything else.
    tone_hz : float
        1035 Hz by default: a meter still reads it right, and it lies midway between harmonics of both mains
        frequencies (1000 and 1050, 1020 and 1080 Hz).
    tone_dbfs : float
        Peak of a step of 0 dB, in dB below full scale.
    step_seconds : float
        Length of a step, long enough to read a meter.
    pause_seconds : float
        Before each step, to turn the dial in.

    Raises
    ------
    UsageError
        If a setting is out of its range; the message names it.
    """

    steps_db: tuple[float, ...]
    tone_hz: float = 1035.0
    tone_dbfs: float = -12.0
    step_seconds: float = 4.0
    pause_seconds: float = 4.0

    def __post_init__(self) -> None:
        if not 2 <= len(self.steps_db) <= MOST_STEPS:
            raise UsageError(f"there are {len(self.steps_db)} level steps; give 2 to {MOST_STEPS}")
        for number, level in enumerate(self.steps_db, 1):
            if not -60.0 <= level <= 0.0:
                raise UsageError(f"step {number} is {level:g} dB; give levels from -60 to 0 dB")
        for name, low, high, unit in (
            ("tone_hz", 200.0, 4000.0, "Hz"),
            ("tone_dbfs", -60.0, 0.0, "dB"),
            ("step_seconds", 1.0, 30.0, "s"),
            ("pause_seconds", 1.0, 60.0, "s"),
        ):
            value = getattr(self, name)
            if not low <= value <= high:
                raise UsageError(f"{name} is {value:g} {unit}; give {low:g} to {high:g}")

    @property
    def mark_hz(self) -> float:
        """Frequency of the start and end marks."""
        return MARK_RATIO * self.tone_hz

    @cached_property
    def bursts(self) -> tuple[Burst, ...]:
        """All bursts in order of time: start mark, steps, end mark."""
        bursts = []
        now = _SILENCE_SECONDS
        for level, gap in zip(_START_DB, _START_GAPS, strict=True):
            bursts.append(Burst(now, _START_SECONDS, self.mark_hz, self.steps_db[0] + level, 0))
            now += _START_SECONDS + gap
        for number, level in enumerate(self.steps_db, 1):
            now += self.pause_seconds
            bursts.append(Burst(now, self.step_seconds, self.tone_hz, level, number))
            now += self.step_seconds
        now += _SILENCE_SECONDS
        for level in _END_DB:
            bursts.append(Burst(now, _END_SECONDS, self.mark_hz, self.steps_db[-1] + level, -1))
            now += _END_SECONDS + _END_GAP_SECONDS
        return tuple(bursts)

    @property
    def seconds(self) -> float:
        """Length of the whole, with a second of silence at either end."""
        last = self.bursts[-1]
        return math.fsum((last.start_seconds, last.seconds, _SILENCE_SECONDS))

    def steps(self) -> tuple[Burst, ...]:
        """Return the steps alone."""
        return tuple(burst for burst in self.bursts if burst.step > 0)

    def mark(self, step: int) -> tuple[Burst, ...]:
        """Return the beeps of the start mark (0) or the end mark (-1)."""
        return tuple(burst for burst in self.bursts if burst.step == step)
