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
    """The tone decoders of several levels, fed piece by piece, and the coupling before them.

    Parameters
    ----------
    tone : ToneDecoderInput
    gains : ndarray of float64, shape (lanes,)
        What each makes of a change of the source's voltage, at once ...
    keeps : float
        ... and the share of its input voltage that is left a sample later: less than 1 behind a capacitor.
    rate_hz : float
    """

    def __init__(self, tone: ToneDecoderInput, gains: FloatArray, keeps: float, rate_hz: float) -> None:
        lock = lock_level(tone.least_volts)
        self._gains = gains / LIMIT_VOLTS
        self._constants = np.array(
            [
                keeps,
                tone.center_hz / rate_hz,
                tone.lock_hz / rate_hz,
                -math.expm1(-1.0 / (tone.loop_seconds * rate_hz)),
                -math.expm1(-1.0 / (tone.lock_seconds * rate_hz)),
                lock,
                LET_GO * lock,
            ]
        )
        #: source volts, input voltage over the limiter's, phase in turns, loop filter, lock filter, locked
        self._state = np.zeros((len(gains), 6))

    def feed(
        self,
        emf: npt.NDArray[np.float32],
        fed: int,
        when: FloatArray,
        count: npt.NDArray[np.int64],
    ) -> None:
        """Go through the source's voltages.

        The first is sample `fed`. `when` is filled with the changes of each lane, in samples, and `count`
        with how many there are; each row needs as much room as there are voltages.
        """
        for lane, gain in enumerate(self._gains):
            count[lane] = _follow(emf, fed, gain, self._constants, self._state[lane], when[lane])


# nothing here is ever infinite or no number: the simulator refuses such voltages
@njit(cache=True, nogil=True, fastmath={"contract", "nnan", "ninf", "nsz"})
def _follow(emf, fed, gain, constants, state, when):  # type: ignore[no-untyped-def]
    keeps, center, span, loop_share, lock_share, lock, let_go = constants
    last, volts, phase, loop, level = state[0], state[1], state[2], state[3], state[4]
    is_locked = state[5] > 0
    # a triangle, steepened until its edges are a sample wide, is a square wave averaged over the sample
    steep = 0.5 / center
    count = 0
    for sample in range(len(emf)):
        now = np.float64(emf[sample])
        volts = keeps * volts + gain * (now - last)
        last = now
        x = min(max(volts, -1.0), 1.0)
        turns = center + span * min(max(loop, -1.0), 1.0)
        # the phase is between -1/2 and 1/2
        apart = 4.0 * abs(phase)
        cosine = steep * (1.0 - apart)
        sine = math.copysign(steep * min(apart, 2.0 - apart), phase)
        in_phase = min(max(sine, -1.0), 1.0)
        quadrature = min(max(cosine, -1.0), 1.0)
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
        phase -= math.floor(phase + 0.5)
    state[0], state[1], state[2], state[3], state[4] = last, volts, phase, loop, level
    state[5] = 1.0 if is_locked else 0.0
    return count
