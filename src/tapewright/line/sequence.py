"""The second pass' search: the likeliest sequence of symbols on the even grid, and how likely every other is.

The clock is known, so a symbol that starts at n ends at n + its length: what is left open is which symbols,
and nothing else. A node is a grid sample, the symbol before (whose echo is in what follows) and the phase.
Forward and backward sums over all paths give each symbol's posterior (Bahl, Cocke, Jelinek and Raviv, IEEE
Trans. Information Theory 20, 1974, for symbols of different lengths).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from tapewright.compiled import inlined, summing_kernel

__all__ = ["search_sequence"]

F8 = npt.NDArray[np.float64]
F4 = npt.NDArray[np.float32]
I8 = npt.NDArray[np.int64]
I4 = npt.NDArray[np.int32]

_DEAD = -1e30
#: Paths less likely than this (a natural log) are not heard in what is expected.
_UNLIKELY = math.log(1e-3)
#: Nodes kept of one stretch at most; beyond that the beam has failed to keep the search narrow.
_MOST_NODES = 6_000_000


class _Room(NamedTuple):
    """Room for a search.

    For each node: where it is, its state, the sum over all paths to it, the best one, and where that comes
    from; its ways on, by symbol and layer; the nodes in the order they are looked at; by how much their
    sequences differ from what is expected; the sum over all paths from there to the end, and by symbol.
    For each grid sample: what noise leaves up to there, and the sum of what is expected.
    For each place that symbols may end at next, round and round: nodes that wait there by state, how many,
    and the best score of them. For one node: how each symbol fits, and by how much it differs.
    """

    at: I4
    state: I4
    total: F8
    best: F8
    came: I4
    by: npt.NDArray[np.int8]
    onto: I4
    gain: F8
    order: I4
    lean: F8
    ahead: F8
    through: F8
    due: F8
    due_sum: F8
    pending: npt.NDArray[np.int64]
    waiting: npt.NDArray[np.int64]
    top: F8
    fit: F8
    apart: F8

    @classmethod
    def empty(cls, samples: int, step: int, longest: int, symbols: int, phases: int, layers: int) -> _Room:
        """Make room for a stretch; numbers are small, as new memory is a quarter of the time."""
        states, ring = (symbols + 1) * phases * layers, longest + 1
        room = min((samples // step + 2) * states, _MOST_NODES)
        ways = (room, symbols, layers)
        return cls(
            np.empty(room, np.int32), np.empty(room, np.int32), np.empty(room), np.empty(room),
            np.empty(room, np.int32), np.empty(room, np.int8), np.empty(ways, np.int32), np.empty(ways),
            np.empty(room, np.int32), np.empty(room), np.empty(room), np.empty((room, symbols)),
            np.zeros(samples + 1), np.zeros(samples + 1),
            np.full((ring, states), -1), np.zeros(ring, np.int64), np.full(ring, _DEAD),
            np.empty(symbols), np.zeros((symbols, layers)),
        )  # fmt: skip


@inlined
def _add(a, b):  # type: ignore[no-untyped-def]
    """Log of the sum of two numbers given by their logs."""
    if a < b:
        a, b = b, a
    if b < a - 30.0:
        return a
    return a + math.log1p(math.exp(b - a))


def search_sequence(
    even: F4, level: F8, sharpness: F8, usual: F8, beam: float, wave: F4, energy: F8, length: I8,
    phase_after: I8, price: F8, step: int, first_phase: int, fade_cost: float, leave_cost: float, symbol: I8,
    place: I8, phase: I8, log_p: F8, expected: F4, low: float,
) -> int:  # fmt: skip
    """Search one stretch.

    Parameters are arrays: `even` the recording on even time; `level`, `sharpness` (level squared over noise)
    and `usual` (what noise is expected to leave unexplained, in nats a sample) at every `step` grid samples;
    `wave` of shape (symbols + 1, symbols, phases, longest), by the symbol before (the last row: unknown), and
    its `energy`, (symbols + 1, symbols, phases); `price` of shape (symbols + 1, symbols). Sequences `beam`
    nats behind the best are given up. `first_phase` is -1 where it is open. A `fade_cost` below zero: no
    fades. Where `low` (in turns a sample) is above zero, what lies below it was not heard, but was put back
    as far as `expected` goes (`lows.py`); then a sequence is allowed to differ from that there.

    Fills, for each symbol of the best path, `symbol`, `place`, the `phase` it is entered at, and `log_p`, and
    `expected` with the mean of all sequences, by how likely they are (unless it is empty); returns the number
    of symbols, or -1 if there was no room for all nodes.
    """
    layers = 2 if fade_cost >= 0.0 else 1
    longest = int(length.max())
    room = _Room.empty(len(even), step, longest, len(length), len(phase_after), layers)
    kept = np.exp(-4.0 * low * length)
    wave_sum = np.stack(
        [wave[:, m, :, :n].sum(axis=-1, dtype=np.float64) for m, n in enumerate(length)], axis=1
    )
    return int(
        _search(
            even, level, sharpness, usual, beam, wave, energy, wave_sum, kept, length, longest, phase_after,
            price, step, first_phase, fade_cost, leave_cost, symbol, place, phase, log_p, expected, low, room,
        )
    )  # fmt: skip


@summing_kernel
def _search(  # type: ignore[no-untyped-def]
    even, level, sharpness, usual, beam, wave, energy, wave_sum, kept, length, longest, phase_after, price,
    step, first_phase, fade_cost, leave_cost, symbol, place, phase, log_p, expected, low, room,
):  # fmt: skip
    at, state, total, best, came, by, onto, gain, order = room[:9]
    lean, ahead, through, due, due_sum, pending, waiting, top, fit, apart = room[9:]
    symbols = len(length)
    phases, layers = len(phase_after), onto.shape[2]
    fades = layers == 2
    states = (symbols + 1) * phases * layers
    total_length, ring = len(even), len(top)
    count, done = 0, 0
    for p in range(phases):
        if first_phase < 0 or p == first_phase:
            s = (symbols * phases + p) * layers
            at[count], state[count], total[count], best[count] = 0, s, 0.0, 0.0
            came[count], by[count], lean[count] = -1, -1, 0.0
            pending[0, s] = count
            waiting[0] += 1
            count += 1
    # Scores are by how much a sequence leaves of what was heard, against what noise would leave: so those of
    # sequences that end at different times can be compared.
    for n in range(total_length):
        i = min(n // step, len(level) - 1)
        due[n + 1] = due[n] + 0.5 * sharpness[i] * even[n] * even[n] / (level[i] * level[i]) - usual[i]
    # By how much a sequence's samples, in sum, differ from those expected is a node's `lean`, forgotten as
    # quickly as the band forgets: what that has below the band, squared, takes nothing from the fit.
    below = low > 0.0
    if below:
        for n in range(total_length):
            due_sum[n + 1] = due_sum[n] + expected[n] / level[min(n // step, len(level) - 1)]
    top[0] = highest = 0.0
    for n in range(total_length):
        slot = n % ring
        if waiting[slot] == 0:
            continue
        fitted = -1
        i = min(n // step, len(level) - 1)
        least = highest - beam
        is_highest = top[slot] == highest
        top[slot] = _DEAD
        if is_highest:
            highest = _DEAD
            for k in range(ring):
                highest = max(highest, top[k])
        a, sharp = level[i], sharpness[i]
        for s in range(states):
            j = pending[slot, s]
            if j < 0:
                continue
            pending[slot, s] = -1
            if best[j] < least:
                continue
            order[done] = j
            done += 1
            faded = fades and s % layers == 1
            p = (s // layers) % phases
            c = s // (layers * phases)
            if s // layers != fitted:
                fitted = s // layers
                for m in range(symbols):
                    if n + length[m] <= total_length and price[c, m] < math.inf:
                        heard = np.float32(0.0)
                        for t in range(length[m]):
                            heard += wave[c, m, p, t] * even[n + t]
                        fit[m] = heard
            most = _DEAD
            for m in range(symbols):
                end = n + length[m]
                for layer in range(layers):
                    onto[j, m, layer], gain[j, m, layer] = -1, _DEAD
                if end > total_length or price[c, m] == math.inf:
                    continue
                metric = (fit[m] / a - 0.5 * energy[c, m, p]) * sharp
                for layer in range(layers):
                    # a faded symbol is there, but was not heard
                    value = (metric if layer == 0 else 0.0) - price[c, m] - (due[end] - due[n])
                    if below:
                        off = (wave_sum[c, m, p] if layer == 0 else 0.0) - due_sum[end] + due_sum[n]
                        value += low * off * (off + 2.0 * lean[j]) * sharp
                        apart[m, layer] = off
                    if fades:
                        if layer == 1 and not faded:
                            value -= fade_cost
                        elif layer == 0 and faded:
                            value -= leave_cost
                    gain[j, m, layer] = value
                    most = max(most, value)
            for m in range(symbols):
                end = n + length[m]
                for layer in range(layers):
                    value = gain[j, m, layer]
                    if value <= _DEAD or value < most - beam:
                        continue
                    next_state = (m * phases + phase_after[p, m]) * layers + layer
                    place_in_ring = end % ring
                    j2 = pending[place_in_ring, next_state]
                    if j2 < 0:
                        if count == len(at):
                            return -1
                        j2 = count
                        count += 1
                        pending[place_in_ring, next_state] = j2
                        waiting[place_in_ring] += 1
                        at[j2], state[j2], total[j2], best[j2] = end, next_state, _DEAD, _DEAD
                    onto[j, m, layer] = j2
                    total[j2] = _add(total[j2], total[j] + value)
                    if best[j] + value > best[j2]:
                        best[j2], came[j2], by[j2] = best[j] + value, j, m
                        if below:
                            lean[j2] = (lean[j] + apart[m, layer]) * kept[m]
                        top[place_in_ring] = max(top[place_in_ring], best[j2])
                        highest = max(highest, best[j2])
        waiting[slot] = 0
    # ends: nodes at the very end; where there is none, those in the last symbol's time
    last_slot = total_length % ring
    found = waiting[last_slot] > 0
    top_end, top_score = -1, 2 * _DEAD
    for j in range(count):
        ahead[j] = _DEAD
        for m in range(symbols):
            through[j, m] = _DEAD
        if (found and at[j] == total_length) or (not found and at[j] > total_length - longest):
            ahead[j] = 0.0
            if best[j] > top_score:
                top_score, top_end = best[j], j
    if top_end < 0:
        return 0
    for d in range(done - 1, -1, -1):
        j = order[d]
        onward = ahead[j]
        for m in range(symbols):
            branch = _DEAD
            for layer in range(layers):
                j2 = onto[j, m, layer]
                if j2 >= 0 and ahead[j2] > _DEAD:
                    branch = _add(branch, gain[j, m, layer] + ahead[j2])
            through[j, m] = branch
            onward = _add(onward, branch)
        ahead[j] = onward
    # the best path, back to front
    found_symbols = 0
    j = top_end
    while came[j] >= 0:
        found_symbols += 1
        j = came[j]
    if found_symbols > len(place):
        return -1
    j, i = top_end, found_symbols
    while came[j] >= 0:
        i -= 1
        symbol[i] = by[j]
        j = came[j]
        place[i] = at[j]
        phase[i] = state[j] // layers % phases
    # posteriors: all branches that start at the same sample
    all_paths = _DEAD
    for p in range(done):
        j = order[p]
        if at[j] > 0:
            break
        all_paths = _add(all_paths, total[j] + ahead[j])
    for n in range(len(expected)):
        expected[n] = 0.0
    for d in range(done if len(expected) else 0):
        j = order[d]
        p = (state[j] // layers) % phases
        c = state[j] // (layers * phases)
        for m in range(symbols):
            j2 = onto[j, m, 0]
            if j2 < 0 or ahead[j2] <= _DEAD:
                continue
            likely = total[j] + gain[j, m, 0] + ahead[j2] - all_paths
            if likely > _UNLIKELY:
                loud = math.exp(likely) * level[min(at[j] // step, len(level) - 1)]
                for t in range(length[m]):
                    expected[at[j] + t] += loud * wave[c, m, p, t]
    d = 0
    for i in range(found_symbols):
        while d < done and at[order[d]] < place[i]:
            d += 1
        for m in range(symbols):
            log_p[i, m] = _DEAD
        e = d
        while e < done and at[order[e]] == place[i]:
            j = order[e]
            for m in range(symbols):
                if through[j, m] > _DEAD:
                    log_p[i, m] = _add(log_p[i, m], total[j] + through[j, m])
            e += 1
        for m in range(symbols):
            log_p[i, m] = max(min(log_p[i, m] - all_paths, 0.0), -700.0)
    return found_symbols
