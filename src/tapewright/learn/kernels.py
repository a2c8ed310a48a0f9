"""The loops of learning that must be fast, compiled by numba and cached on disk."""

from __future__ import annotations

import numpy as np

from tapewright.compiled import kernel


@kernel
def find_marks(x, threshold, times, rising):  # type: ignore[no-untyped-def]
    """Fill in where `x` goes to the other side, as a Schmitt trigger sees it; return how many times.

    A mark stands where `x` passes +-`threshold` outwards, and not at the zero before: after a rest that zero
    is noise, and in a plain wave all marks are late by the same part of it. `times` is in samples.
    """
    count = 0
    state = 0.0
    for i in range(1, len(x)):
        now = x[i]
        level = threshold[i]
        side = 1.0 if now >= 0.0 else -1.0
        if now * side < level or state == side:
            continue
        if state != 0.0:
            before = x[i - 1] * side
            part = (level - before) / (now * side - before) if before < level else 1.0
            times[count] = i - 1 + part
            rising[count] = side > 0
            count += 1
        state = side
    return count


@kernel
def repeats_at(us, breaks, lag, share, slack, least, least_us, mask):  # type: ignore[no-untyped-def]
    """Set `mask` to `lag` where durations repeat after `lag` places, `least` times and `least_us` or more.

    Two are alike within `share` and `slack` microseconds, and so must they be with the ones after them: what
    makes one half-wave longer and the next one shorter hides a small change of tone. One in a dozen may be
    unlike its fellow, but not very.
    """
    n = len(us)
    first = 0
    last = -1
    credit = 0
    alike_count = 0
    alike_us = 0.0
    for i in range(n - lag + 1):
        alike = False
        ends = i == n - lag
        if not ends:
            off = us[i] - us[i + lag]
            alike = abs(off) < share * us[i] + slack
            if alike and i + lag + 1 < n:
                both = us[i] + us[i + 1]
                alike = abs(both - us[i + lag] - us[i + lag + 1]) < share * both + slack
            ends = breaks[i] or abs(off) > 0.3 * max(us[i], us[i + lag])
        if alike:
            if credit == 0:
                first = i
                alike_count = 0
                alike_us = 0.0
            credit = min(credit + 1, 24)
            alike_count += 1
            alike_us += us[i]
            last = i
        elif credit > 0:
            credit = max(0, credit - 12)
        if (ends or credit == 0) and last >= first:
            if alike_count >= least and alike_us >= least_us:
                for k in range(first, min(last + lag, n)):
                    if mask[k] == 0:
                        mask[k] = lag
            credit = 0
            last = first - 1


@kernel
def parse(logs, breaks, centres, spreads, starts, price, unknown, back):  # type: ignore[no-untyped-def]
    """Cut durations into words at the least cost; return the cost in nats.

    Word w is ``centres[starts[w]:starts[w + 1]]`` (logarithms, with standard deviations `spreads`) and costs
    ``price[w]`` each time; a duration off its centre costs as a normal error does, but no more than one in no
    word, which costs `unknown`. No word goes across a break (before entry i where ``breaks[i]``), but it may
    be cut off there, at either end. ``back[:, i]`` is given, for what ends before place i, the word (-1 for a
    duration in no word), the place in the word it begins with, and how many durations it has.
    """
    n = len(logs)
    words = len(starts) - 1
    best = np.full(n + 1, 1e300)
    best[0] = 0.0
    norms = np.log(spreads * np.sqrt(2.0 * np.pi))
    halves = 0.5 / (spreads * spreads)
    for i in range(n):
        here = best[i]
        if here + unknown < best[i + 1]:
            best[i + 1] = here + unknown
            back[0, i + 1] = -1
            back[1, i + 1] = 0
            back[2, i + 1] = 1
        at_break = i == 0 or breaks[i]
        for w in range(words):
            length = starts[w + 1] - starts[w]
            for skipped in range(length - 1 if at_break and length > 2 else 1):
                begin = starts[w] + skipped
                size = length - skipped
                cost = here + price[w]
                misfits = 0
                k = 0
                while k < size and i + k < n and not (k and breaks[i + k]):
                    off = logs[i + k] - centres[begin + k]
                    error = off * off * halves[begin + k] + norms[begin + k]
                    if error > unknown:
                        error = unknown
                        misfits += 1
                        if misfits > 1 and 3 * misfits > size:
                            break
                    cost += error
                    k += 1
                if misfits > 1 and 3 * misfits > size:
                    continue
                if (k < 2 and length > 1) or 2 * misfits > k - 1 or (k < size and 3 * misfits > k):
                    continue
                if cost < best[i + k]:
                    best[i + k] = cost
                    back[0, i + k] = w
                    back[1, i + k] = skipped
                    back[2, i + k] = k
    return best[n]


@kernel
def trace(back, steps):  # type: ignore[no-untyped-def]
    """Follow `back` from the end; fill `steps` from its end and return where it begins.

    A step is a word, the place in it, how many durations, and the first of them.
    """
    at = back.shape[1] - 1
    k = steps.shape[1]
    while at > 0:
        k -= 1
        size = back[2, at]
        steps[0, k] = back[0, at]
        steps[1, k] = back[1, at]
        steps[2, k] = size
        at -= size
        steps[3, k] = at
    return k
