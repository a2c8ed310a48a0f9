"""The best any receiver can do: one that is told level, noise, speed, phase and where the data begin.

It searches all sequences of 0 and 1 for the likeliest (Viterbi), with matched filters at exact places, on the
card's ideal waveforms, or on what a known impairment makes of them, in white noise. Simulated, so that no
bound has to be tight: codes whose symbols differ in length, carry the phase or the sign on, or sound on in
those that follow, have no closed formula.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from numba import njit
from scipy import signal

from benchmarks.accuracy.echoes import Echoes
from benchmarks.accuracy.harm import UNHARMED, Harm
from tapewright.cards import Alphabet, SymbolShape

__all__ = ["Genie"]

FloatArray = npt.NDArray[np.float64]
#: The waveform is averaged over this many points a sample.
FINENESS = 8


class Genie:
    """Simulates the informed receiver for one alphabet, and an impairment that it knows as well."""

    def __init__(self, alphabet: Alphabet, harm: Harm = UNHARMED) -> None:
        self.shapes = [alphabet.shapes[alphabet.names.index(bit)] for bit in "01"]
        lengths = [shape.seconds for shape in self.shapes]
        self.unit_seconds = _common(lengths)
        self.units = np.array([round(length / self.unit_seconds) for length in lengths])
        shortest = min(s.seconds for shape in self.shapes for s in shape.segments)
        highest = max(s.hertz for shape in self.shapes for s in shape.segments)
        square = any(s.kind in ("half", "level") for shape in self.shapes for s in shape.segments)
        self.per_unit = math.ceil(self.unit_seconds * max(16 * highest, (32 if square else 8) / shortest))
        self.phases, self.next_phase = self._reachable()
        step = self.unit_seconds / self.per_unit
        self.templates = [
            harm.bend(
                np.stack([_sampled(shape, phase, self.per_unit * units, step) for phase in self.phases])
            )
            for shape, units in zip(self.shapes, self.units, strict=True)
        ]
        self.harm = harm
        if harm.filters:
            self.sections = harm.sections(1.0 / step)
            self.echoes = Echoes.of(self.templates, self.sections, min(lengths))

    def wave(self, bits: npt.NDArray[np.int64], phase: int) -> tuple[FloatArray, int, int]:
        """Waveform of a sequence from a phase on, the phase after it, and its length in units."""
        pieces = []
        for bit in bits:
            pieces.append(self.templates[bit][phase])
            phase = int(self.next_phase[bit, phase])
        return np.concatenate(pieces), phase, int(self.units[bits].sum())

    def symbol_errors(
        self, eb_n0_db: float, count: int, rng: np.random.Generator
    ) -> tuple[npt.NDArray[np.int64], FloatArray, FloatArray, npt.NDArray[np.int64], FloatArray, FloatArray]:
        """Send random bits; returns them, their starts and ends in units, and the same as decided."""
        sent = rng.integers(0, 2, count)
        starts = np.concatenate(([0], np.cumsum(self.units[sent])))
        wave, _, _ = self.wave(sent, 0)
        if self.harm.filters:
            wave = signal.sosfilt(self.sections, wave)
        sigma = math.sqrt(self._bit_energy(wave, sent, starts) / 10 ** (eb_n0_db / 10) / 2)
        heard = wave + sigma * rng.standard_normal(len(wave))
        if self.harm.filters:
            decided, places = self.echoes.search(heard, self.units, self.next_phase)
        else:
            decided, places = self._matched(heard.astype(np.float32))
        total = int(starts[-1])
        ends = np.append(places[1:], total)
        return (
            sent,
            starts[:-1].astype(float),
            starts[1:].astype(float),
            decided,
            places.astype(float),
            ends.astype(float),
        )

    def _bit_energy(
        self, wave: FloatArray, sent: npt.NDArray[np.int64], starts: npt.NDArray[np.int64]
    ) -> float:
        """Mean energy received of a 0 and a 1, in samples."""
        if self.harm.leaves_mean:
            wave = wave - wave.mean()
        energy = np.add.reduceat(wave**2, starts[:-1] * self.per_unit)
        return float(np.mean([energy[sent == bit].mean() for bit in (0, 1)]))

    def _matched(self, heard: npt.NDArray[np.float32]) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
        """Return the likeliest bits and where they begin, by matched filters."""
        total = len(heard) // self.per_unit
        gain = np.full((2, total, len(self.phases)), -1e30, np.float32)
        for bit in (0, 1):
            width = self.units[bit] * self.per_unit
            rows = np.lib.stride_tricks.sliding_window_view(heard, width)[:: self.per_unit]
            template = self.templates[bit].astype(np.float32)
            gain[bit, : len(rows)] = rows @ template.T - 0.5 * np.sum(template**2, axis=1)
        return _viterbi(gain, self.units, self.next_phase)  # type: ignore[no-any-return]

    def _reachable(self) -> tuple[list[float], npt.NDArray[np.int64]]:
        phases, following = [0.0], []
        for phase in phases:  # grows while we look
            row = []
            for shape in self.shapes:
                after = _after(shape, phase)
                at = next(
                    (k for k, p in enumerate(phases) if abs((p - after + 0.5) % 1.0 - 0.5) < 1e-6), None
                )
                if at is None:
                    at = len(phases)
                    phases.append(after)
                row.append(at)
            following.append(row)
        return phases, np.array(following, np.int64).T.copy()


def _common(lengths: list[float]) -> float:
    a, b = max(lengths), min(lengths)
    while b > 1e-7:
        a, b = b, a % b if (a % b) < b - 1e-7 else 0.0
    return a


def _segment_phases(shape: SymbolShape, phase: float) -> tuple[list[float], float]:
    """Phase at which each segment begins, and after the last (the rule of `tapewright.cards.Segment`)."""
    phases = []
    for s in shape.segments:
        if s.kind == "half":
            phase = math.floor(2 * phase + 0.5) / 2
        phases.append(phase)
        if s.kind == "tone":
            phase += s.hertz * s.seconds
        elif s.kind == "half":
            phase += 0.5
        elif s.kind == "level" and s.level:
            phase = 0.5 if s.level > 0 else 0.0
        phase -= math.floor(phase + 1e-9)
    return phases, phase


def _after(shape: SymbolShape, phase: float) -> float:
    if shape.is_absolute:
        return 0.0
    return _segment_phases(shape, phase)[1]


def _sampled(shape: SymbolShape, phase: float, samples: int, step: float) -> FloatArray:
    seconds = (np.arange(samples * FINENESS) + 0.5) * step / FINENESS
    wave = np.zeros(len(seconds))
    start = 0.0
    for s, at in zip(shape.segments, _segment_phases(shape, phase)[0], strict=True):
        inside = (seconds >= start) & (seconds < start + s.seconds)
        if s.kind == "tone":
            wave[inside] = np.sin(2 * np.pi * (at + s.hertz * (seconds[inside] - start)))
        elif s.kind == "half":
            wave[inside] = 1.0 if at % 1.0 < 0.5 - 1e-9 else -1.0
        elif s.kind == "level":
            wave[inside] = s.level
        start += s.seconds
    return np.asarray(wave.reshape(samples, FINENESS).mean(axis=1), np.float64)


@njit(cache=True)
def _viterbi(gain, units, next_phase):  # type: ignore[no-untyped-def]
    total, states = gain.shape[1], gain.shape[2]
    score = np.full((total + 1, states), -1e30)
    came = np.full((total + 1, states), -1, np.int64)
    score[0, 0] = 0.0
    for u in range(total):
        for p in range(states):
            if score[u, p] <= -1e29:
                continue
            for bit in range(2):
                to = u + units[bit]
                if to > total:
                    continue
                q = next_phase[bit, p]
                value = score[u, p] + gain[bit, u, p]
                if value > score[to, q]:
                    score[to, q] = value
                    came[to, q] = 2 * (u * states + p) + bit
    state = np.argmax(score[total])
    bits = np.empty(total + 1, np.int64)
    places = np.empty(total + 1, np.int64)
    count, u = 0, total
    while u > 0:
        code = came[u, state]
        bits[count] = code & 1
        node = code >> 1
        u, state = node // states, node % states
        places[count] = u
        count += 1
    return bits[:count][::-1].copy(), places[:count][::-1].copy()
