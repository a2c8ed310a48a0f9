"""Undoing what a card does to bytes on their way to tape, without losing how sure they are."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from tapewright.cards.layout import Coded
from tapewright.model import ByteRun

__all__ = ["HEX_BITS", "Decoded", "decoded", "hex_bits", "joined_runs", "match_bits", "part_of"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

_HEX = b"0123456789ABCDEFabcdef"
_HEX_VALUE = np.array([int(chr(character), 16) for character in _HEX])
#: The worst a single bit counts against an expected value, in bits.
WORST_BIT = -13.0
#: Of 128 characters 22 are hexadecimal digits.
HEX_BITS = float(np.log2(128 / 22))
LEAST_DOUBT = 0.05


@dataclass(frozen=True, eq=False)
class Decoded:
    """The bytes of an item.

    Parameters
    ----------
    plain, sent : bytes
        After undoing the coding, and as they stand on tape.
    confidence : ndarray of float64, shape (len(plain),)
    first_symbol, end_symbol : ndarray of int64, shape (len(plain),)
    """

    plain: bytes
    sent: bytes
    confidence: Floats
    first_symbol: Ints
    end_symbol: Ints


def part_of(run: ByteRun, chosen: slice) -> ByteRun:
    """Return some of the bytes of a run."""
    return ByteRun(
        run.value[chosen],
        run.confidence[chosen],
        run.bit_llr[chosen],
        run.first_symbol[chosen],
        run.end_symbol[chosen],
        run.framing_ok[chosen],
        run.parity_ok[chosen],
    )


def joined_runs(runs: list[ByteRun]) -> ByteRun:
    """Put runs one after another."""
    return ByteRun(
        np.concatenate([run.value for run in runs]),
        np.concatenate([run.confidence for run in runs]),
        np.concatenate([run.bit_llr for run in runs]),
        np.concatenate([run.first_symbol for run in runs]),
        np.concatenate([run.end_symbol for run in runs]),
        np.concatenate([run.framing_ok for run in runs]),
        np.concatenate([run.parity_ok for run in runs]),
    )


def match_bits(run: ByteRun, expected: bytes) -> Floats:
    """Say how much better each byte fits the value expected than chance does, in bits."""
    n = min(len(run), len(expected))
    places = np.arange(run.bit_llr.shape[1])
    wanted = (np.frombuffer(expected[:n], np.uint8)[:, np.newaxis] >> places) & 1
    llr = run.bit_llr[:n].astype(np.float64)
    against = np.clip(np.where(wanted == 1, -llr, llr), -50.0, 50.0)
    bits: Floats = np.maximum(1.0 - np.log2(1.0 + np.exp(against)), WORST_BIT).sum(axis=1)
    return bits


def decoded(item: Coded, run: ByteRun) -> Decoded:
    """Undo the coding of an item's bytes.

    Of two hexadecimal characters, each is the likeliest one that there is. A byte that could not be read
    stays 0 with confidence 0.
    """
    if item.coding == "plain":
        values = np.where(run.confidence > 0, _undone(item.xor, item.add)[run.value], 0).astype(np.uint8)
        return Decoded(
            values.tobytes(),
            run.value.tobytes(),
            run.confidence.astype(np.float64),
            run.first_symbol.astype(np.int64),
            run.end_symbol.astype(np.int64),
        )
    run = part_of(run, slice(0, len(run) // 2 * 2))
    characters, sure = _likeliest_hex(item, run)
    digits = _HEX_VALUE[characters]
    confidence = sure[0::2] * sure[1::2]
    values = np.where(confidence > 0, digits[0::2] * 16 + digits[1::2], 0).astype(np.uint8)
    on_tape = np.frombuffer(_hex_on_tape(item), np.uint8)
    return Decoded(
        values.tobytes(),
        on_tape[characters].tobytes(),
        confidence,
        run.first_symbol[0::2].astype(np.int64),
        run.end_symbol[1::2].astype(np.int64),
    )


@lru_cache(maxsize=64)
def _undone(xor: int, add: int) -> npt.NDArray[np.uint8]:
    coded = Coded(xor=xor, add=add)
    return np.array([coded.value_from_tape(value) for value in range(256)], np.uint8)


def hex_bits(item: Coded, run: ByteRun) -> float:
    """Say how much better bytes fit hexadecimal characters than any bytes, in bits."""
    fits = np.isin(run.value, np.frombuffer(_hex_on_tape(item), np.uint8))
    read = run.confidence > 0.5
    return float(HEX_BITS * np.count_nonzero(fits & read) + WORST_BIT * np.count_nonzero(~fits & read))


def _hex_on_tape(item: Coded) -> bytes:
    return bytes(((character + item.add) & 0xFF) ^ item.xor for character in _HEX)


def _likeliest_hex(item: Coded, run: ByteRun) -> tuple[Ints, Floats]:
    """Choose the likeliest hexadecimal character (its place in `_HEX`) for each byte, and how sure it is."""
    n, bits = run.bit_llr.shape
    llr = run.bit_llr.astype(np.float64)
    codes = np.frombuffer(_hex_on_tape(item), np.uint8)
    code_bits = ((codes[:, np.newaxis] >> np.arange(bits)) & 1) - 0.5
    likelihood = llr @ code_bits.T
    likelihood -= likelihood.max(axis=1, keepdims=True) if n else 0.0
    odds = np.exp(likelihood)
    best = likelihood.argmax(axis=1).astype(np.int64)
    as_read = np.prod(1.0 / (1.0 + np.exp(-np.minimum(np.abs(llr), 50.0))), axis=1)
    framed = np.minimum(run.confidence / np.maximum(as_read, 1e-300), 1.0)
    # a character that is surely none was not read
    doubt = np.where(np.isin(run.value, codes), 1.0, np.exp(-np.abs(llr).min(axis=1, initial=50.0)))
    doubt[doubt < LEAST_DOUBT] = 0.0
    sure = odds.max(axis=1, initial=0.0) / np.maximum(odds.sum(axis=1), 1e-300) * framed * doubt
    return best, sure
