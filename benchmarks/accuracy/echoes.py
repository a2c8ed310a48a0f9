"""Viterbi's search where filters make every symbol sound on in those after it.

Each survivor has the state of the filters that its own symbols have led to, so that no echo is too long.
Which symbols came last is part of the node: survivors that differ only in them would otherwise displace each
other while that still sounds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit
from scipy import signal

__all__ = ["Echoes"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
#: Nodes tell apart what was sent within this time.
TOLD_APART_SECONDS = 1e-3


@dataclass(frozen=True, eq=False)
class Echoes:
    """Filters in states of small numbers.

    Parameters
    ----------
    forced, forced_after : ndarray, shapes (2, phases, longest) and (2, phases, numbers)
        What a bit sounds like from filters at rest, and the state it leaves.
    ringing : ndarray, shape (numbers, longest)
        How each number of the state goes on to sound by itself.
    ringing_after : ndarray, shape (2, numbers, numbers)
        What becomes of it in a bit's time.
    width : ndarray of int64, shape (2,)
        Samples of a bit.
    last : int
        Bits that nodes tell apart.
    """

    forced: FloatArray
    forced_after: FloatArray
    ringing: FloatArray
    ringing_after: FloatArray
    width: IntArray
    last: int

    @classmethod
    def of(cls, templates: list[FloatArray], sections: FloatArray, shortest_seconds: float) -> Echoes:
        """Work out what filters make of templates, one array of shape (phases, samples) a bit."""
        width = np.array([wave.shape[1] for wave in templates])
        longest, phases, numbers = int(width.max()), len(templates[0]), 2 * len(sections)
        forced = np.zeros((2, phases, longest))
        forced_after = np.zeros((2, phases, numbers))
        ringing = np.zeros((numbers, longest))
        ringing_after = np.zeros((2, numbers, numbers))
        for bit, waves in enumerate(templates):
            for phase, wave in enumerate(waves):
                rest = np.zeros((len(sections), 2))
                forced[bit, phase, : width[bit]], after = signal.sosfilt(sections, wave, zi=rest)
                forced_after[bit, phase] = after.ravel()
            for k, one in enumerate(np.eye(numbers)):
                sound, after = signal.sosfilt(sections, np.zeros(width[bit]), zi=one.reshape(-1, 2))
                ringing[k, : width[bit]] = sound
                ringing_after[bit, k] = after.ravel()
            if width[bit] == longest:
                longest_ringing = ringing.copy()
        last = math.ceil(TOLD_APART_SECONDS / shortest_seconds)
        return cls(forced, forced_after, longest_ringing, ringing_after, width, last)

    def search(self, heard: FloatArray, units: IntArray, next_phase: IntArray) -> tuple[IntArray, IntArray]:
        """Return the likeliest bits, and where they begin in units."""
        per_unit = int(self.width[0] // units[0])
        return _search(
            heard, len(heard) // per_unit, per_unit, units, next_phase, self.forced, self.forced_after,
            self.ringing, self.ringing_after, self.width, self.last,
        )  # fmt: skip


@njit(cache=True, fastmath=True)
def _search(  # type: ignore[no-untyped-def]
    heard, total, per_unit, units, next_phase, forced, forced_after, ringing, ringing_after, width, last
):
    phases, numbers, pasts = forced.shape[1], ringing.shape[0], 1 << last
    ring = units.max() + 1
    score = np.full((ring, phases, pasts), -1e30)
    filters = np.zeros((ring, phases, pasts, numbers))
    came = np.full((total + 1, phases, pasts), -1, np.int64)
    score[0, 0, 0] = 0.0
    expected = np.empty(forced.shape[2])
    for u in range(total):
        here = u % ring
        for p in range(phases):
            for past in range(pasts):
                if score[here, p, past] <= -1e29:
                    continue
                state = filters[here, p, past]
                for bit in range(2):
                    if u + units[bit] > total:
                        continue
                    expected[:] = forced[bit, p]
                    for k in range(numbers):
                        if state[k] != 0.0:
                            for t in range(width[bit]):
                                expected[t] += state[k] * ringing[k, t]
                    value = 0.0
                    for t in range(width[bit]):
                        value += expected[t] * (heard[u * per_unit + t] - 0.5 * expected[t])
                    value += score[here, p, past]
                    to, q = (u + units[bit]) % ring, next_phase[bit, p]
                    then = (2 * past + bit) % pasts
                    if value > score[to, q, then]:
                        score[to, q, then] = value
                        came[u + units[bit], q, then] = (u * phases + p) * pasts + past
                        for k in range(numbers):
                            filters[to, q, then, k] = forced_after[bit, p, k]
                            for j in range(numbers):
                                filters[to, q, then, k] += state[j] * ringing_after[bit, j, k]
        score[here] = -1e30
    ends = score[total % ring]
    node = (total * phases + ends.argmax() // pasts) * pasts + ends.argmax() % pasts
    bits = np.empty(total, np.int64)
    places = np.empty(total, np.int64)
    count = 0
    while node >= phases * pasts:
        bits[count] = node % 2
        u = node // (phases * pasts)
        node = came[u, node // pasts % phases, node % pasts]
        places[count] = node // (phases * pasts)
        count += 1
    return bits[:count][::-1].copy(), places[:count][::-1].copy()
