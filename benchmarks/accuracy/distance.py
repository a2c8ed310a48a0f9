"""How close the closest two sequences of bits are, as recorded and after each impairment.

At little noise the error rate of the best receiver goes with the smallest distance between sequences that
begin and end alike, and with how many are as close: so it tells about where the bound is, not what it is.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
import numpy.typing as npt

from benchmarks.accuracy.genie import Genie
from benchmarks.accuracy.harm import UNHARMED, Harm

__all__ = ["smallest_distance"]

FloatArray = npt.NDArray[np.float64]
#: What a recording at 44.1 kHz carries: the writer's band-limited edges end there.
CARRIED_HZ = 0.46 * 44_100.0
#: Bits in the sequences compared, and in the one whose energy is measured.
LONGEST_EVENT, SAMPLE_BITS = 4, 600
#: Silence after each sequence, for the filters to ring out.
TAIL_SECONDS = 0.01


def smallest_distance(genie: Genie, harm: Harm = UNHARMED) -> float:
    """Smallest squared distance over twice the mean energy of a bit: 1 for orthogonal, equal bits."""
    rate = genie.per_unit / genie.unit_seconds
    best = math.inf
    for phase in range(len(genie.phases)):
        ways: dict[tuple[int, int], list[tuple[int, FloatArray]]] = {}
        for count in range(1, LONGEST_EVENT + 1):
            for bits in itertools.product((0, 1), repeat=count):
                wave, after, units = genie.wave(np.array(bits), phase)
                padded = np.concatenate((wave, np.zeros(round(TAIL_SECONDS * rate))))
                ways.setdefault((units, after), []).append((bits[0], _carried(harm(padded, rate), rate)))
        for alike in ways.values():
            waves = np.stack([wave for _, wave in alike])
            first = np.array([bit for bit, _ in alike])
            products = waves @ waves.T
            energy = np.diag(products)
            apart = energy[:, np.newaxis] + energy - 2 * products
            apart = apart[first[:, np.newaxis] != first]
            best = min(best, float(apart.min(initial=math.inf)))
    return best / (2 * _bit_energy(genie, harm, rate))


def _bit_energy(genie: Genie, harm: Harm, rate: float) -> float:
    bits = np.random.default_rng(1).integers(0, 2, SAMPLE_BITS)
    wave = _carried(harm(genie.wave(bits, 0)[0], rate), rate)
    edges = np.concatenate(([0], np.cumsum(genie.units[bits]))) * genie.per_unit
    if harm.leaves_mean:
        wave = wave - wave.mean()
    energy = np.add.reduceat(wave**2, edges[:-1])
    return float(np.mean([energy[bits == bit].mean() for bit in (0, 1)]))


def _carried(wave: FloatArray, rate: float) -> FloatArray:
    size = 1 << (2 * len(wave)).bit_length()
    spectrum = np.fft.rfft(wave, size)
    spectrum[np.fft.rfftfreq(size, 1 / rate) > CARRIED_HZ] = 0
    return np.asarray(np.fft.irfft(spectrum, size)[: len(wave)], np.float64)
