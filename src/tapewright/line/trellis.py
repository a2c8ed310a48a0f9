"""The first pass of the search: a trellis whose nodes are places a symbol may begin, compiled by numba.

Time is cut into slots, some to a half-wave of the fastest tone. A node is a slot and a state: the sign of the
waveform where that is ambiguous (0 upright, 1 upside down), the carrier's phase in coarse steps where it runs
free, else 0. Each node keeps the best way to reach it
and, with it, a clock of its own: the exact place, the pace of time against the templates, and the carrier's
phase for alphabets in which it runs free. Beside the nodes runs `idle`: no signal of this format so far.

Scores are log-likelihoods in nats relative to "noise alone" (`null` is that hypothesis' running sum), so
staying idle costs nothing.

In a long leader every alignment of the symbols explains the tone equally well, and only the first data tell
which is right. So that the right one is not lost to rounding, no node is held to be worse than `hold` below
the best. What a node was forgiven that way is remembered and fades: a little now and then is the drift of a
leader; more means that the node's own past was wrong, and it is given up.

In the loops arrays have names of their own, and what is handed to the small functions is numbers, or one
array: of every array in a tuple compiled code would count the references, at each call (measured: that took
three quarters of the time).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from tapewright.compiled import inlined, kernel, summing_kernel

__all__ = ["DEAD", "SHAPE", "Fits", "Followed", "Nodes", "Tuning", "follow", "search_forward", "work_out"]

F8 = npt.NDArray[np.float64]
F4 = npt.NDArray[np.float32]

_TAU = 2.0 * math.pi
DEAD = -1e30
_NONE = -1
#: So many fits are worked out together: they stay in the processor's cache.
_TOGETHER = 1024
#: Most a node is forgiven (in nats) before its past is not believed, and how that fades, each symbol.
_MOST_FORGIVEN = 8.0
#: An alignment that begins later in the first symbol's time has less behind it: so much is forgiven besides.
_LATE_START = 24.0
_FADING = 1.0 - 1.0 / 64.0
#: How far the amplitude follows that of one symbol.
_LEVEL_GAIN = 0.125
#: Tones tell where symbols begin if they turn so far from one another, in turns; and how far at most one
#: symbol is believed to say so, as a share of its length.
_LEAST_APART, _MOST_APART = 0.05, 0.5
#: A free carrier that is so many turns early or late is in doubt: a symbol may have begun elsewhere.
_MOST_EARLY = 0.08
#: So many equal symbols may be a leader.
_LONG_RUN = 48
#: While nothing sounds the clock may go wrong by this share: the tape wanders, and a card is not exact.
_PACE_DOUBT = 0.005


class Fits(NamedTuple):
    """What the templates are held against (see `search.Scene`), and how well they fit from each sample on.

    `wave` and `fit` have shape (1 or 2, symbols, ...): sine, and cosine where a carrier runs free.
    """

    heard: F4
    wave: F4
    size: npt.NDArray[np.int64]
    fit: F4
    scale: F4
    sharpness: F4
    null: F8
    is_hopeless: npt.NDArray[np.bool_]
    block: int


#: What the search knows of each symbol; see `Templates`. The first three are the inner products of its
#: templates: sine x sine, cosine x cosine, sine x cosine. `apart` is how far its tone turns ahead of the
#: middle of all tones, in turns.
SHAPE = np.dtype(
    [
        ("energy", np.float64), ("leaning_energy", np.float64), ("cross", np.float64),
        ("length", np.float64), ("turns", np.float64), ("apart", np.float64), ("flips", np.int64),
        ("bend", np.float64), ("droop", np.float64),
    ]
)  # fmt: skip


class Tuning(NamedTuple):
    """The search's settings; see `search.py`, where they are chosen and explained."""

    slot: float
    longest: float
    beam: float
    hold: float
    switch_cost: float
    agility: float
    tone_gain: float
    shift_cost: float
    stretch_span: float
    is_free: bool
    idle_allowed: bool


class Nodes(NamedTuple):
    """What is kept of every node, arrays of shape (slots, states), and of idle, arrays of length slots.

    `quiet` is how long the path has been silent, in samples: nothing told the time meanwhile.
    `parent` is the node a path comes from, numbered ``slot * states + s``, or ``-1 - slot`` for idle.
    """

    score: F8
    place: F8
    pace: F4
    phase: F4
    forgiven: F4
    quiet: F4
    parent: npt.NDArray[np.int64]
    symbol: npt.NDArray[np.int8]
    idle: F8
    idle_from: npt.NDArray[np.int8]

    @classmethod
    def empty(cls, slots: int, states: int) -> Nodes:
        """Make room for so many slots."""
        shape = (slots, states)
        return cls(
            np.full(shape, DEAD), np.empty(shape), np.empty(shape, np.float32), np.empty(shape, np.float32),
            np.zeros(shape, np.float32), np.zeros(shape, np.float32), np.empty(shape, np.int64),
            np.full(shape, _NONE, np.int8), np.zeros(slots), np.full(slots, -1, np.int8),
        )  # fmt: skip


class Followed(NamedTuple):
    """A path as `search.Path` has it, arrays of the most symbols there can be."""

    symbol: npt.NDArray[np.int64]
    start: F8
    end: F8
    sign: npt.NDArray[np.int64]
    phase: F8

    @classmethod
    def empty(cls, most: int) -> Followed:
        """Make room for so many symbols."""
        return cls(
            np.empty(most, np.int64), np.empty(most), np.empty(most), np.empty(most, np.int64), np.empty(most)
        )


@kernel
def work_out(fits):  # type: ignore[no-untyped-def]
    """Fill in `fit`: the correlation of what is heard from each sample on with each template, over the local
    amplitude.
    """
    heard, wave, fit, scale, block = fits.heard, fits.wave, fits.fit, fits.scale, fits.block
    for kind in range(wave.shape[0]):
        for m in range(wave.shape[1]):
            for first in range(0, fit.shape[2], _TOGETHER):
                some = fit[kind, m, first : first + _TOGETHER]
                some[:] = 0.0
                for k in range(fits.size[m]):
                    _add_product(some, wave[kind, m, k], heard[first + k :])
            for n in range(fit.shape[2]):
                fit[kind, m, n] *= scale[min(n // block, len(scale) - 1)]


@summing_kernel
def _add_product(sums, factor, values):  # type: ignore[no-untyped-def]
    """Add to sums as many products as there are values."""
    for i in range(min(len(sums), len(values))):
        sums[i] += factor * values[i]


@kernel
def _at(fit, kind, m, place, droop):  # type: ignore[no-untyped-def]
    """Fit, and its slope per sample, between samples (cubic through four points)."""
    n = math.floor(place)
    if n < 1 or n > fit.shape[2] - 3:
        return fit[kind, m, min(max(n, 0), fit.shape[2] - 1)], 0.0
    a, b, c, d = fit[kind, m, n - 1], fit[kind, m, n], fit[kind, m, n + 1], fit[kind, m, n + 2]
    return _between(a, b, c, d, place - n, droop)


@inlined
def _between(a, b, c, d, x, droop):  # type: ignore[no-untyped-def]
    """Value and slope of the cubic through four points at -1, 0, 1, 2, made up for what it loses in between.

    Else symbols that begin midway between samples would fit worse than others, and in a long leader lose.
    """
    one, two, three = c - a, 2.0 * a - 5.0 * b + 4.0 * c - d, 3.0 * (b - c) + d - a
    midway = 4.0 * x * (1.0 - x)
    more = 1.0 + droop * midway * midway
    return more * (b + 0.5 * x * (one + x * (two + x * three))), more * (
        0.5 * one + x * (two + 1.5 * x * three)
    )


@summing_kernel
def _new_at(heard, wave, m, size, place, droop):  # type: ignore[no-untyped-def]
    """As `_at`, of a place that is looked at once only: at least one sample from either end."""
    fit, slope, quadrature = 0.0, 0.0, 0.0
    n = math.floor(place)
    early, one, two, three = np.uint64(n - 1), np.uint64(1), np.uint64(2), np.uint64(3)
    for kind in range(len(wave)):
        a, b, c, d = np.float32(0.0), np.float32(0.0), np.float32(0.0), np.float32(0.0)
        for k in range(np.uint64(size)):
            w = wave[kind, m, k]
            a += w * heard[early + k]
            b += w * heard[early + one + k]
            c += w * heard[early + two + k]
            d += w * heard[early + three + k]
        value, rise = _between(a, b, c, d, place - n, droop)
        if kind == 0:
            fit, slope = value, rise
        else:
            quadrature = value
    return fit, slope, quadrature


@kernel
def _null(null, block, place):  # type: ignore[no-untyped-def]
    """Log-likelihood of "noise alone" up to a place."""
    x = min(max(place / block, 0.0), len(null) - 1.000001)
    n = int(x)
    return null[n] + (x - n) * (null[n + 1] - null[n])


@inlined
def _gains(length, stiffness, agility):  # type: ignore[no-untyped-def]
    """How far the clock's place and its speed follow how late one symbol seems to be.

    The steady gains of a tracking filter for a target that changes speed at random: Kalata, "The tracking
    index", IEEE Trans. Aerospace and Electronic Systems 20 (1984). `stiffness` is one over the variance with
    which the symbol tells the place, `agility` how far the pace wanders in a sample.
    """
    index = agility * length * math.sqrt(length * stiffness)
    r = 0.25 * (4.0 + index - math.sqrt(8.0 * index + index * index))
    alpha = 1.0 - r * r
    return alpha, 2.0 * (2.0 - alpha) - 4.0 * r


@inlined
def _phase(shape, heard, quadrature):  # type: ignore[no-untyped-def]
    """Phase of a free carrier at a symbol's beginning, in turns, by its two fits: that of least squares."""
    upright = shape.leaning_energy * heard - shape.cross * quadrature  # but for a common factor
    leaning = shape.energy * quadrature - shape.cross * heard
    return math.atan2(leaning, upright) / _TAU


@inlined
def _gain(shape, sign, c, s, heard, quadrature, sharpness, is_free):  # type: ignore[no-untyped-def]
    """Log-likelihood gained by a symbol; `c` and `s` are cosine and sine of a free carrier's phase."""
    if not is_free:
        return ((-heard if sign == 1 else heard) - 0.5 * shape.energy) * sharpness
    taken = c * c * shape.energy + s * s * shape.leaning_energy + 2.0 * c * s * shape.cross
    return (heard * c + quadrature * s - 0.5 * taken) * sharpness


@inlined
def _onward(  # type: ignore[no-untyped-def]
    shape, place, sign, pace, phase, heard, slope, quadrature, sharpness, tuning
):  # fmt: skip
    """Where a symbol from `place` on should end, the pace and phase there, and how early a carrier was.

    That is in turns. `heard` and `quadrature` are the symbol's fits, `slope` that of the first.
    """
    wide = shape.length * pace
    alpha, beta = _gains(wide, shape.bend * sharpness, tuning.agility)
    if not tuning.is_free:
        if sign == 1:
            slope = -slope
        # in samples: where the fit would be best
        late = min(max(slope / shape.bend, -tuning.slot), tuning.slot)
        return place + wide + alpha * late, pace * (1.0 + beta * late / wide), 0.0, 0.0
    early = _phase(shape, heard, quadrature) - phase
    early -= math.floor(early + 0.5)
    late = -early * wide / max(shape.turns, 0.1)  # the carrier tells the time best
    # the carrier alone says nothing of where one symbol ends and the next begins: that of two tones one is
    # early and the other late does
    shift = 0.0
    if abs(shape.apart) > _LEAST_APART:
        told = min(max(early / shape.apart, -_MOST_APART), _MOST_APART)
        shift -= tuning.tone_gain * shape.energy * sharpness * told * wide
    return (
        place + wide + alpha * late + shift,
        pace * (1.0 + beta * late / wide),
        phase + shape.turns * (1.0 + shift / wide),
        early,
    )


@kernel
def search_forward(fits, shapes, price, tuning, nodes):  # type: ignore[no-untyped-def]
    """Find the best way to every node; fills `nodes`.

    `price` has a row for each symbol before, and a last one for none.
    """
    score, place, paces, phases, forgiven, quiet, parent, symbol, idle, idle_from = nodes
    fit, sharpness_by_block, null, block = fits.fit, fits.sharpness, fits.null, fits.block
    slots, states = score.shape
    lowest, highest = 1.0 - tuning.stretch_span, 1.0 + tuning.stretch_span
    recent, before = DEAD, DEAD  # best score of this stretch of time and of the one before it
    stretch_of_time = int(2 * tuning.longest / tuning.slot) + 2
    for n in range(slots):
        if n % stretch_of_time == 0:
            before, recent = recent, DEAD
        if n > 0:
            idle[n] = idle[n - 1]
        for s in range(states):
            if score[n, s] - tuning.switch_cost > idle[n] and tuning.idle_allowed:
                idle[n] = score[n, s] - tuning.switch_cost
                idle_from[n] = s
            recent = max(recent, score[n, s])
        if tuning.idle_allowed:
            recent = max(recent, idle[n])
        best = max(recent, before)
        for source in range(states + (1 if tuning.is_free else states)):
            from_idle = source >= states
            s = source - states if from_idle else source
            if not from_idle:
                start_score = score[n, s]
                at, pace, phase = place[n, s], paces[n, s], phases[n, s]
            else:
                start_score = DEAD
                if tuning.idle_allowed:
                    start_score = idle[n] - tuning.switch_cost
                elif n < stretch_of_time:
                    start_score = 0.0
                at, pace, phase = (n + 0.5) * tuning.slot, 1.0, 0.0
            first = at
            if start_score < best - tuning.beam or start_score <= DEAD:
                continue
            here = min(max(int(first / block), 0), len(sharpness_by_block) - 1)
            if from_idle and fits.is_hopeless[here]:
                continue
            sharpness = sharpness_by_block[here]
            if not from_idle and start_score < best - tuning.hold:
                forgiven[n, s] += best - tuning.hold - start_score
                start_score = best - tuning.hold
                score[n, s] = start_score
                if forgiven[n, s] > _MOST_FORGIVEN:
                    score[n, s] = DEAD
                    continue
            unsure = 0.0  # by how many samples it may begin earlier or later
            if not tuning.is_free:
                unsure = tuning.slot if from_idle else _PACE_DOUBT * quiet[n, s]
            begins = _null(null, block, at)
            cosine, sine = 1.0, 0.0
            if tuning.is_free and not from_idle:
                cosine, sine = math.cos(_TAU * phase), math.sin(_TAU * phase)
            last = -1 if from_idle else symbol[n, s]  # -1, the last row of prices: no symbol before
            for m in range(len(shapes)):
                if price[last, m] == math.inf:
                    continue
                shape = shapes[m]
                at, surprise = first, 0.0
                if unsure > 0.0 and shape.energy > 0.0:  # begin where the fit is best
                    late = _at(fit, 0, m, first, shape.droop)[1] / shape.bend
                    if not from_idle:
                        room = unsure * unsure * shape.bend * sharpness
                        late *= room / (1.0 + room)
                        surprise = 0.5 * late * late / (unsure * unsure)
                    at += min(max(-late if s == 1 else late, -tuning.slot), tuning.slot)
                heard, slope = _at(fit, 0, m, at, shape.droop)
                quadrature = 0.0
                if tuning.is_free:
                    quadrature, _ = _at(fit, 1, m, at, shape.droop)
                if tuning.is_free and from_idle:
                    phase = _phase(shape, heard, quadrature)
                    cosine, sine = math.cos(_TAU * phase), math.sin(_TAU * phase)
                gain = _gain(shape, s, cosine, sine, heard, quadrature, sharpness, tuning.is_free)
                gain -= surprise
                # what is so far behind now will be given up, at the latest where it ends
                ahead = start_score + gain - price[last, m] - (recent - tuning.beam)
                if ahead < 0.0:
                    continue
                reach = 1 if tuning.is_free and ahead >= tuning.shift_cost else 0
                end, new_pace, new_phase, _ = _onward(
                    shape, at, s, pace, phase, heard, slope, quadrature, sharpness, tuning,
                )  # fmt: skip
                for k in range(-reach, reach + 1):
                    # a boundary found early or late is one on the same carrier, early or late
                    to = end + k * tuning.slot
                    node = int(to / tuning.slot)
                    if node >= slots or node <= n:
                        continue
                    ends = _null(null, block, to)
                    total = start_score + gain - price[last, m] - (ends - begins)
                    if k != 0:  # what lies beyond a symbol's end is the next one's to explain
                        total -= tuning.shift_cost + (
                            max(gain, 0.0) * (end - to) / (end - at) if k < 0 else 0.0
                        )
                    after = s
                    turned = new_phase
                    if tuning.is_free:
                        turned += shape.turns * k * tuning.slot / (end - at)
                        turned -= math.floor(turned)
                        after = min(int(turned * states), states - 1)
                    elif states == 2:
                        after = s ^ shape.flips
                    if total <= score[node, after] or total < recent - tuning.beam:
                        continue
                    score[node, after] = total
                    place[node, after] = to
                    paces[node, after] = min(max(new_pace, lowest), highest)
                    phases[node, after] = turned
                    forgiven[node, after] = -_LATE_START if from_idle else _FADING * forgiven[n, s]
                    parent[node, after] = -1 - n if from_idle else n * states + s
                    symbol[node, after] = m
                    quiet[node, after] = 0.0 if shape.energy > 0.0 or from_idle else quiet[n, s] + end - at


@kernel
def follow(  # type: ignore[no-untyped-def]
    fits, shapes, tuning, place, until, pace, sign, phase, level, sharpness_at_one, most_sharpness, clearest,
    margin, last, run, path,
):  # fmt: skip
    """Go on from a symbol's end, symbol by symbol, while each is beyond doubt and ends before `until`.

    A symbol is taken if it leaves less than a third of what any other would leave of what was heard, and less
    by `margin` nats of the noise there is: at the most sharpness that is believed of a reading, symbols that
    are in part alike are never so far apart. (`clearest` is the most there is.) What comes after a long run
    of one symbol is in doubt whatever it is: a run does not tell where symbols begin. So far there were `run`
    symbols equal to the `last`, `level` is the amplitude so far, `sharpness_at_one` the sharpness at
    amplitude 1. Fills `path`, and the local amplitude in `fits` as far as it comes; returns the number of
    symbols.
    """
    heard, wave, size, scale, block = fits.heard, fits.wave, fits.size, fits.scale, fits.block
    longest = tuning.longest * (1.0 + tuning.stretch_span) + 4.0
    lowest, highest = 1.0 - tuning.stretch_span, 1.0 + tuning.stretch_span
    count = 0
    was_long = run >= _LONG_RUN
    while 1.0 <= place < len(heard) - longest and count < len(path.symbol):
        told = level * level * sharpness_at_one
        sharpness = min(told, most_sharpness)
        apart = margin * sharpness / min(told, clearest)
        best, left, second = -1, 1e30, 1e30
        best_gain, best_fit, best_slope, best_quadrature = 0.0, 0.0, 0.0, 0.0
        power, summed = 0.0, math.ceil(place)
        cosine, sine = 1.0, 0.0
        if tuning.is_free:
            cosine, sine = math.cos(_TAU * phase), math.sin(_TAU * phase)
        for m in range(len(shapes)):
            shape = shapes[m]
            fit, slope, quadrature = _new_at(heard, wave, m, size[m], place, shape.droop)
            fit, slope, quadrature = fit / level, slope / level, quadrature / level
            gain = _gain(shape, sign, cosine, sine, fit, quadrature, sharpness, tuning.is_free)
            over = math.ceil(place + shape.length * pace)
            power += _power(heard, summed, over)
            summed = over
            m_left = 0.5 * power / (level * level) * sharpness - gain
            if m_left < left:
                second, left, best, best_gain = left, m_left, m, gain
                best_fit, best_slope, best_quadrature = fit, slope, quadrature
            else:
                second = min(second, m_left)
        run = run + 1 if best == last else 1
        if second < 3.0 * left or second < left + apart or (run == 1 and was_long):
            break
        end, next_pace, next_phase, early = _onward(
            shapes[best], place, sign, pace, phase, best_fit, best_slope, best_quadrature, sharpness, tuning,
        )  # fmt: skip
        if abs(early) > _MOST_EARLY or end > until:
            break
        last, was_long = best, run >= _LONG_RUN
        path.symbol[count], path.start[count], path.end[count] = best, place, end
        path.sign[count], path.phase[count] = sign, phase
        count += 1
        scale[int(place / block) : int(end / block) + 1] = 1.0 / level
        level *= 1.0 + _LEVEL_GAIN * (best_gain / sharpness / shapes[best].energy - 0.5)
        place, pace = end, min(max(next_pace, lowest), highest)
        phase = next_phase - math.floor(next_phase)
        if not tuning.is_free:
            sign ^= shapes[best].flips
    return count


@summing_kernel
def _power(heard, first, last):  # type: ignore[no-untyped-def]
    """Sum of squares from one sample up to another; less than nothing if that comes before."""
    total = np.float32(0.0)
    for n in range(np.uint64(min(first, last)), np.uint64(max(first, last))):
        total += heard[n] * heard[n]
    return total if last > first else -total
