"""A phase-locked tone decoder: from the voltage at its input to whether a tone is there.

A second-order loop in its textbook form: a limiter, a phase detector that multiplies with the oscillator's
square wave, a loop filter of one pole, an oscillator that follows it; and a second multiplier a quarter
turn on, whose filtered output says "locked" when it is high enough. The oscillator's square wave is averaged
over each sample, so that its edges fall between samples.

Left out: drift of the oscillator, offsets of the detectors, whatever a real limiter does below its noise, and
charging up after power-up.

References
----------
F. M. Gardner, Phaselock Techniques, 1966 (second-order loop, hold range, quadrature lock detector).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from numba import njit

from tapewright.cards.machine_input import ToneDecoderInput

__all__ = ["LIMIT_VOLTS", "ToneLoop", "lock_level"]

FloatArray = npt.NDArray[np.float64]

#: The limiter is straight up to here: above about 200 mV rms such circuits no longer care for the level
#: (common practice).
LIMIT_VOLTS = 0.2
#: The lock detector lets go at this share of what it locks at, so that it does not chatter (chosen).
LET_GO = 0.8


def lock_level(least_volts: float) -> float:
    """Give what the lock detector's filter holds for the weakest tone (peak volts), in tune: where it locks.

    The mean of a limited sine, rectified: ``2 a / (pi LIMIT_VOLTS)`` below the limit.
    """
    turn = (np.arange(4096) + 0.5) * (math.pi / 4096)
    return float(np.minimum(least_volts / LIMIT_VOLTS * np.sin(turn), 1.0).mean())


class ToneLoop:
    """The tone decoders of several levels, fed piece by piece.

    Parameters
    ----------
    tone : ToneDecoderInput
    lanes : int
    rate_hz : float
    """

    def __init__(self, tone: ToneDecoderInput, lanes: int, rate_hz: float) -> None:
        lock = lock_level(tone.least_volts)
        self._constants = np.array(
            [
                tone.center_hz / rate_hz,
                tone.lock_hz / rate_hz,
                -math.expm1(-1.0 / (tone.loop_seconds * rate_hz)),
                -math.expm1(-1.0 / (tone.lock_seconds * rate_hz)),
                1.0 / LIMIT_VOLTS,
                lock,
                LET_GO * lock,
            ]
        )
        #: phase in turns, loop filter, lock filter, locked
        self._state = np.zeros((lanes, 4))

    def feed(self, lane: int, volts: FloatArray, fed: int, when: FloatArray) -> int:
        """Go through the voltages of one lane and count the changes.

        `when` is filled with them, in samples, where the first of `volts` is sample `fed`; it needs as much
        room as there are voltages.
        """
        return int(_follow(volts, fed, self._constants, self._state[lane], when))


@njit(cache=True, nogil=True)
def _follow(volts, fed, constants, state, when):  # type: ignore[no-untyped-def]
    center, span, loop_share, lock_share, per_limit, lock, let_go = constants
    phase, loop, level = state[0], state[1], state[2]
    is_locked = state[3] > 0
    count = 0
    for sample in range(len(volts)):
        x = min(max(volts[sample] * per_limit, -1.0), 1.0)
        turns = center + span * min(max(loop, -1.0), 1.0)
        # a triangle, steepened until its edges are a sample wide, is a square wave averaged over the sample
        steep = 0.5 / turns
        quarter = phase + 0.25
        quarter -= math.floor(quarter)
        in_phase = min(max(steep * (1.0 - 4.0 * abs(quarter - 0.5)), -1.0), 1.0)  # as a sine
        half = phase + 0.5
        half -= math.floor(half)
        quadrature = min(max(steep * (1.0 - 4.0 * abs(half - 0.5)), -1.0), 1.0)  # as a cosine
        # sin(w t + e) times cos(w t) is half of sin e, upwards: late phase, faster oscillator
        loop += loop_share * (x * quadrature - loop)
        before = level
        level += lock_share * (x * in_phase - level)
        if is_locked:
            if level < let_go:
                is_locked = False
                when[count] = (fed + sample) - (let_go - level) / (before - level)
                count += 1
        elif level > lock:
            is_locked = True
            when[count] = (fed + sample) - (level - lock) / (level - before)
            count += 1
        phase += turns
        phase -= math.floor(phase)
    state[0], state[1], state[2] = phase, loop, level
    state[3] = 1.0 if is_locked else 0.0
    return count
