"""The loops of the load routine that must be fast, compiled by numba and cached on disk."""

from __future__ import annotations

import math

import numpy as np

from tapewright.compiled import kernel

__all__ = [
    "BURST",
    "COUNT",
    "CYCLE",
    "HALVES",
    "HIGH",
    "LOW",
    "least_margin",
    "longest_match",
    "measure",
    "parse",
]

CYCLE, HIGH, LOW, HALVES, COUNT, BURST = range(6)


@kernel
def measure(seconds, first, poll, reads, length, limits):  # type: ignore[no-untyped-def]
    """Measure what a polling loop sees of the edges of a bit.

    `length` is the window of `COUNT` and the quiet time of `BURST`. An edge is seen at the first poll after
    it, two edges between the same polls are not seen at all. The loop's first poll is at 0.

    Returns
    -------
    kind, value, start, end : ndarray
        One entry a measurement; `value` in seconds or edges, times in seconds as polled.
    """
    polls = np.empty(len(seconds), np.int64)
    seen = 0
    for i in range(len(seconds)):
        poll_number = math.ceil(seconds[i] / poll - 1e-9)
        if seen and polls[seen - 1] == poll_number:
            seen -= 1
        else:
            polls[seen] = poll_number
            seen += 1
    kind = np.empty(seen, np.int8)
    value = np.empty(seen)
    start = np.empty(seen)
    end = np.empty(seen)
    count = 0
    rising = 0 if first == 0 else 1
    i = 1 - rising if reads == LOW else rising if reads <= HIGH else 0
    while i < seen:
        if reads >= COUNT:
            last = i + 1
            while last < seen and (polls[last] - polls[i if reads == COUNT else last - 1]) * poll < length:
                last += 1
            value[count] = last - i
            start[count] = polls[i] * poll
            end[count] = polls[i if reads == COUNT else last - 1] * poll + length
            i = last
        else:
            last = i + (2 if reads == CYCLE else 1)
            if last >= seen:
                break
            value[count] = (polls[last] - polls[i]) * poll
            start[count] = polls[i] * poll
            end[count] = polls[last] * poll
            i += 1 if reads == HALVES else 2
        kind[count] = -1
        if limits[0] <= value[count] < limits[-1]:
            k = 0
            while value[count] >= limits[k + 1]:
                k += 1
            kind[count] = k
        count += 1
    return kind[:count], value[:count], start[:count], end[:count]


@kernel
def parse(kind, step, accept):  # type: ignore[no-untyped-def]
    """Read symbols from the kinds of measurements, the longest run that is one first.

    `step[node, kind]` is the node after one more measurement, -1 for none; `accept[node]` the symbol whose
    run ends there, -1 for none. What fits no symbol is -1 and one measurement long.

    Returns
    -------
    symbol, first : ndarray of int64
        `first` is the number of each symbol's first measurement.
    """
    symbol = np.empty(len(kind), np.int64)
    first = np.empty(len(kind), np.int64)
    count = 0
    i = 0
    while i < len(kind):
        node, found, found_end = 0, -1, i + 1
        j = i
        while j < len(kind) and kind[j] >= 0:
            node = step[node, kind[j]]
            if node < 0:
                break
            j += 1
            if accept[node] >= 0:
                found, found_end = accept[node], j
        symbol[count] = found
        first[count] = i
        count += 1
        i = found_end
    return symbol[:count], first[:count]


@kernel
def longest_match(symbol, expected, datum, end, leader, slack):  # type: ignore[no-untyped-def]
    """Find where the data begin in what was read, and how far they are right.

    They begin where `expected[datum]` was read and before it, apart from at most `slack` misread
    measurements, the last `leader` symbols of the leader. Of several such places the one with most right
    symbols counts.

    Returns
    -------
    place, right : int
        Number of the first datum in `symbol`, -1 if none; symbols right from there, of `end - datum`.
    """
    best_place, best = -1, -1
    if datum == end:
        return best_place, 0
    for j in range(len(symbol)):
        if symbol[j] != expected[datum]:
            continue
        before = j - 1
        while before >= 0 and before >= j - slack and symbol[before] == -1:
            before -= 1
        number = 0
        while (
            number < leader
            and before - number >= 0
            and symbol[before - number] == expected[datum - 1 - number]
        ):
            number += 1
        if number < leader:
            continue
        right = 0
        while (
            datum + right < end and j + right < len(symbol) and symbol[j + right] == expected[datum + right]
        ):
            right += 1
        if right > best:
            best_place, best = j, right
            if datum + right == end:
                break
    return best_place, best


@kernel
def least_margin(kind, value, first, step, room_below, room_above, limits):  # type: ignore[no-untyped-def]
    """Least distance to a limit among measurements that are right, as a share of what it is ideally.

    `first` holds the number of each symbol's first measurement, and last the one after all;
    `room_below[node]` and `room_above[node]` how far the ideal value of the measurement that leads to a node
    is from its limits.
    """
    least = 1.0
    for j in range(len(first) - 1):
        node = 0
        for i in range(first[j], first[j + 1]):
            node = step[node, kind[i]]
            least = min(least, (value[i] - limits[kind[i]]) / room_below[node])
            least = min(least, (limits[kind[i] + 1] - value[i]) / room_above[node])
    return least
