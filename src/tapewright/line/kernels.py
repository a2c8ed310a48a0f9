"""The loops that must be fast, compiled by numba and cached on disk."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

_TAU = 2.0 * math.pi


@njit(cache=True, nogil=True)
def carry_phase(kind, turns, level, phase, phases):  # type: ignore[no-untyped-def]
    """Fill in each segment's starting phase and return the phase after the last.

    A tone carries the phase by its cycles, a half-wave by half a turn (after rounding to a whole
    half-turn), a level leaves it so that a half-wave after it alternates, silence leaves it alone.
    """
    for i in range(len(kind)):
        if kind[i] == 2:
            phase = math.floor(2.0 * phase + 0.5) / 2.0
        phases[i] = phase
        if kind[i] == 1:
            phase += turns[i]
        elif kind[i] == 2:
            phase += 0.5
        elif kind[i] == 3 and level[i] != 0.0:
            phase = 0.5 if level[i] > 0 else 0.0
        phase -= math.floor(phase + 1e-9)  # whole cycles leave exactly what was there
    return phase


@njit(cache=True, nogil=True)
def render_segments(kind, hertz, level, phase, starts, ends, buffer, first, last, step, ramp, per_sample):  # type: ignore[no-untyped-def]
    """Add segments to `buffer` (whose entry 0 is sample `first`), edges band-limited.

    `hertz` is in cycles per sample, `starts` and `ends` in samples. `last` holds value and slope at the end
    of the segment before and is left holding those of the last one here. `step` and `ramp` are tables of the
    band-limited unit step and its integral, `per_sample` entries a sample, the edge in the middle.
    """
    middle = (len(step) - 1) // 2
    reach = middle // per_sample
    for i in range(len(kind)):
        value, slope, end_value, end_slope = 0.0, 0.0, 0.0, 0.0
        n = math.ceil(starts[i])
        if kind[i] == 1:
            angle = _TAU * phase[i]
            turn = _TAU * hertz[i]
            end_angle = angle + turn * (ends[i] - starts[i])
            value, slope = level[i] * math.sin(angle), level[i] * turn * math.cos(angle)
            end_value, end_slope = level[i] * math.sin(end_angle), level[i] * turn * math.cos(end_angle)
            while n < ends[i]:
                buffer[n - first] += level[i] * math.sin(angle + turn * (n - starts[i]))
                n += 1
        elif kind[i] >= 2:
            value = level[i]
            if kind[i] == 2 and phase[i] >= 0.5:
                value = -value
            end_value = value
            while n < ends[i]:
                buffer[n - first] += value
                n += 1
        jump, kink = value - last[0], slope - last[1]
        if abs(jump) > 1e-12 or abs(kink) > 1e-12:
            at = starts[i]
            low = max(math.ceil(at - reach), first)
            high = min(math.floor(at + reach), first + len(buffer) - 1)
            for n in range(low, high + 1):
                x = n - at
                place = x * per_sample + middle
                k = min(int(place), len(step) - 2)
                part = place - k
                soft_step = step[k] + part * (step[k + 1] - step[k])
                soft_ramp = ramp[k] + part * (ramp[k + 1] - ramp[k])
                if x >= 0:  # the segment itself was sampled with a hard edge: take that away
                    soft_step -= 1.0
                    soft_ramp -= x
                buffer[n - first] += jump * soft_step + kink * soft_ramp
        last[0], last[1] = end_value, end_slope


# --- the receiver's search -----------------------------------------------------------------------------------
#
# A node is a symbol boundary: sample `n` (0..N) and state `s`. The state is the sign of the waveform where that
# is ambiguous (0 upright, 1 upside down), else 0. Each node keeps the best way to reach it and, with it, its
# own clock: `fraction` of a sample, `stretch` of time against the templates, and the carrier's `phase` (turns)
# for alphabets in which it runs free. Beside the nodes runs `idle`: no signal of this format up to sample n.
#
# Scores are log-likelihoods in nats relative to "noise alone" (`null` is that hypothesis' running sum), so
# staying idle costs nothing.
#
# In a long leader every alignment of the symbols explains the tone equally well, and only the first data tell
# which is right. So that the right one is not lost to rounding, no live node is held to be worse than
# `slip_cost` below the best: as if the tape might slip from any alignment to any other at that price.

_DEAD = -1e30
_SLIP = -1
_MOST_FORGIVEN = 8.0
_FADING = 1.0 - 1.0 / 64.0
TIMING_STEPS = 2  # steps tried to either side of where the clock expects the next boundary


@njit(cache=True, nogil=True, inline="always")
def _at(track, place):  # type: ignore[no-untyped-def]
    """Value of a sampled track between samples (cubic through four points)."""
    n = int(math.floor(place))
    if n < 1 or n > len(track) - 3:
        return track[min(max(n, 0), len(track) - 1)]
    x = place - n
    a, b, c, d = track[n - 1], track[n], track[n + 1], track[n + 2]
    return b + 0.5 * x * (c - a + x * (2.0 * a - 5.0 * b + 4.0 * c - d + x * (3.0 * (b - c) + d - a)))


@njit(cache=True, nogil=True, inline="always")
def _slope_at(track, place):  # type: ignore[no-untyped-def]
    """Slope per sample of the same cubic."""
    n = int(math.floor(place))
    if n < 1 or n > len(track) - 3:
        return 0.0
    x = place - n
    a, b, c, d = track[n - 1], track[n], track[n + 1], track[n + 2]
    return 0.5 * (c - a) + x * (2.0 * a - 5.0 * b + 4.0 * c - d + 1.5 * x * (3.0 * (b - c) + d - a))


@njit(cache=True, nogil=True, inline="always")
def _fit(m, place, sign, phase, cosine_fit, sine_fit, energy, sharpness, free):  # type: ignore[no-untyped-def]
    """Log-likelihood of symbol `m` starting at `place`, and the phase (turns) that it was heard with.

    `energy` has three rows: sine x sine, cosine x cosine, sine x cosine of each template.
    """
    n = min(max(int(place + 0.5), 0), len(sharpness) - 1)
    heard = _at(sine_fit[m], place)
    if not free:
        if sign == 1:
            heard = -heard
        return (heard - 0.5 * energy[0, m]) * sharpness[n], phase, phase
    quadrature = _at(cosine_fit[m], place)
    upright = energy[1, m] * heard - energy[2, m] * quadrature  # least squares, but for a common factor
    leaning = energy[0, m] * quadrature - energy[2, m] * heard
    measured = math.atan2(leaning, upright) / _TAU
    if phase > 1.5:  # not known yet: take what is heard
        phase = measured
    c, s = math.cos(_TAU * phase), math.sin(_TAU * phase)
    taken = c * c * energy[0, m] + s * s * energy[1, m] + 2.0 * c * s * energy[2, m]
    return (heard * c + quadrature * s - 0.5 * taken) * sharpness[n], phase, measured


@njit(cache=True, nogil=True)
def search_forward(  # type: ignore[no-untyped-def]
    sine_fit, cosine_fit, energy, length, turns, flips, cost, step_size, sharpness, null, entry,
    bend, states, free, idle_allowed, beam, slip_cost, switch_cost, timing_gain, drift_gain, stretch_gain, stretch_leak, phase_gain, carrier_gain, stretch_span,
    score, fraction, stretch, phase, forgiven, parent, symbol, idle, idle_from, live,
):  # fmt: skip
    """Find the best way to every node; fills the last ten arrays. `live` marks what was followed up."""
    last = len(null) - 1
    count = len(length)
    score[:, :] = _DEAD
    idle[0] = 0.0
    idle_from[0] = -1
    recent, before = _DEAD, _DEAD  # best score of this stretch of time and of the one before it
    recent_node, before_node = 0, 0  # where it was reached; -1 - n for idle at sample n
    stretch_of_time = int(2 * length.max()) + 2
    for n in range(last + 1):
        if n % stretch_of_time == 0:
            before, recent = recent, _DEAD
            before_node, recent_node = recent_node, 0
        if n > 0:
            idle[n] = idle[n - 1]
            idle_from[n] = -1
        for s in range(states):
            if score[n, s] - switch_cost > idle[n] and idle_allowed:
                idle[n] = score[n, s] - switch_cost
                idle_from[n] = s
            if score[n, s] > recent:
                recent, recent_node = score[n, s], n * states + s
        if idle_allowed and idle[n] > recent:
            recent, recent_node = idle[n], -1 - n
        best, best_node = recent, recent_node
        if before > recent:
            best, best_node = before, before_node
        for source in range(2 * states):
            s = source % states
            from_idle = source >= states
            if from_idle:
                if idle_allowed:
                    start_score = idle[n] - switch_cost
                else:
                    start_score = 0.0 if n < stretch_of_time else _DEAD
                at, pace, turn = float(n), entry[n], 2.0
            else:
                start_score = score[n, s]
                at, pace, turn = n + fraction[n, s], stretch[n, s], phase[n, s]
            live[n, source] = start_score >= best - beam and start_score > _DEAD
            if not live[n, source]:
                continue
            if not from_idle and start_score < best - slip_cost:
                forgiven[n, s] += best - slip_cost - start_score
                start_score = best - slip_cost
                score[n, s] = start_score
                if forgiven[n, s] > _MOST_FORGIVEN:
                    parent[n, s], symbol[n, s], forgiven[n, s] = best_node, _SLIP, 0.0
            for m in range(count):
                gain, used, measured = _fit(m, at, s, turn, cosine_fit, sine_fit, energy, sharpness, free)
                after = s ^ flips[m] if states == 2 else s
                wide = length[m] * pace
                new_phase = 0.0
                heard_pace = pace
                late = 0.0
                if not free:  # the fit's slope says how late the symbol really is, in samples
                    late = _slope_at(sine_fit[m], at) / bend[m]
                    late = min(max(-late if s == 1 else late, -1.0), 1.0)
                    heard_pace = pace * (1.0 + drift_gain * late / wide)
                if free:  # a loop of second order locks phase and pace to the carrier
                    slip = measured - used
                    slip -= math.floor(slip + 0.5)
                    new_phase = used + phase_gain * slip + turns[m]
                    heard_pace = pace * (1.0 - carrier_gain * slip / turns[m])
                for k in range(-TIMING_STEPS, TIMING_STEPS + 1):
                    shift = k * step_size[m]
                    to = at + wide + shift + timing_gain * late
                    node = int(math.floor(to + 0.5))
                    if node > last or node <= n:
                        continue
                    total = start_score + gain - cost[m] - 0.5 * k * k - (null[node] - null[n])
                    if total > score[node, after]:
                        centre = entry[n]
                        new_pace = heard_pace * (1.0 + stretch_gain[abs(k)] * shift / wide)
                        new_pace += stretch_leak * (centre - new_pace)
                        new_pace = min(
                            max(new_pace, centre * (1.0 - stretch_span)), centre * (1.0 + stretch_span)
                        )
                        score[node, after] = total
                        fraction[node, after] = to - node
                        stretch[node, after] = new_pace
                        # a boundary found early or late is one on the same carrier, early or late
                        shifted = new_phase + turns[m] * shift / wide
                        phase[node, after] = shifted - math.floor(shifted)
                        forgiven[node, after] = 0.0 if from_idle else _FADING * forgiven[n, s]
                        parent[node, after] = -1 - n if from_idle else n * states + s
                        symbol[node, after] = m


@njit(cache=True, nogil=True)
def trace_back(score, idle, idle_from, parent, symbol, states, longest, idle_allowed):  # type: ignore[no-untyped-def]
    """Follow the best path back; returns rows (node it starts from, node it ends in, symbol), in order.

    Nodes are numbered ``n * states + s``; a start of ``-1 - n`` means out of idle at sample n.
    """
    last = len(idle) - 1
    top, node = (idle[last], -1) if idle_allowed else (_DEAD * 2, -1)
    for n in range(max(0, last - longest), last + 1):
        for s in range(states):
            if score[n, s] > top:
                top, node = score[n, s], n * states + s
    rows = np.empty((last + 2, 3), np.int64)
    count = 0
    place = last
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
            rows[count, 0] = parent[n, s]
            rows[count, 1] = node
            rows[count, 2] = symbol[n, s]
            count += 1
        node = parent[n, s]
        if node < 0:
            place = -1 - node
    return rows[:count][::-1].copy(), top


@njit(cache=True, nogil=True)
def search_backward(  # type: ignore[no-untyped-def]
    sine_fit, cosine_fit, energy, length, flips, cost, step_size, sharpness, null, entry,
    bend, timing_gain, states, free, slip_cost, switch_cost, score, fraction, stretch, phase, idle, live, ahead, idle_ahead, through,
):  # fmt: skip
    """Best score from every node to the end (`ahead`), and through every branch (`through[n, s, m]`).

    Branches out of idle count as well. Expects what `search_forward` filled in, with idle allowed, and follows the same branches.
    """
    last = len(null) - 1
    count = len(length)
    ahead[:, :] = _DEAD
    through[:, :, :] = _DEAD
    idle_ahead[last] = 0.0
    reach = int(2 * length.max()) + 2
    recent, before = _DEAD, _DEAD
    for n in range(last, -1, -1):
        if n < last:
            idle_ahead[n] = idle_ahead[n + 1]
        if n % reach == 0:
            before, recent = recent, _DEAD
        for source in range(2 * states):
            s = source % states
            from_idle = source >= states
            if not live[n, source]:
                continue
            if from_idle:
                start_score = idle[n] - switch_cost
                at, pace, turn = float(n), entry[n], 2.0
            else:
                start_score = score[n, s]
                at, pace, turn = n + fraction[n, s], stretch[n, s], phase[n, s]
            onward = _DEAD
            for m in range(count):
                gain, _, _ = _fit(m, at, s, turn, cosine_fit, sine_fit, energy, sharpness, free)
                after = s ^ flips[m] if states == 2 else s
                wide = length[m] * pace
                finest = _DEAD
                if not free:
                    late = _slope_at(sine_fit[m], at) / bend[m]
                    wide += timing_gain * min(max(-late if s == 1 else late, -1.0), 1.0)
                for k in range(-TIMING_STEPS, TIMING_STEPS + 1):
                    node = int(math.floor(at + wide + k * step_size[m] + 0.5))
                    if node > last or node <= n:
                        continue
                    rest = ahead[node, after]
                    if node > last - reach:  # the path may end inside the last symbol
                        rest = max(rest, 0.0)
                    finest = max(finest, gain - cost[m] - 0.5 * k * k - (null[node] - null[n]) + rest)
                onward = max(onward, finest)
                through[n, s, m] = max(through[n, s, m], start_score + finest)
            if from_idle:
                idle_ahead[n] = max(idle_ahead[n], onward - switch_cost)
            else:
                ahead[n, s] = max(onward, idle_ahead[n] - switch_cost, max(recent, before) - slip_cost)
                recent = max(recent, ahead[n, s])


@njit(cache=True, nogil=True)
def collect_posteriors(first_nodes, around, states, through, idle, idle_ahead, log_p):  # type: ignore[no-untyped-def]
    """Log posterior of each symbol of the alphabet at each place of the path.

    `first_nodes` are the samples at which the path's symbols start; a rival may start up to `around` samples
    away. Idle, "no signal here", is a rival too, so that rows sum to less than one.
    """
    count = through.shape[2]
    for i in range(len(first_nodes)):
        n = first_nodes[i]
        top = idle[n] + idle_ahead[n]
        total_idle = top
        for m in range(count):
            value = _DEAD
            for at in range(max(0, n - around), min(through.shape[0], n + around + 1)):
                for s in range(states):
                    value = max(value, through[at, s, m])
            log_p[i, m] = value
            top = max(top, value)
        total = math.exp(total_idle - top)
        for m in range(count):
            total += math.exp(log_p[i, m] - top)
        for m in range(count):
            log_p[i, m] = max(log_p[i, m] - top - math.log(total), -700.0)


@njit(cache=True, nogil=True)
def compare_with_templates(heard, amplitude, start, symbol, length, sine, cosine, free, sums):  # type: ignore[no-untyped-def]
    """Inner products of what was heard, over the local amplitude, with each symbol's template.

    `sine` and `cosine` hold the templates in rows. Row i of `sums` becomes: samples compared, heard x heard,
    heard x sine, sine x sine, heard x cosine, cosine x cosine, sine x cosine. The first and last sample of a
    symbol, which it shares with its neighbours, are left out.
    """
    for i in range(len(start)):
        n, m = int(math.floor(start[i] + 0.5)), symbol[i]
        sums[i, :] = 0.0
        for k in range(1, int(length[m])):
            if n + k < 0 or n + k >= len(heard):
                continue
            x, s = heard[n + k] / amplitude[n + k], sine[m, k]
            sums[i, 0] += 1.0
            sums[i, 1] += x * x
            sums[i, 2] += x * s
            sums[i, 3] += s * s
            if free:
                q = cosine[m, k]
                sums[i, 4] += x * q
                sums[i, 5] += q * q
                sums[i, 6] += s * q
