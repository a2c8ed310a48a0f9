"""The loops of synthesis and measurement that must be fast, compiled by numba and cached on disk."""

from __future__ import annotations

import math

from tapewright.compiled import kernel, summing_kernel

_TAU = 2.0 * math.pi


@kernel
def carry_phase(kind, turns, level, phase, phases):  # type: ignore[no-untyped-def]
    """Fill in each segment's starting phase and return the phase after the last.

    A tone carries the phase by its cycles, a half-wave by half a turn (after rounding to a whole
    half-turn), a level leaves it so that a half-wave after it alternates, silence leaves it alone.
    """
    for i in range(len(kind)):
        if kind[i] == 2:
            phase = math.floor(2.0 * phase + 0.5) / 2.0
            phase -= math.floor(phase)
        phases[i] = phase
        if kind[i] == 1:
            phase += turns[i]
        elif kind[i] == 2:
            phase += 0.5
        elif kind[i] == 3 and level[i] != 0.0:
            phase = 0.5 if level[i] > 0 else 0.0
        phase -= math.floor(phase + 1e-9)  # whole cycles leave exactly what was there
    return phase


@kernel
def add_up(parts, total, sums):  # type: ignore[no-untyped-def]
    """Fill in the sum of `parts` up to each, on top of `total`, and leave there the sum of all.

    `total` holds the sum and what did not fit into it; that is added to each sum, so that millions of equal
    parts do not drift (A. Neumaier, Rundungsfehleranalyse einiger Verfahren zur Summation endlicher Summen,
    1974).
    """
    total_so_far, lost = total[0], total[1]
    for i in range(len(parts)):
        more = total_so_far + parts[i]
        if abs(total_so_far) >= abs(parts[i]):
            lost += (total_so_far - more) + parts[i]
        else:
            lost += (parts[i] - more) + total_so_far
        total_so_far = more
        sums[i] = total_so_far + lost
    total[0], total[1] = total_so_far, lost


@kernel
def render_segments(  # type: ignore[no-untyped-def]
    kind, hertz, level, phase, starts, ends, buffer, first, last, step, ramp, per_sample
):  # fmt: skip
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


@summing_kernel
def compare_with_templates(  # type: ignore[no-untyped-def]
    heard, amplitude, block, start, symbol, length, sine, cosine, free, sums
):  # fmt: skip
    """Inner products of what was heard, over the local amplitude, with each symbol's template.

    `amplitude` has an entry for each `block` of samples; `sine` and `cosine` hold the templates in rows.
    Column i of `sums` becomes: samples compared, heard x heard, heard x sine, sine x sine, heard x cosine,
    cosine x cosine, sine x cosine. The first and last sample of a symbol, shared with its neighbours,
    are left out. Between samples templates are parabolas through three: at the nearest sample, what misses
    half a sample would pass for noise.
    """
    for i in range(len(start)):
        n, m = math.floor(start[i] + 0.5), symbol[i]
        late = start[i] - n
        here, back, on = 1.0 - late * late, 0.5 * late * (late + 1.0), 0.5 * late * (late - 1.0)
        samples, xx, xs, ss, xq, qq, sq = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        for k in range(max(1, -n), min(int(length[m]), len(heard) - n)):
            x = heard[n + k] / amplitude[(n + k) // block]
            s = here * sine[m, k] + back * sine[m, k - 1] + on * sine[m, k + 1]
            samples += 1.0
            xx += x * x
            xs += x * s
            ss += s * s
            if free:
                q = here * cosine[m, k] + back * cosine[m, k - 1] + on * cosine[m, k + 1]
                xq += x * q
                qq += q * q
                sq += s * q
        for j, value in enumerate((samples, xx, xs, ss, xq, qq, sq)):
            sums[j, i] = value


@summing_kernel
def bends(heard, amplitude, block, start, symbol, size, wave, bend):  # type: ignore[no-untyped-def]
    """How fast the fit of each symbol falls off around its place: minus its second difference in `bend`."""
    for i in range(len(start)):
        n, m = math.floor(start[i] + 0.5), symbol[i]
        total = 0.0
        for k in range(max(0, 1 - n), min(size[m], len(heard) - 1 - n)):
            total += wave[m, k] * (2.0 * heard[n + k] - heard[n + k - 1] - heard[n + k + 1])
        bend[i] = total / amplitude[min(max(n, 0) // block, len(amplitude) - 1)]
