"""Bytes from frames: the bits, their parity, and how sure each byte is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tapewright.cards import ByteFormat
from tapewright.framing.slots import Slots
from tapewright.model import ByteRun

__all__ = ["Frames", "read_frames"]

Bools = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: A byte in which a symbol was lost or inserted is read from both its ends; this much of it is believed.
SLIPPED_CONFIDENCE = 0.5
SLIPPED_SLOTS = 2
#: One slip in 100,000 symbols, anywhere among some 20 places of a byte, as a natural log.
SLIP_INSIDE = -np.log(1e-5 * 20)


@dataclass(frozen=True, eq=False)
class Frames:
    """Where bytes stand in the slots, in order.

    Parameters
    ----------
    first, end : ndarray of int64, shape (n,)
    lost : ndarray of bool, shape (n,)
        No frame was found here; the byte is counted because the time would have held it.
    sure : ndarray of float64, shape (n,)
        Probability that the frame is right.
    """

    first: Ints
    end: Ints
    lost: Bools
    sure: Floats

    def __len__(self) -> int:
        return len(self.first)

    def part(self, chosen: slice) -> Frames:
        """Return some of them."""
        return Frames(self.first[chosen], self.end[chosen], self.lost[chosen], self.sure[chosen])


def read_frames(slots: Slots, byte: ByteFormat, names: str, frames: Frames, missing: Floats) -> ByteRun:
    """Read the byte in every frame.

    Bit probabilities come from the soft symbols; an even or odd parity bit corrects the weakest bit where
    that explains what was heard better. The confidence of a byte is the product over its bits, weighed by
    parity, times the probability that its frame is right. Framing symbols that are surely wrong are more
    likely a symbol lost or inserted inside the byte than a mistake of the receiver.

    Parameters
    ----------
    slots : Slots
    byte : ByteFormat
    names : str
        The alphabet.
    frames : Frames
    missing : ndarray of float64, shape (n,)
        How far the frame's score is below that of perfect framing symbols.
    """
    unslipped = 1.0 / (1.0 + np.exp(np.clip(missing - SLIP_INSIDE, -50.0, 50.0)))
    n, bits = len(frames), byte.bits
    first_bit = len(byte.start)
    llr = np.zeros((n, bits), np.float64)
    read = ~frames.lost
    at = frames.first[read, np.newaxis] + first_bit + np.arange(bits)
    llr[read] = slots.llr[at]
    slipped = _slipped(slots, byte, frames)
    llr[slipped] = _from_both_ends(slots, byte, frames.first[slipped], frames.end[slipped])

    wrong = 1.0 / (1.0 + np.exp(np.minimum(np.abs(llr), 50.0)))
    hard = llr > 0
    confidence = np.prod(1.0 - wrong, axis=1) * frames.sure * unslipped
    parity_ok = np.ones(n, np.bool_)
    if byte.parity != "none":
        parity_llr = np.zeros(n)
        parity_llr[read] = slots.llr[frames.first[read] + first_bit + bits]
        hard, confidence, parity_ok = _with_parity(byte.parity, hard, wrong, parity_llr, confidence)
    confidence[slipped] *= SLIPPED_CONFIDENCE
    unread = frames.lost & ~slipped
    confidence[unread] = 0.0
    hard[unread] = False
    parity_ok[frames.lost] = False
    if byte.order == "msb":
        hard, llr = hard[:, ::-1], llr[:, ::-1]
    value = (hard.astype(np.int64) << np.arange(bits)).sum(axis=1).astype(np.uint8)
    return ByteRun(
        value=value,
        confidence=confidence,
        bit_llr=llr.astype(np.float32),
        first_symbol=slots.symbol[np.minimum(frames.first, len(slots) - 1)],
        end_symbol=slots.symbol[np.maximum(frames.end, 1) - 1] + 1,
        framing_ok=_framing_ok(slots, byte, names, frames),
        parity_ok=parity_ok,
    )


def _framing_ok(slots: Slots, byte: ByteFormat, names: str, frames: Frames) -> Bools:
    """Whether start and stop symbols are what they should be, each more likely than not."""
    ok = ~frames.lost
    stop_at = byte.symbols_per_byte - len(byte.stop)
    for base, text in ((0, byte.start), (stop_at, byte.stop)):
        for place, name in enumerate(text):
            at = frames.first[ok] + base + place
            column = slots.score[at, names.index(name)]
            ok[ok] = (column >= slots.score[at].max(axis=1)) & ~slots.erased[at]
    return ok


def _slipped(slots: Slots, byte: ByteFormat, frames: Frames) -> Bools:
    """Find lost bytes that are there but for one or two symbols too many or too few."""
    out = frames.lost.copy()
    length = frames.end - frames.first
    out &= np.abs(length - byte.symbols_per_byte) <= SLIPPED_SLOTS
    for k in np.flatnonzero(out):
        out[k] = (
            not slots.erased[frames.first[k] : frames.end[k]].any()
            and frames.end[k] - frames.first[k] >= byte.bits
        )
    return out


def _from_both_ends(slots: Slots, byte: ByteFormat, first: Ints, end: Ints) -> Floats:
    """Read bits counted from the front and from the back; where the two differ the bit is open."""
    out = np.zeros((len(first), byte.bits))
    before, after = len(byte.start), byte.symbols_per_byte - len(byte.start)
    for row, (a, b) in enumerate(zip(first, end, strict=True)):
        places = np.arange(byte.bits)
        front = slots.llr[np.clip(a + before + places, a, b - 1)].astype(np.float64)
        back = slots.llr[np.clip(b - after + places, a, b - 1)].astype(np.float64)
        both = 0.5 / (1.0 + np.exp(-np.clip(front, -50, 50))) + 0.5 / (1.0 + np.exp(-np.clip(back, -50, 50)))
        both = np.clip(both, 1e-9, 1.0 - 1e-9)
        out[row] = np.log(both / (1.0 - both))
    return out


def _with_parity(
    kind: str, hard: Bools, wrong: Floats, parity_llr: Floats, confidence: Floats
) -> tuple[Bools, Floats, Bools]:
    """Weigh each byte by its parity bit; returns bits, confidence, and whether parity agreed as heard."""
    if kind in ("mark", "space"):
        return hard, confidence, (parity_llr > 0) == (kind == "mark")
    ones = hard.sum(axis=1) % 2
    wanted = ones if kind == "even" else 1 - ones
    agrees = 1.0 / (1.0 + np.exp(-np.clip(np.where(wanted == 1, parity_llr, -parity_llr), -50, 50)))
    parity_ok = agrees > 0.5
    even = 0.5 * (1.0 + np.prod(1.0 - 2.0 * wrong, axis=1))
    total = even * agrees + (1.0 - even) * (1.0 - agrees)
    right = np.prod(1.0 - wrong, axis=1)
    weakest = np.argmax(wrong, axis=1)
    rows = np.arange(len(hard))
    odds = wrong[rows, weakest] / (1.0 - wrong[rows, weakest])
    flips = odds * (1.0 - agrees) > agrees
    hard = hard.copy()
    hard[rows[flips], weakest[flips]] ^= True
    weight = np.where(flips, odds * (1.0 - agrees), agrees)
    sure = np.divide(confidence, right, out=np.zeros_like(right), where=right > 0)
    return hard, sure * right * weight / np.maximum(total, 1e-300), parity_ok
