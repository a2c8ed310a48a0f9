"""What the owner knows of a save, and where its bytes show in a sequence of byte values."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tapewright.compiled import kernel

__all__ = ["CODINGS", "HEX_DIGITS", "Known", "Needles", "as_held", "as_sent"]

CODINGS = ("plain", "hex")
HEX_DIGITS = b"0123456789ABCDEF"
#: Bytes compared at once. Five have 40 bits: a million places and a thousand known bytes meet by chance once
#: in a thousand recordings.
NEEDLE = 5
#: Of those so many have to differ.
FEWEST_DIFFERENT = 3
_BASE = 257

IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Known:
    """The program that was saved.

    Parameters
    ----------
    data : bytes
        Its bytes, in the order of their addresses.
    start : int or None
        Address of the first; None where the owner does not know it.
    name : str or None
        Under which it was saved.
    run : int or None
        Where it starts running; None for its first address, or where the owner does not know.
    """

    data: bytes
    start: int | None = None
    name: str | None = None
    run: int | None = None


def as_sent(data: bytes, coding: str) -> bytes:
    """Bytes as they stand on tape: ``plain``, or ``hex`` for two hexadecimal characters each."""
    return data.hex().upper().encode() if coding == "hex" else data


def as_held(sent: bytes, coding: str) -> bytes:
    """Bytes as they are in memory, from what stands on tape: as far as it is written so."""
    if coding != "hex":
        return sent
    digits = len(sent) - len(sent.lstrip(HEX_DIGITS))
    return bytes.fromhex(sent[: digits & ~1].decode("ascii"))


class Needles:
    """Short runs of known bytes that occur once, to be found among the values that a tape may hold.

    Parameters
    ----------
    data : bytes
        Known bytes as they would stand on tape.
    """

    def __init__(self, data: bytes) -> None:
        values = np.frombuffer(data, np.uint8).astype(np.int16)
        keys = _keys(values, 1)
        unique, first, count = np.unique(keys, return_index=True, return_counts=True)
        once = (count == 1) & _is_varied(values, first)
        self._keys, self._places = unique[once], first[once]
        # where those begin whose first byte is 0, 1 ... or more
        self._begins = np.searchsorted(self._keys, np.arange(_BASE) * _BASE ** (NEEDLE - 1))

    def __len__(self) -> int:
        return len(self._keys)

    def find(self, values: npt.NDArray[np.int16], stride: int = 1) -> tuple[IntArray, IntArray]:
        """Look where needles stand.

        Parameters
        ----------
        values : ndarray of int16, shape (n,)
            A byte value for every place; -1 for none.
        stride : int
            How many places apart the bytes of one run stand.

        Returns
        -------
        places, offsets : ndarray of int64
            A needle begins at ``values[places]``; it is that at ``offsets`` of the known bytes.
        """
        if not len(self) or len(values) < (NEEDLE - 1) * stride + 1:
            return np.zeros(0, np.int64), np.zeros(0, np.int64)
        places, which = np.empty((2, len(values)), np.int64)
        count = _find(
            np.ascontiguousarray(values, np.int16), stride, self._keys, self._begins, places, which
        )  # fmt: skip
        return places[:count].copy(), self._places[which[:count]]


@kernel
def _find(values, stride, keys, begins, places, which):  # type: ignore[no-untyped-def]
    """Fill in where a run of values is one of the keys (ascending), and which; return how many there are."""
    count = 0
    for i in range(len(values) - (NEEDLE - 1) * stride):
        if values[i] < 0 or begins[values[i]] == begins[values[i] + 1]:
            continue
        key, is_whole = np.int64(values[i]), True
        for k in range(1, NEEDLE):
            value = values[i + k * stride]
            is_whole = is_whole and value >= 0
            key = key * _BASE + value
        for n in range(begins[values[i]], begins[values[i] + 1]):
            if is_whole and keys[n] == key:
                places[count], which[count] = i, n
                count += 1
    return count


def _is_varied(values: npt.NDArray[np.int16], places: IntArray) -> npt.NDArray[np.bool_]:
    """Whether runs hold bytes enough that differ: leaders and repeated syncs look like runs of few."""
    if not len(places):
        return np.zeros(0, np.bool_)
    runs = np.sort(np.lib.stride_tricks.sliding_window_view(values, NEEDLE)[places], axis=1)
    is_varied: npt.NDArray[np.bool_] = np.count_nonzero(np.diff(runs, axis=1), axis=1) >= FEWEST_DIFFERENT - 1
    return is_varied


def _keys(values: npt.NDArray[np.int16], stride: int) -> IntArray:
    """One number for every run of `NEEDLE` values; runs with a hole in them have numbers of no other run."""
    count = max(len(values) - (NEEDLE - 1) * stride, 0)
    key = np.zeros(count, np.int64)
    whole = np.ones(count, np.bool_)
    for k in range(NEEDLE):
        part = values[k * stride : k * stride + count]
        key = key * _BASE + part
        whole &= part >= 0
    key[~whole] = -1
    return key
