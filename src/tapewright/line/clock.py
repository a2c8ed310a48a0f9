"""Smooth tracks through noisy measurements, and the recording on even time: the loops of the second pass.

Tape time runs in grid samples, the recording in samples of the receiver's rate. The clock maps one to the
other; between symbols it is a cubic through places and paces.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from tapewright.compiled import inlined, kernel, summing_kernel

__all__ = [
    "RESTLESSNESS",
    "Clock",
    "clock_times",
    "corrected",
    "even_samples",
    "interpolator",
    "is_forward",
    "level_through",
    "run_on",
    "smooth_clock",
    "typical_of",
]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: Measurements this many standard errors off count for less, the more the further.
_FAR = 3.0
#: Spectral densities of the change of pace that are tried, in 1 / grid sample: from a clock of quartz to
#: flutter of several per cent at tens of hertz.
RESTLESSNESS = 10.0 ** np.arange(-13.0, -4.9, 1.0)
#: The same of the level's change, in relative squared change a grid sample.
UNSTEADINESS = 10.0 ** np.arange(-9.0, -3.9, 1.0)
#: How restless clock and level are is judged by so many symbols at most, evenly spread.
MOST_TO_TRY = 8000
#: Between two samples so many places are told apart; and noise outside the band that interpolation reckons
#: with, against that inside.
FINENESS, OUTSIDE = 256, 1e-3
#: No clock calmer is tried than one that is so many nats less likely than the best. (Not the other way round:
#: where there is flutter, a clock a little more restless than quartz may be the less likely one.)
FAR_BEHIND_NATS = 20.0
#: A median is taken of so many values at most.
MOST_FOR_MEDIAN = 2048


class Clock(NamedTuple):
    """Places and paces in the recording (in samples, and samples to a grid sample) at some tape times."""

    at: FloatArray
    place: FloatArray
    pace: FloatArray


def is_forward(clock: Clock) -> bool:
    """Whether a clock runs forward everywhere: no clock drawn through places in noise or music need do so.

    Cubics are monotone if their slopes at both ends lie between 0 and three times the mean slope between
    them (Fritsch and Carlson, SIAM Journal on Numerical Analysis 17, 1980).
    """
    steepest = 3 * np.diff(clock.place) / np.diff(clock.at)
    early, late = clock.pace[:-1], clock.pace[1:]
    return bool(np.all((early > 0) & (early < steepest) & (late > 0) & (late < steepest)))


def typical_of(values: FloatArray) -> float:
    """Median, of two thousand or so of the values where there are more."""
    some = values[:: len(values) // MOST_FOR_MEDIAN + 1]
    low, high = (len(some) - 1) // 2, len(some) // 2
    parted = np.partition(some, (low, high))  # as numpy's median, which takes four times as long
    return 0.5 * float(parted[low] + parted[high])


def smooth_clock(
    at: FloatArray, place: FloatArray, variance: FloatArray, pace: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Draw a smooth clock through the places measured at the beginnings of symbols.

    A Kalman smoother whose speed wanders at random (Rauch, Tung and Striebel, AIAA Journal 3, 1965), with
    the restlessness under which the measurements are likeliest.

    Parameters
    ----------
    at : ndarray of float64, shape (n,)
        Tape time, in grid samples, increasing.
    place, variance : ndarray of float64, shape (n,)
        Where in the recording, in samples, and how uncertain; infinite where nothing was measured.
    pace : float
        Samples to a grid sample, roughly.

    Returns
    -------
    place, pace, uncertain : ndarray of float64, shape (n,)
        The last is the variance of the place, roughly: half of what it is by what came before alone, and at
        the very beginning what that usually is.
    """
    smooth, speed, work = np.empty(len(at)), np.empty(len(at)), np.empty((len(at), 8))
    best = _restlessness(at, place, variance, pace)
    _clock(at, place, variance, pace, best, smooth, speed, work, True)
    forward = work[:, 7]
    return smooth, speed, np.minimum(0.5 * forward, typical_of(forward))


def _restlessness(at: FloatArray, place: FloatArray, variance: FloatArray, pace: float) -> float:
    """The restlessness under which what was measured is likeliest."""
    best, most = float(RESTLESSNESS[0]), -math.inf
    at, place, variance = _evenly_spread(at, place, variance)
    none, no_room = np.empty(0), np.empty((0, 8))
    for density in RESTLESSNESS[::-1]:
        likelihood = float(_clock(at, place, variance, pace, density, none, none, no_room, False))
        if likelihood > most:
            best, most = float(density), likelihood
        elif likelihood < most - FAR_BEHIND_NATS:
            break
    return best


def _evenly_spread(*tracks: FloatArray) -> list[FloatArray]:
    """Take as many values of each as are enough to try something."""
    return [np.ascontiguousarray(track[:: len(track) // MOST_TO_TRY + 1]) for track in tracks]


@inlined
def run_on(x, v, pxx, pxv, pvv, dt, density):  # type: ignore[no-untyped-def]
    """Move a clock on: place, pace, and their covariance."""
    return (
        x + v * dt,
        v,
        pxx + dt * (2.0 * pxv + dt * pvv) + density * dt * dt * dt / 3.0,
        pxv + dt * pvv + density * dt * dt / 2.0,
        pvv + density * dt,
    )


@inlined
def corrected(x, v, pxx, pxv, pvv, off, variance):  # type: ignore[no-untyped-def]
    """Correct a clock by a measurement of its place that is so far off, and so uncertain."""
    spread = pxx + variance
    kx, kv = pxx / spread, pxv / spread
    return x + kx * off, v + kv * off, pxx - kx * pxx, pxv - kx * pxv, pvv - kv * pxv


@kernel
def _clock(at, place, variance, pace, density, smooth, speed, work, backward):  # type: ignore[no-untyped-def]
    """Filter forward (returns the log-likelihood), and smooth backward if asked."""
    x, v = place[0], pace
    pxx, pxv, pvv = 25.0, 0.0, 1e-4  # a start known to some samples and one per cent
    likelihood = 0.0
    for i in range(len(at)):
        if i > 0:
            x, v, pxx, pxv, pvv = run_on(x, v, pxx, pxv, pvv, at[i] - at[i - 1], density)
        if backward:
            work[i, 0], work[i, 1], work[i, 2], work[i, 3], work[i, 4] = x, v, pxx, pxv, pvv
        if math.isfinite(variance[i]):
            off = place[i] - x
            spread = pxx + variance[i]
            far = off * off / (spread * _FAR * _FAR)
            r = variance[i]
            if far > 1.0:
                r = spread * math.sqrt(far) - pxx
                spread = pxx + r
            likelihood -= 0.5 * (math.log(spread) + off * off / spread)
            x, v, pxx, pxv, pvv = corrected(x, v, pxx, pxv, pvv, off, r)
        if backward:
            work[i, 5], work[i, 6], work[i, 7] = x, v, pxx
            smooth[i], speed[i] = x, v
        # the filtered covariance's other entries are worked out again from the predicted ones below
    if not backward:
        return likelihood
    for i in range(len(at) - 2, -1, -1):
        dt = at[i + 1] - at[i]
        # filtered covariance at i, from the predicted one at i + 1
        qxv, qvv = density * dt * dt / 2.0, density * dt
        fvv = work[i + 1, 4] - qvv
        fxv = work[i + 1, 3] - qxv - dt * fvv
        fxx = work[i, 7]
        # gain: filtered covariance, moved on, times the inverse of the predicted one
        axx, axv = fxx + dt * fxv, fxv
        avx, avv = fxv + dt * fvv, fvv
        pxx, pxv, pvv = work[i + 1, 2], work[i + 1, 3], work[i + 1, 4]
        determinant = max(pxx * pvv - pxv * pxv, 1e-30)
        gxx, gxv = (axx * pvv - axv * pxv) / determinant, (axv * pxx - axx * pxv) / determinant
        gvx, gvv = (avx * pvv - avv * pxv) / determinant, (avv * pxx - avx * pxv) / determinant
        dx, dv = smooth[i + 1] - work[i + 1, 0], speed[i + 1] - work[i + 1, 1]
        smooth[i] = work[i, 5] + gxx * dx + gxv * dv
        speed[i] = work[i, 6] + gvx * dx + gvv * dv
    return likelihood


def level_through(at: FloatArray, level: FloatArray, variance: FloatArray) -> FloatArray:
    """Draw a level that wanders at random through the levels measured, as unsteady as is likeliest.

    Parameters
    ----------
    at : ndarray of float64, shape (n,)
        Tape time, in grid samples.
    level, variance : ndarray of float64, shape (n,)
        Variance is infinite where nothing was measured.
    """
    measured = np.isfinite(variance)
    if not measured.any():
        return np.ones(len(at))
    typical = max(typical_of(level[measured]), 1e-9)
    smooth, work = np.empty(len(at)), np.empty((len(at), 2))
    best, most = 0.0, -math.inf
    few, levels, variances = _evenly_spread(at, level, variance)
    for density in UNSTEADINESS * typical**2:
        likelihood = float(_level(few, levels, variances, typical, density, smooth, work, False))
        if likelihood <= most:
            break
        best, most = density, likelihood
    _level(at, level, variance, typical, best, smooth, work, True)
    return np.asarray(np.maximum(smooth, 1e-3 * typical))


@kernel
def _level(at, level, variance, typical, density, smooth, work, backward):  # type: ignore[no-untyped-def]
    """Filter forward (returns the log-likelihood), and smooth backward if asked."""
    x, p = typical, typical * typical
    likelihood = 0.0
    for i in range(len(at)):
        if i > 0:
            p += density * (at[i] - at[i - 1])
        if math.isfinite(variance[i]):
            off = level[i] - x
            spread = p + variance[i]
            likelihood -= 0.5 * (math.log(spread) + min(off * off / spread, 2 * _FAR * _FAR))
            x += p / spread * off
            p -= p * p / spread
        if backward:
            work[i, 0], work[i, 1] = x, p
    if not backward:
        return likelihood
    smooth[len(at) - 1] = x
    for i in range(len(at) - 2, -1, -1):
        ahead = work[i, 1] + density * (at[i + 1] - at[i])
        smooth[i] = work[i, 0] + work[i, 1] / ahead * (smooth[i + 1] - work[i, 0])
    return likelihood


def clock_times(tape: FloatArray, at: FloatArray, place: FloatArray, pace: FloatArray) -> FloatArray:
    """Places in the recording of increasing tape times, by a `Clock`."""
    times = np.empty(len(tape))
    _fill_in_times(tape, at, place, pace, times)
    return times


@kernel
def _fill_in_times(tape, at, place, pace, times):  # type: ignore[no-untyped-def]
    k = -1
    for i in range(len(tape)):
        while k + 1 < len(at) and at[k + 1] <= tape[i]:
            k += 1
        first, one, two, three = _cubic(at, place, pace, k)
        t = tape[i] - at[max(k, 0)]
        times[i] = first + t * (one + t * (two + t * three))


@inlined
def _cubic(at, place, pace, k):  # type: ignore[no-untyped-def]
    """The clock from its k-th tape time on: before the first and after the last it runs on."""
    if k < 0 or k + 1 == len(at):
        k = max(k, 0)
        return place[k], pace[k], 0.0, 0.0
    width = at[k + 1] - at[k]
    u = 1.0 / width
    rise, da, db = place[k + 1] - place[k], pace[k] * width, pace[k + 1] * width
    return place[k], pace[k], (3.0 * rise - 2.0 * da - db) * u * u, (da + db - 2.0 * rise) * u * u * u


def interpolator(low: float, high: float) -> npt.NDArray[np.float32]:
    """Weights of the samples around, for a value between two of them.

    Those that make the mean square of the mistake least for noise in the band: all of the band comes through
    alike, so that noise is as strong as it is where the signal is. (A cubic dulls the upper part, and noise
    measured after it would be up to a quarter too weak.)

    Parameters
    ----------
    low, high : float
        Edges of the band, in turns a sample.

    Returns
    -------
    ndarray of float32, shape (FINENESS + 1, 6)
        Row k: k / FINENESS after the third of six samples.
    """
    near = np.arange(6) - 2.0
    after = np.arange(FINENESS + 1)[:, np.newaxis] / FINENESS

    def alike(apart: FloatArray) -> FloatArray:
        return np.asarray(2 * high * np.sinc(2 * high * apart) - 2 * low * np.sinc(2 * low * apart))

    products = alike(near[:, np.newaxis] - near)
    products += OUTSIDE * products[0, 0] * np.eye(6)
    return np.linalg.solve(products, alike(near - after).T).T.astype(np.float32, order="C")


@kernel
def even_samples(heard, at, place, pace, taps, even):  # type: ignore[no-untyped-def]
    """Fill `even` with the recording at the middle of each grid sample, by a `Clock` and `interpolator`."""
    last = len(at) - 1
    for k in range(-1, len(at)):
        zero, one, two, three = _cubic(at, place, pace, k)
        since = at[k] if k >= 0 else 0.0
        until = at[k + 1] if k < last else float(len(even))
        _curve(heard, at[max(k, 0)], zero, one, two, three, since, until, taps, even)


@summing_kernel
def _curve(heard, at, place, one, two, three, since, until, taps, even):  # type: ignore[no-untyped-def]
    """Fill `even` from one tape time up to another along a cubic."""
    first, last = max(math.ceil(since - 0.5), 0), min(math.ceil(until - 0.5), len(even))
    if last <= first:
        return
    # A cubic lies between the least and the greatest of its Bezier points: if they are inside, all of it is.
    t = first + 0.5 - at
    third = (last - 1 - first) / 3
    begin = place + t * (one + t * (two + t * three))
    early = begin + third * (one + t * (2 * two + 3 * t * three))
    t = last - 0.5 - at
    end = place + t * (one + t * (two + t * three))
    late = end - third * (one + t * (2 * two + 3 * t * three))
    if min(begin, early, late, end) >= 2.0 and max(begin, early, late, end) < len(heard) - 4:
        for n in range(first, last):
            t = n + 0.5 - at
            x = place + t * (one + t * (two + t * three))
            i = int(x)
            even[n] = _between(heard, i, taps, int((x - i) * FINENESS + 0.5))
        return
    for n in range(first, last):
        t = n + 0.5 - at
        x = place + t * (one + t * (two + t * three))
        i = math.floor(x)
        if 2 <= i < len(heard) - 3:
            even[n] = _between(heard, i, taps, int((x - i) * FINENESS + 0.5))
        else:
            even[n] = heard[i] if 0 <= i < len(heard) else 0.0


@inlined
def _between(heard, i, w, k):  # type: ignore[no-untyped-def]
    """The recording a little after sample `i`, the third or a later one."""
    n, k = np.uint64(i - 2), np.uint64(k)  # of numbers without a sign none is looked up from the end
    return (
        w[k, 0] * heard[n] + w[k, 1] * heard[n + np.uint64(1)] + w[k, 2] * heard[n + np.uint64(2)]
        + w[k, 3] * heard[n + np.uint64(3)] + w[k, 4] * heard[n + np.uint64(4)]
        + w[k, 5] * heard[n + np.uint64(5)]
    )  # fmt: skip
