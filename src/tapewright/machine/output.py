"""A machine's output stage: port bits through resistors, a coupling capacitor, an attenuator.

The ideal waveform of a card becomes the staircase the port can make (`port_levels`), which is rendered
band-limited like any waveform, and then loses its slow parts in the capacitor (`coupled`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
import numpy.typing as npt

from tapewright.cards.machine import OutputStage
from tapewright.model import HALF, LEVEL, SILENCE, TONE, Samples, Wave

__all__ = ["coupled", "node_volts", "port_levels"]

FloatArray = npt.NDArray[np.float64]


def node_volts(stage: OutputStage) -> FloatArray:
    """Voltage at the node for every pattern of the port bits, from all zeros up.

    Millman's theorem: ``V = sum(b V / R) / (sum(1 / R) + 1 / load)``; behind a coupling capacitor the load
    does not pull the resting voltage down.

    Returns
    -------
    ndarray of float64, shape (2 ** bits,)

    Examples
    --------
    Two bits, 5 V, 10k and 20k, no load: 0, 1.6667, 3.3333 and 5 V.
    """
    conductance = 1.0 / np.array(stage.bit_ohms)
    count = len(conductance)
    patterns = (np.arange(2**count)[:, None] >> np.arange(count - 1, -1, -1)) & 1
    load = 0.0 if stage.coupling_farads else 1.0 / stage.load_ohms
    return np.asarray(stage.supply_volts * (patterns @ conductance) / (conductance.sum() + load))


def port_levels(waves: Iterable[Wave], stage: OutputStage) -> Iterator[Wave]:
    """Turn a waveform into the staircase nearest to it that the port bits can make.

    A sine becomes steps that change where it crosses half-way between two voltages; with one bit, a square
    wave. Silence is the resting pattern. Levels are volts above or below the middle of the port's range.
    """
    volts = node_volts(stage)
    steps = np.unique(np.round(volts, 9))
    middle = 0.5 * (steps[0] + steps[-1])
    steps = steps - middle
    half_range = steps[-1]
    rest = float(volts[stage.rest] - middle)
    for wave in waves:
        yield _staircase(wave, steps, half_range, rest)


def coupled(chunks: Iterable[Samples], stage: OutputStage, rate_hz: float) -> Iterator[Samples]:
    """Pass samples through the coupling capacitor and the attenuator.

    The capacitor sees the bit resistors in parallel and the load in series: a first-order high-pass of
    corner ``1 / (2 pi (R + load) C)``.
    """
    if stage.coupling_farads is None:
        for chunk in chunks:
            yield (stage.gain * chunk).astype(np.float32)
        return
    from scipy import signal  # late: it takes a second, and only those who write for a machine wait

    source = 1.0 / sum(1.0 / ohms for ohms in stage.bit_ohms)
    corner_hz = 1.0 / (2 * np.pi * (source + stage.load_ohms) * stage.coupling_farads)
    gain = stage.gain * stage.load_ohms / (source + stage.load_ohms)
    numerator, denominator = signal.butter(1, min(corner_hz, 0.45 * rate_hz), "highpass", fs=rate_hz)
    state: FloatArray | None = None
    for chunk in chunks:
        if state is None:  # the capacitor has long been charged to the resting level
            state = signal.lfilter_zi(numerator, denominator) * float(chunk[0])
        out, state = signal.lfilter(numerator, denominator, chunk, zi=state)
        yield (gain * out).astype(np.float32)


def _staircase(wave: Wave, steps: FloatArray, half_range: float, rest: float) -> Wave:
    """Levels only; tones are cut where they cross from one step to the next."""
    thresholds = 0.5 * (steps[1:] + steps[:-1]) / half_range  # of a sine of amplitude 1
    crossings = np.arcsin(np.clip(thresholds, -1, 1)) / (2 * np.pi)
    # through one turn from its lowest point: up over every threshold, and down again
    turn = np.sort(np.concatenate((crossings % 1.0, (0.5 - crossings) % 1.0)))
    tone = wave.kind == TONE
    turns = wave.seconds * wave.hertz
    count = np.ones(len(wave), np.int64)
    end = wave.phase + turns
    # crossings strictly inside each tone: those before its end less those up to its start
    if tone.any():
        count[tone] = (
            1 + _crossings_before(end[tone] - 1e-9, turn) - _crossings_before(wave.phase[tone] + 1e-9, turn)
        )
    owner = np.repeat(np.arange(len(wave)), count)
    number = np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)
    first = _crossings_before(wave.phase + 1e-9, turn)[owner] + number  # the crossing that ends this piece
    ends_at = np.where(number == count[owner] - 1, end[owner], turn[first % len(turn)] + first // len(turn))
    starts_at = np.where(
        number == 0, wave.phase[owner], turn[(first - 1) % len(turn)] + (first - 1) // len(turn)
    )
    is_tone = tone[owner]
    seconds = np.where(
        is_tone,
        (ends_at - starts_at) / np.where(wave.hertz[owner] > 0, wave.hertz[owner], 1.0),
        wave.seconds[owner],
    )
    ideal = np.where(is_tone, np.sin(np.pi * (starts_at + ends_at)), 0.0)
    half = wave.kind[owner] == HALF
    ideal = np.where(half, np.where(wave.phase[owner] < 0.5, 1.0, -1.0), ideal)
    ideal = np.where(wave.kind[owner] == LEVEL, wave.level[owner], ideal)
    nearest = np.abs(ideal[:, None] * half_range - steps[None, :]).argmin(axis=1)
    level = np.where(wave.kind[owner] == SILENCE, rest, steps[nearest])
    zeros = np.zeros(len(owner))
    return Wave(np.full(len(owner), LEVEL, np.int8), seconds, zeros, level, zeros)


def _crossings_before(phase: FloatArray, turn: FloatArray) -> npt.NDArray[np.int64]:
    """How many crossings lie in [0, phase)."""
    whole = np.floor(phase)
    return np.asarray(whole * len(turn) + np.searchsorted(turn, phase - whole), np.int64)
