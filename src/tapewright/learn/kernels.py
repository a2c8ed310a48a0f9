"""The loops of learning that must be fast, compiled by numba and cached on disk."""

from __future__ import annotations

import numpy as np
from numba import njit


@njit(cache=True, nogil=True)
def find_marks(x, threshold, times, rising):  # type: ignore[no-untyped-def]
    """Fill in the crossings of `x` as a Schmitt trigger sees them; return how many.

    A crossing is seen where `x` has passed +-`threshold`, and stands where it passed zero. After a rest the
    zero before it is noise: then it stands where a line through half the threshold and the whole would pass
    zero. `times` is in samples.
    """
    count = 0
    state = 0
    zero = 0.0  # where x last passed zero, towards the side it is on now
    half = 0.0  # where it last passed half the threshold, outwards
    for i in range(1, len(x)):
        before, now = x[i - 1], x[i]
        if (before < 0.0) != (now < 0.0):
            zero = i - 1 + before / (before - now)
            half = zero
        level = threshold[i]
        side = 1.0 if now >= 0.0 else -1.0
        b, n = before * side, now * side
        middle = 0.5 * level
        if b < middle <= n:
            half = i - 1 + (middle - b) / (n - b)
        if n >= level and state != side:
            whole = float(i)
            if b < level:
                whole = i - 1 + (level - b) / (n - b)
            if state != 0:
                times[count] = max(zero, 2.0 * half - whole)
                rising[count] = side > 0
                count += 1
            state = side
    return count


@njit(cache=True, nogil=True)
def repeats_at(us, breaks, lag, share, slack, least, mask):  # type: ignore[no-untyped-def]
    """Set `mask` to `lag` where durations repeat after `lag` places, `least` times in a row or more.

    Two are alike within `share` and `slack` microseconds. One in a dozen may be unlike its fellow.
    """
    n = len(us)
    first = 0
    last = -1
    credit = 0
    alike_count = 0
    for i in range(n - lag + 1):
        alike = False
        ends = i == n - lag
        if not ends:
            alike = abs(us[i] - us[i + lag]) < share * us[i] + slack
            ends = breaks[i]
        if alike:
            if credit == 0:
                first = i
                alike_count = 0
            credit = min(credit + 1, 24)
            alike_count += 1
            last = i
        elif credit > 0:
            credit = max(0, credit - 12)
        if (ends or credit == 0) and last >= first:
            if alike_count >= least:
                for k in range(first, min(last + lag, n)):
                    if mask[k] == 0:
                        mask[k] = lag
            credit = 0
            last = first - 1


@njit(cache=True, nogil=True)
def parse(logs, breaks, centres, spreads, starts, price, unknown, back):  # type: ignore[no-untyped-def]
    """Cut durations into words at the least cost; return the cost in nats.

    Word w is ``centres[starts[w]:starts[w + 1]]`` (logarithms, with standard deviations `spreads`) and costs
    ``price[w]`` each time; a duration off its centre costs as a normal error does, but no more than one in no
    word, which costs `unknown`. No word goes across a break (before entry i where ``breaks[i]``). `back` is
    given, for each place, the word that ends before it, or -1 for a duration in no word.
    """
    n = len(logs)
    words = len(starts) - 1
    best = np.full(n + 1, 1e300)
    best[0] = 0.0
    back[0] = -1
    norms = np.log(spreads * np.sqrt(2.0 * np.pi))
    halves = 0.5 / (spreads * spreads)
    for i in range(n):
        here = best[i]
        if here + unknown < best[i + 1]:
            best[i + 1] = here + unknown
            back[i + 1] = -1
        for w in range(words):
            begin = starts[w]
            length = starts[w + 1] - begin
            if i + length > n:
                continue
            cost = here + price[w]
            whole = True
            misfits = 0
            for k in range(length):
                if k and breaks[i + k]:
                    whole = False
                    break
                off = logs[i + k] - centres[begin + k]
                error = off * off * halves[begin + k] + norms[begin + k]
                if error > unknown:
                    error = unknown
                    misfits += 1
                    if misfits > 1 and 3 * misfits > length:
                        whole = False
                        break
                cost += error
            if whole and 2 * misfits <= length - 1 and cost < best[i + length]:
                best[i + length] = cost
                back[i + length] = w
    return best[n]


@njit(cache=True, nogil=True)
def trace(back, lengths, words, places):  # type: ignore[no-untyped-def]
    """Follow `back` from the end; fill `words` and `places` from their ends and return where they begin."""
    at = len(back) - 1
    k = len(words)
    while at > 0:
        word = back[at]
        at -= 1 if word < 0 else lengths[word]
        k -= 1
        words[k] = word
        places[k] = at
    return k
