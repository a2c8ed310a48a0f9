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
from typing import TypeVar
from weakref import WeakSet

import numpy as np
import numpy.typing as npt

__all__ = ["grown", "let_go", "pieces", "zeros"]

Entry = TypeVar("Entry", bound=np.generic)

#: Arrays of more bytes than this are in files.
MOST_BYTES = 1 << 23
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


def grown(array: npt.NDArray[Entry], length: int) -> npt.NDArray[Entry]:
    """Give a longer array that begins with the entries of this one; the others are zeros."""
    out = zeros((length, *array.shape[1:]), array.dtype.type)
    for part in pieces(len(array)):
        out[part] = array[part]
    return out


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
