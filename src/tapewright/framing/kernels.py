"""Compiled loops of the framing search: how well a byte fits everywhere, and the best way through."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from tapewright.compiled import kernel

__all__ = ["BYTE", "IDLE", "LOST", "end_to_end", "frame_scores", "segment"]

F4 = npt.NDArray[np.float32]
F8 = npt.NDArray[np.float64]
I8 = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

BYTE, IDLE, LOST = 0, 1, 2
_NEVER = -1e30

# What happens after a byte or an idle symbol, as natural logs (chosen: any values of this order give the
# same frames; they only weigh against framing symbols, worth up to 0.7 each).
# Where bytes usually follow one another without idle time, and where they do not:
_NEXT_BYTE = np.log(0.9), np.log(0.5)
_TO_IDLE = np.log(3e-5), np.log(0.5)
_STAY_IDLE = np.log(0.95), np.log(0.7)
_END_IDLE = np.log(0.05), np.log(0.3)
_FREE = np.log(0.5)
# Losing and finding the frame again: about one slip in 100,000 symbols where there is signal, and no
# surprise at all next to a dropout.
_SLIP = np.log(1e-5)
_SLIP_AT_GAP = np.log(0.1)


@kernel
def frame_scores(score, hole, offsets, symbols, first_bit, bits, parity, bit_zero, bit_one, out):  # type: ignore[no-untyped-def]
    """Score a byte starting at every slot: log-likelihood ratio of its framing against chance.

    Parameters
    ----------
    score : ndarray of float32, shape (n, k)
        Log-likelihood ratio of each symbol against chance.
    hole : ndarray of bool, shape (n,)
        Whether time passed unheard just before the slot.
    offsets, symbols : ndarray of int64
        Which symbol (column of `score`) the frame wants at which offset.
    first_bit, bits : int
        Where the bits are in the frame.
    parity : int
        -1 for none, else the sum (mod 2) of the bits and the parity bit after them.
    bit_zero, bit_one : int
        Columns of the bits 0 and 1.
    out : ndarray of float32, shape (n,)
        Filled in; very low where the frame would run past the end.
    """
    n = len(score)
    length = first_bit + bits
    for k in range(len(offsets)):
        length = max(length, offsets[k] + 1)
    if parity >= 0:
        length = max(length, first_bit + bits + 1)
    for p in range(max(n - length + 1, 0), n):
        out[p] = _NEVER
    for p in range(n - length + 1):
        total = 0.0
        for k in range(len(offsets)):
            total += score[p + offsets[k], symbols[k]]
        if parity >= 0:
            product = 1.0
            for k in range(bits + 1):
                bit = p + first_bit + k
                product *= math.tanh(0.5 * (score[bit, bit_zero] - score[bit, bit_one]))
            if parity:
                product = -product
            total += math.log(max(1.0 + product, 1e-3))
        for k in range(1, length):
            if hole[p + k]:
                total -= 4.0
        out[p] = total


def end_to_end(places: I8, length: int) -> I8:
    """Of places in order, keep the first, and each next one that is at least `length` after the last kept."""
    kept = np.empty_like(places)
    return kept[: _keep(places, length, kept)]


@kernel
def _keep(places, length, kept):  # type: ignore[no-untyped-def]
    count = 0
    for i in range(len(places)):
        if count == 0 or places[i] >= kept[count - 1] + length:
            kept[count] = places[i]
            count += 1
    return count


def segment(
    frame: F4, idle: F4, erased: Flags, hole: Flags, length: int, may_idle: bool, often_idle: bool,
    starts_idle: bool,
) -> tuple[I8, I8, I8, F8]:  # fmt: skip
    """Split a window of slots into bytes, idle time and lost stretches: the likeliest way through.

    Parameters
    ----------
    frame : ndarray of float32, shape (n,)
        From `frame_scores`.
    idle : ndarray of float32, shape (n,)
        Log-likelihood ratio of the idle symbol.
    erased, hole : ndarray of bool, shape (n,)
    length : int
        Slots in a byte.
    may_idle : bool
        Whether idle time may stand between bytes.
    often_idle : bool
        Whether it usually does; if not, ones among the bits are not taken for it.
    starts_idle : bool
        Whether the window begins in idle time rather than at a byte.

    Returns
    -------
    state, first, end : ndarray of int64, shape (m,)
        Stretches in order: a byte each, or a whole stretch of idle or lost slots.
    sure : ndarray of float64, shape (m,)
        Of a byte: probability that a byte stands just there, against its best rival.
    """
    room = len(frame) + 1
    forward, backward = np.full((3, room), _NEVER), np.full((3, room), _NEVER)
    came = np.zeros((3, room), np.int8)
    state, first, end = (np.empty(room, np.int64) for _ in range(3))
    sure = np.ones(room)
    count = _segment(
        frame, idle, erased, hole, length, may_idle, often_idle, starts_idle, forward, backward, came,
        state, first, end, sure,
    )  # fmt: skip
    found = slice(count - 1, None, -1) if count else slice(0, 0)
    return state[found].copy(), first[found].copy(), end[found].copy(), sure[found].copy()


@kernel
def _segment(  # type: ignore[no-untyped-def]
    frame, idle, erased, hole, length, may_idle, often_idle, starts_idle, forward, backward, came,
    state, first, end, sure,
):  # fmt: skip
    """Fill in stretches, the last one first, and return how many they are."""
    n = len(frame)
    kind = 1 if often_idle else 0
    next_byte, to_idle, stay_idle, end_idle = (
        _NEXT_BYTE[kind],
        _TO_IDLE[kind],
        _STAY_IDLE[kind],
        _END_IDLE[kind],
    )
    forward[IDLE if starts_idle else BYTE, 0] = 0.0
    for p in range(n):
        near_gap = erased[p] or (p > 0 and erased[p - 1])
        slip = _SLIP_AT_GAP if near_gap else _SLIP
        at_byte, at_idle, at_lost = forward[BYTE, p], forward[IDLE, p], forward[LOST, p]
        # a byte
        if p + length <= n:
            best, origin = at_byte + (_FREE if hole[p] else next_byte), BYTE
            if at_idle + end_idle > best:
                best, origin = at_idle + end_idle, IDLE
            if at_lost + slip > best:
                best, origin = at_lost + slip, LOST
            best += frame[p]
            if best > forward[BYTE, p + length]:
                forward[BYTE, p + length] = best
                came[BYTE, p + length] = origin
        # an idle symbol
        if may_idle:
            best, origin = at_byte + to_idle, BYTE
            if at_idle + stay_idle > best:
                best, origin = at_idle + stay_idle, IDLE
            if at_lost + slip > best:
                best, origin = at_lost + slip, LOST
            forward[IDLE, p + 1] = best + idle[p]
            came[IDLE, p + 1] = origin
        # a lost slot
        best, origin = at_lost, LOST
        if at_byte + slip > best:
            best, origin = at_byte + slip, BYTE
        if at_idle + slip > best:
            best, origin = at_idle + slip, IDLE
        forward[LOST, p + 1] = best
        came[LOST, p + 1] = origin

    backward[BYTE, n], backward[IDLE, n], backward[LOST, n] = 0.0, 0.0, 0.0
    for p in range(n - 1, -1, -1):
        near_gap = erased[p] or (p > 0 and erased[p - 1])
        slip = _SLIP_AT_GAP if near_gap else _SLIP
        as_byte = backward[BYTE, p + length] + frame[p] if p + length <= n else _NEVER
        as_idle = backward[IDLE, p + 1] + idle[p] if may_idle else _NEVER
        as_lost = backward[LOST, p + 1]
        cut = 0.0 if p > n - length else _NEVER  # a byte may be cut by the end of the window
        backward[BYTE, p] = max(
            max(as_byte + (_FREE if hole[p] else next_byte), as_idle + to_idle), max(as_lost + slip, cut)
        )
        backward[IDLE, p] = max(max(as_byte + end_idle, as_idle + stay_idle), as_lost + slip)
        backward[LOST, p] = max(max(as_byte + slip, as_idle + slip), as_lost)

    # where the best path ends: at the end of the window, or in a byte cut by it
    place, state_at, best = n, LOST, forward[LOST, n]
    for s in range(2):
        if forward[s, n] > best:
            state_at, best = s, forward[s, n]
    for p in range(max(1, n - length + 1), n):
        if forward[BYTE, p] > best:
            place, state_at, best = p, BYTE, forward[BYTE, p]

    count = 0
    while place > 0:
        origin = came[state_at, place]
        step = length if state_at == BYTE else 1
        if state_at != BYTE and count > 0 and state[count - 1] == state_at and first[count - 1] == place:
            first[count - 1] = place - step
        else:
            state[count], first[count], end[count] = state_at, place - step, place
            count += 1
        place, state_at = place - step, origin

    half = length // 2
    for k in range(count):
        if state[k] != BYTE:
            continue
        p = first[k]
        mine, rival = _through(forward, backward, frame, erased, hole, p, length, next_byte, end_idle), _NEVER
        for q in range(max(0, p - half), min(n - length, p + half) + 1):
            if q != p:
                rival = max(
                    rival, _through(forward, backward, frame, erased, hole, q, length, next_byte, end_idle)
                )
        for q in range(p + 1, p + half + 1):
            rival = max(rival, forward[LOST, q] + backward[LOST, q])
            if may_idle:
                rival = max(rival, forward[IDLE, q] + backward[IDLE, q])
        sure[k] = 1.0 / (1.0 + math.exp(min(50.0, rival - mine)))
    return count


@kernel
def _through(forward, backward, frame, erased, hole, p, length, next_byte, end_idle):  # type: ignore[no-untyped-def]
    """Score of the best path with a byte starting at slot `p`."""
    near_gap = erased[p] or (p > 0 and erased[p - 1])
    slip = _SLIP_AT_GAP if near_gap else _SLIP
    before = max(forward[BYTE, p] + (_FREE if hole[p] else next_byte), forward[IDLE, p] + end_idle)
    before = max(before, forward[LOST, p] + slip)
    return before + frame[p] + backward[BYTE, p + length]
