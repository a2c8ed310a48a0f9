"""The search itself: a trellis whose nodes are symbol boundaries, compiled by numba and cached on disk.

A node is a sample `n` (0..N) and a state `s`: the sign of the waveform where that is ambiguous (0 upright, 1
upside down), else 0. Each node keeps the best way to reach it and, with it, a clock of its own: a fraction
of a sample, the pace of time against the templates, and the carrier's phase for alphabets in which it runs
free. Beside the nodes runs `idle`: no signal of this format up to sample n.

Scores are log-likelihoods in nats relative to "noise alone" (`null` is that hypothesis' running sum), so
staying idle costs nothing.

In a long leader every alignment of the symbols explains the tone equally well, and only the first data tell
which is right. So that the right one is not lost to rounding, no live node is held to be worse than
`slip_cost` below the best. What a node was forgiven that way is remembered and fades: a little now and then
is the drift of a leader; more means that the node's own past was wrong, and then its path is a slip from the
best one at that time.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = [
    "Fits",
    "Nodes",
    "Shapes",
    "Tuning",
    "collect_posteriors",
    "search_backward",
    "search_forward",
    "trace_back",
]

F8 = npt.NDArray[np.float64]
F4 = npt.NDArray[np.float32]

_TAU = 2.0 * math.pi
_DEAD = -1e30
_SLIP = -1
_UNKNOWN_PHASE = 2.0
#: Steps tried to either side of where the clock expects the next boundary.
_STEPS = 2
#: Most a node is forgiven (in nats) before its past is not believed, and how that fades, each symbol.
_MOST_FORGIVEN = 8.0
_FADING = 1.0 - 1.0 / 64.0


class Fits(NamedTuple):
    """How well each symbol's template fits at each sample (see `scene.Scene`)."""

    sine: F4
    cosine: F4
    sharpness: F4
    null: F8


class Shapes(NamedTuple):
    """What the search knows of each symbol; see `Templates`.

    `step` is a timing step, in samples; `is_bit` is 1 for 0 and 1, and 0 for leader, mark and idle symbols.
    """

    energies: F8
    length: F8
    turns: F8
    flips: npt.NDArray[np.int64]
    bend: F8
    cost: F8
    step: F8
    is_bit: npt.NDArray[np.int64]


class Tuning(NamedTuple):
    """The search's settings; see `search.py`, where they are chosen and explained."""

    beam: float
    slip_cost: float
    switch_cost: float
    change_cost: float
    timing_gain: float
    drift_gain: float
    stretch_gain: F8
    stretch_leak: float
    stretch_span: float
    phase_gain: float
    carrier_gain: float
    is_free: bool
    idle_allowed: bool


class Nodes(NamedTuple):
    """What is kept of every node, arrays of shape (N + 1, states), and of idle, arrays of length N + 1.

    `parent` is the node a path comes from, numbered ``n * states + s``, or ``-1 - n`` for idle at sample n;
    `live` says which nodes (then which states out of idle) were followed up.
    """

    score: F8
    fraction: F4
    pace: F4
    phase: F4
    forgiven: F4
    parent: npt.NDArray[np.int64]
    symbol: npt.NDArray[np.int8]
    idle: F8
    idle_from: npt.NDArray[np.int8]
    live: npt.NDArray[np.bool_]

    @classmethod
    def empty(cls, samples: int, states: int) -> Nodes:
        """Make room for `samples` samples."""
        shape = (samples, states)
        return cls(
            np.full(shape, _DEAD), np.empty(shape, np.float32), np.empty(shape, np.float32),
            np.empty(shape, np.float32), np.zeros(shape, np.float32), np.empty(shape, np.int64),
            np.empty(shape, np.int8), np.zeros(samples), np.full(samples, -1, np.int8),
            np.zeros((samples, 2 * states), np.bool_),
        )  # fmt: skip


@njit(cache=True, nogil=True, inline="always")
def _at(track, place):  # type: ignore[no-untyped-def]
    """Value, and slope per sample, of a sampled track between samples (cubic through four points)."""
    n = math.floor(place)
    if n < 1 or n > len(track) - 3:
        return track[min(max(n, 0), len(track) - 1)], 0.0
    x = place - n
    a, b, c, d = track[n - 1], track[n], track[n + 1], track[n + 2]
    one, two, three = c - a, 2.0 * a - 5.0 * b + 4.0 * c - d, 3.0 * (b - c) + d - a
    return b + 0.5 * x * (one + x * (two + x * three)), 0.5 * one + x * (two + 1.5 * x * three)


@njit(cache=True, nogil=True, inline="always")
def _branch(m, place, sign, pace, phase, fits, shapes, tuning):  # type: ignore[no-untyped-def]
    """What becomes of a path that takes symbol `m` from `place` on.

    Returns the log-likelihood gained, where the symbol should end, and the pace and phase there. `energies`
    has three rows: sine x sine, cosine x cosine, sine x cosine of each template.
    """
    n = min(max(int(place + 0.5), 0), len(fits.sharpness) - 1)
    wide = shapes.length[m] * pace
    heard, slope = _at(fits.sine[m], place)
    upright_energy = shapes.energies[0, m]
    if not tuning.is_free:
        if sign == 1:
            heard, slope = -heard, -slope
        late = min(max(slope / shapes.bend[m], -1.0), 1.0)  # in samples: where the fit would be best
        gain = (heard - 0.5 * upright_energy) * fits.sharpness[n]
        return (
            gain,
            place + wide + tuning.timing_gain * late,
            pace * (1.0 + tuning.drift_gain * late / wide),
            0.0,
        )
    quadrature, _ = _at(fits.cosine[m], place)
    leaning_energy, cross = shapes.energies[1, m], shapes.energies[2, m]
    upright = leaning_energy * heard - cross * quadrature  # least squares, but for a common factor
    leaning = upright_energy * quadrature - cross * heard
    measured = math.atan2(leaning, upright) / _TAU
    if phase == _UNKNOWN_PHASE:
        phase = measured
    c, s = math.cos(_TAU * phase), math.sin(_TAU * phase)
    taken = c * c * upright_energy + s * s * leaning_energy + 2.0 * c * s * cross
    gain = (heard * c + quadrature * s - 0.5 * taken) * fits.sharpness[n]
    slip = measured - phase  # a loop of second order locks phase and pace to the carrier
    slip -= math.floor(slip + 0.5)
    pace = pace * (1.0 - tuning.carrier_gain * slip / max(shapes.turns[m], 0.1))
    return gain, place + wide, pace, phase + tuning.phase_gain * slip + shapes.turns[m]


@njit(cache=True, nogil=True, inline="always")
def _price(m, last_symbol, from_idle, shapes, tuning):  # type: ignore[no-untyped-def]
    """What it costs to take symbol `m` after another: bits and other symbols come in runs of their own."""
    price = shapes.cost[m]
    if not from_idle and last_symbol != _SLIP and shapes.is_bit[m] != shapes.is_bit[last_symbol]:
        price += tuning.change_cost
    return price


@njit(cache=True, nogil=True)
def search_forward(fits, shapes, tuning, nodes):  # type: ignore[no-untyped-def]
    """Find the best way to every node; fills `nodes`."""
    score, idle, parent, symbol, forgiven = (
        nodes.score,
        nodes.idle,
        nodes.parent,
        nodes.symbol,
        nodes.forgiven,
    )
    null = fits.null
    last, states = len(null) - 1, score.shape[1]
    lowest, highest = 1.0 - tuning.stretch_span, 1.0 + tuning.stretch_span
    recent, before = _DEAD, _DEAD  # best score of this stretch of time and of the one before it
    recent_node, before_node = 0, 0  # and where it was reached
    stretch_of_time = int(2 * shapes.length.max()) + 2
    for n in range(last + 1):
        if n % stretch_of_time == 0:
            before, recent = recent, _DEAD
            before_node, recent_node = recent_node, 0
        if n > 0:
            idle[n] = idle[n - 1]
        for s in range(states):
            if score[n, s] - tuning.switch_cost > idle[n] and tuning.idle_allowed:
                idle[n] = score[n, s] - tuning.switch_cost
                nodes.idle_from[n] = s
            if score[n, s] > recent:
                recent, recent_node = score[n, s], n * states + s
        if tuning.idle_allowed and idle[n] > recent:
            recent, recent_node = idle[n], -1 - n
        best, best_node = recent, recent_node
        if before > recent:
            best, best_node = before, before_node
        for source in range(2 * states):
            s = source % states
            from_idle = source >= states
            if not from_idle:
                start_score = score[n, s]
                at, pace, phase = n + nodes.fraction[n, s], nodes.pace[n, s], nodes.phase[n, s]
            else:
                start_score = _DEAD
                if tuning.idle_allowed:
                    start_score = idle[n] - tuning.switch_cost
                elif n < stretch_of_time:
                    start_score = 0.0
                at, pace, phase = float(n), 1.0, _UNKNOWN_PHASE
            nodes.live[n, source] = start_score >= best - tuning.beam and start_score > _DEAD
            if not nodes.live[n, source]:
                continue
            if not from_idle and start_score < best - tuning.slip_cost:
                forgiven[n, s] += best - tuning.slip_cost - start_score
                start_score = best - tuning.slip_cost
                score[n, s] = start_score
                if forgiven[n, s] > _MOST_FORGIVEN:
                    parent[n, s], symbol[n, s], forgiven[n, s] = best_node, _SLIP, 0.0
            for m in range(len(shapes.length)):
                gain, end, new_pace, new_phase = _branch(m, at, s, pace, phase, fits, shapes, tuning)
                price = _price(m, symbol[n, s], from_idle, shapes, tuning)
                after = s ^ shapes.flips[m] if states == 2 else s
                for k in range(-_STEPS, _STEPS + 1):
                    shift = k * shapes.step[m]
                    node = math.floor(end + shift + 0.5)
                    if node > last or node <= n:
                        continue
                    total = start_score + gain - price - 0.5 * k * k - (null[node] - null[n])
                    if total <= score[node, after]:
                        continue
                    stepped = new_pace * (1.0 + tuning.stretch_gain[abs(k)] * shift / (end - at))
                    stepped += tuning.stretch_leak * (1.0 - stepped)
                    # a boundary found early or late is one on the same carrier, early or late
                    shifted = new_phase + shapes.turns[m] * shift / (end - at)
                    score[node, after] = total
                    nodes.fraction[node, after] = end + shift - node
                    nodes.pace[node, after] = min(max(stepped, lowest), highest)
                    nodes.phase[node, after] = shifted - math.floor(shifted)
                    forgiven[node, after] = 0.0 if from_idle else _FADING * forgiven[n, s]
                    parent[node, after] = -1 - n if from_idle else n * states + s
                    symbol[node, after] = m


@njit(cache=True, nogil=True)
def trace_back(nodes, longest, idle_allowed):  # type: ignore[no-untyped-def]
    """Follow the best path back.

    Returns rows (node it starts from, node it ends in, symbol), in order of time. A start of ``-1 - n`` means
    out of idle at sample n.
    """
    score, symbol, idle_from = nodes.score, nodes.symbol, nodes.idle_from
    last, states = len(nodes.idle) - 1, score.shape[1]
    top = nodes.idle[last] if idle_allowed else 2.0 * _DEAD
    node, place = -1, last
    for n in range(max(0, last - longest), last + 1):
        for s in range(states):
            if score[n, s] > top:
                top, node = score[n, s], n * states + s
    rows = np.empty((last + 2, 3), np.int64)
    count = 0
    while True:
        if node < 0:  # in idle: go back to where it was entered
            if not idle_allowed:
                break
            while place > 0 and idle_from[place] < 0:
                place -= 1
            if idle_from[place] < 0:
                break
            node = place * states + idle_from[place]
        n, s = node // states, node % states
        if score[n, s] <= _DEAD:
            break
        if symbol[n, s] != _SLIP:
            rows[count, 0], rows[count, 1], rows[count, 2] = nodes.parent[n, s], node, symbol[n, s]
            count += 1
        node = nodes.parent[n, s]
        if node < 0:
            place = -1 - node
    return rows[:count][::-1].copy()


@njit(cache=True, nogil=True)
def search_backward(fits, shapes, tuning, nodes, ahead, idle_ahead, through):  # type: ignore[no-untyped-def]
    """Best score from every node to the end (`ahead`), and through every branch (``through[n, s, m]``).

    Branches out of idle count as well. Expects what `search_forward` filled in with idle allowed, and follows
    the same branches.
    """
    null = fits.null
    last, states = len(null) - 1, ahead.shape[1]
    ahead[:, :] = _DEAD
    through[:, :, :] = _DEAD
    idle_ahead[last] = 0.0
    stretch_of_time = int(2 * shapes.length.max()) + 2
    recent, before = _DEAD, _DEAD
    for n in range(last, -1, -1):
        if n < last:
            idle_ahead[n] = idle_ahead[n + 1]
        if n % stretch_of_time == 0:
            before, recent = recent, _DEAD
        for source in range(2 * states):
            if not nodes.live[n, source]:
                continue
            s = source % states
            from_idle = source >= states
            if from_idle:
                start_score = nodes.idle[n] - tuning.switch_cost
                at, pace, phase = float(n), 1.0, _UNKNOWN_PHASE
            else:
                start_score = nodes.score[n, s]
                at, pace, phase = n + nodes.fraction[n, s], nodes.pace[n, s], nodes.phase[n, s]
            onward = _DEAD
            for m in range(len(shapes.length)):
                gain, end, _, _ = _branch(m, at, s, pace, phase, fits, shapes, tuning)
                after = s ^ shapes.flips[m] if states == 2 else s
                price = _price(m, nodes.symbol[n, s], from_idle, shapes, tuning)
                finest = _DEAD
                for k in range(-_STEPS, _STEPS + 1):
                    node = math.floor(end + k * shapes.step[m] + 0.5)
                    if node > last or node <= n:
                        continue
                    rest = ahead[node, after]
                    if node > last - stretch_of_time:  # the path may end inside the last symbol
                        rest = max(rest, 0.0)
                    finest = max(finest, gain - price - 0.5 * k * k - (null[node] - null[n]) + rest)
                onward = max(onward, finest)
                through[n, s, m] = max(through[n, s, m], start_score + finest)
            if from_idle:
                idle_ahead[n] = max(idle_ahead[n], onward - tuning.switch_cost)
            else:
                slipped = max(recent, before) - tuning.slip_cost
                ahead[n, s] = max(onward, idle_ahead[n] - tuning.switch_cost, slipped)
                recent = max(recent, ahead[n, s])


@njit(cache=True, nogil=True)
def collect_posteriors(first_nodes, around, through, idle, idle_ahead, log_p):  # type: ignore[no-untyped-def]
    """Log posterior of each symbol of the alphabet at each place of the path.

    `first_nodes` are the samples at which the path's symbols start; a rival may start up to `around` samples
    away. Idle, "no signal here", is a rival too, so that rows sum to less than one.
    """
    samples, states, count = through.shape
    for i in range(len(first_nodes)):
        n = first_nodes[i]
        nothing = idle[n] + idle_ahead[n]
        top = nothing
        for m in range(count):
            value = _DEAD
            for at in range(max(0, n - around), min(samples, n + around + 1)):
                for s in range(states):
                    value = max(value, through[at, s, m])
            log_p[i, m] = value
            top = max(top, value)
        total = math.exp(nothing - top)
        for m in range(count):
            total += math.exp(log_p[i, m] - top)
        for m in range(count):
            log_p[i, m] = max(log_p[i, m] - top - math.log(total), -700.0)
