"""Arrays as long as a recording: in memory while they are small, else in a file that goes when they go.

Of hours of fast data there are tens of millions of symbols. What is known of each adds up to more memory
than a small computer has to spare, and nearly all of it lies idle: the operating system keeps of a file what
is being looked at, and gives the rest back whenever memory is short.
"""

from __future__ import annotations

import mmap
import os
import tempfile
from collections.abc import Iterator
from math import prod
from typing import BinaryIO, Generic, TypeVar
from weakref import WeakSet

import numpy as np
import numpy.typing as npt

__all__ = ["Growing", "keep_freed_memory", "let_go", "pieces", "zeros"]

Entry = TypeVar("Entry", bound=np.generic)

#: Arrays of more bytes than this are in files.
MOST_BYTES = 1 << 23
#: Freed memory is kept for arrays of fewer bytes than this.
KEPT_BYTES = 1 << 24
#: What is worked out over a whole recording is worked out for so many entries at a time.
PIECE = 1 << 16
#: After so many pieces, what was looked at is let go.
PIECES_KEPT = 16
#: The usual folder for such files may itself be kept in memory; this one, by the Filesystem Hierarchy
#: Standard, is not.
ON_DISK = "/var/tmp"


_files: WeakSet[mmap.mmap] = WeakSet()


def zeros(shape: tuple[int, ...], dtype: type[Entry]) -> npt.NDArray[Entry]:
    """Give an array of zeros; a big one where there is room for it on disk, else in memory.

    Parameters
    ----------
    shape : tuple of int
    dtype : type
        One of numpy's.

    Returns
    -------
    ndarray
        Freed, file and all, as soon as nothing refers to it any more.
    """
    size = prod(shape) * np.dtype(dtype).itemsize
    if size > MOST_BYTES:
        try:
            return np.frombuffer(_mapped_file(size), dtype).reshape(shape)
        except OSError:  # no room: memory may have some
            pass
    return np.zeros(shape, dtype)


class Growing(Generic[Entry]):
    """An array that grows at its end: in memory while it is small, else in a file.

    The file is written to, and becomes memory in the end: of memory that is in a file each page costs the
    system far more when it is touched first (measured: a twelfth of the time of reading half an hour).

    Parameters
    ----------
    none : ndarray, shape (0, ...)
        What it begins with: says of which type and shape entries are.
    """

    def __init__(self, none: npt.NDArray[Entry]) -> None:
        self._none = none
        self._parts: list[npt.NDArray[Entry]] = []  # not in the file
        self._held, self._written = 0, 0  # bytes in memory, and in the file
        self._file: BinaryIO | None = None
        self._is_room = True

    def append(self, entries: npt.NDArray[Entry]) -> None:
        """Add entries at the end; they are copied."""
        self._parts.append(entries.astype(self._none.dtype, order="C"))
        self._held += entries.nbytes
        if self._is_room and (self._file or self._held > MOST_BYTES):
            try:
                self._write()
            except OSError:  # no room: memory may have some
                self._take_back()

    def array(self) -> npt.NDArray[Entry]:
        """Return all entries; nothing is appended after that."""
        if self._file is None:
            return np.concatenate([self._none, *self._parts])
        with self._file as file:
            mapped = mmap.mmap(file.fileno(), self._written)
        _files.add(mapped)
        return np.frombuffer(mapped, self._none.dtype).reshape(-1, *self._none.shape[1:])

    def _write(self) -> None:
        self._file = self._file or tempfile.TemporaryFile(dir=_folder(), buffering=0)  # noqa: SIM115 - until `array`
        while self._parts:
            left = np.frombuffer(self._parts[0], np.uint8).data
            while left:
                left = left[self._file.write(left) :]
            self._written += self._parts.pop(0).nbytes
        self._held = 0

    def _take_back(self) -> None:
        self._is_room = False
        if self._file is None:
            return
        with self._file as file:
            file.seek(0)
            earlier = np.frombuffer(file.read(self._written), self._none.dtype)
        self._parts.insert(0, earlier.reshape(-1, *self._none.shape[1:]))
        self._file = None


def keep_freed_memory() -> None:
    """Let what is freed be used again, where it else goes back to the operating system at once.

    A reading window by window frees megabytes and asks for them again, and each page that comes from the
    system anew costs (measured: a seventh of the time). The C library of many systems keeps arrays smaller
    than the largest it was ever given back, and twice as much (glibc's manual, mallopt, M_MMAP_THRESHOLD): so
    one is given back that was never looked at. Elsewhere this does nothing.
    """
    np.empty(KEPT_BYTES, np.uint8)


def pieces(count: int) -> Iterator[slice]:
    """Cut `count` entries into slices of which a few copies take little memory."""
    for number, first in enumerate(range(0, count, PIECE)):
        if number % PIECES_KEPT == 0:
            let_go()
        yield slice(first, min(first + PIECE, count))
    if count > PIECE:
        let_go()


def let_go() -> None:
    """Leave what is in files to the operating system: it is read again when it is looked at again."""
    if hasattr(mmap, "MADV_DONTNEED"):
        for file in list(_files):
            file.madvise(mmap.MADV_DONTNEED)


def _mapped_file(size: int) -> mmap.mmap:
    """A file without a name, all its room set aside, as memory."""
    with tempfile.TemporaryFile(dir=_folder()) as file:
        if hasattr(os, "posix_fallocate"):  # else a full disk would show only when it is written to
            os.posix_fallocate(file.fileno(), 0, size)
        else:
            file.truncate(size)
        mapped = mmap.mmap(file.fileno(), size)
        _files.add(mapped)
        return mapped


def _folder() -> str | None:
    """Where such files go: where the user says by TMPDIR, else a folder that is on a disk."""
    is_better = "TMPDIR" not in os.environ and os.access(ON_DISK, os.W_OK)
    return ON_DISK if is_better else None
