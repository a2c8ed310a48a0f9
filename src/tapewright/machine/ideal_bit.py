"""The input bit as it would be if signal, recorder and input stage were perfect.

From this a load routine's decisions are learnt (`loop.py`): a perfect tape goes through a perfect stage of
the machine's kind, and what the routine measures of each symbol is what it stands for.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
import numpy.typing as npt

from tapewright.cards import Alphabet
from tapewright.cards.machine_input import InputStage, OneShotInput, ToneDecoderInput
from tapewright.line import wave_of
from tapewright.model import LEVEL, SILENCE, TONE, TapePart, Wave

__all__ = ["ideal_bit", "is_inverting"]

FloatArray = npt.NDArray[np.float64]

#: Stages whose bit is 0 while their input is above the threshold, where the card says no more.
INVERTING = ("transistor", "inverter")
#: Phases this close, in half-turns, are the same: what a symbol leaves is a sum of binary fractions.
SAME_PHASE = 1e-6


def is_inverting(stage: InputStage) -> bool:
    """Whether the bit is 0 while the input is positive, or in a pulse, or while there is a tone."""
    return (stage.kind in INVERTING) != stage.is_inverted


def ideal_bit(
    parts: Iterable[TapePart], alphabet: Alphabet, stage: InputStage | None = None
) -> tuple[FloatArray, int]:
    """Give the edges a perfect input stage makes of a perfect tape.

    A comparator is 1 while the signal is above zero, and stays as it was in silence; a one-shot makes its
    pulse of every change of that; a tone decoder is 1 during tones it locks to.

    Parameters
    ----------
    parts : iterable of TapePart
        Of kinds ``symbols``, ``lead`` and ``gap``.
    alphabet : Alphabet
    stage : InputStage, optional
        Without it, a comparator.

    Returns
    -------
    seconds : ndarray of float64
        When the bit changes.
    first : int
        The bit before the first change.
    """
    waves = wave_of(parts, alphabet)
    first = int(stage is not None and is_inverting(stage))
    if isinstance(stage, ToneDecoderInput):
        return _changes(_tone_present(waves, stage)), first
    crossings = _changes(_sign(waves))
    if isinstance(stage, OneShotInput):
        return _pulses(crossings, stage.pulse_seconds), first
    return crossings, first


def _sign(waves: Iterable[Wave]) -> Iterator[tuple[float, bool]]:
    """When the signal is above or below zero, from when on; the same may come several times."""
    start = 0.0
    for wave in waves:
        for kind, seconds, hertz, level, phase in zip(
            wave.kind, wave.seconds, wave.hertz, wave.level, wave.phase, strict=True
        ):
            if kind == LEVEL:
                if level:
                    yield start, level > 0
            elif kind != SILENCE:
                half = int(np.floor(2 * phase + SAME_PHASE))
                yield start, half % 2 == 0
                if kind == TONE:
                    last = int(np.ceil(2 * (phase + hertz * seconds) - SAME_PHASE))
                    for number in range(half + 1, last):
                        yield start + (number / 2 - phase) / hertz, number % 2 == 0
            start += seconds


def _tone_present(waves: Iterable[Wave], stage: ToneDecoderInput) -> Iterator[tuple[float, bool]]:
    start = 0.0
    for wave in waves:
        near = (wave.kind != SILENCE) & (wave.kind != LEVEL)
        near &= np.abs(wave.hertz - stage.center_hz) <= stage.lock_hz
        for seconds, is_near in zip(wave.seconds, near, strict=True):
            yield start, bool(is_near)
            start += seconds
    yield start, False


def _changes(states: Iterable[tuple[float, bool]]) -> FloatArray:
    """Times at which a bit that is 0 at first changes."""
    before = False
    times = []
    for time, state in states:
        if state != before:
            times.append(time)
            before = state
    return np.array(times, np.float64)


def _pulses(crossings: FloatArray, seconds: float) -> FloatArray:
    """Rise at each crossing, fall when none has come for the length of a pulse."""
    if not len(crossings):
        return crossings
    is_last = np.append(np.diff(crossings) > seconds, True)
    is_first = np.append(True, is_last[:-1])
    return np.column_stack((crossings[is_first], crossings[is_last] + seconds)).ravel()
