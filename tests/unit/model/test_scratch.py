"""Arrays as long as a recording."""

from __future__ import annotations

import io
import mmap
import platform
import subprocess
import sys
import tracemalloc

import numpy as np
import pytest

from tapewright.model import Symbols, scratch


@pytest.mark.parametrize("count", [10, scratch.MOST_BYTES // 8 + 1])
def test_it_is_an_array_like_any_other(count):
    array = scratch.zeros((count, 2), np.float64)
    array[-1] = 3.0
    assert array.shape == (count, 2)
    assert array.sum() == 6.0


def test_a_big_one_takes_no_memory_of_the_process():
    tracemalloc.start()
    array = scratch.zeros((4 * scratch.MOST_BYTES,), np.uint8)
    array[:] = 1
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < scratch.MOST_BYTES


def test_without_room_on_disk_it_is_in_memory(monkeypatch):
    def full(*_):
        raise OSError("no space left on device")

    monkeypatch.setattr(scratch, "_mapped_file", full)
    array = scratch.zeros((2 * scratch.MOST_BYTES,), np.uint8)
    array[:] = 1
    assert array.all()


BIG = scratch.MOST_BYTES // 16 + 1


@pytest.mark.parametrize("counts", [[], [3, 0, 4], [BIG, 0, 7, BIG]])
def test_one_that_grows_holds_what_was_appended_in_order(counts):
    rows = np.arange(2.0 * sum(counts)).reshape(-1, 2)
    growing = scratch.Growing(np.zeros((0, 2)))
    for part in np.split(rows, np.cumsum(counts)):
        growing.append(part)
    assert np.array_equal(growing.array(), rows)


def test_a_big_one_that_grows_takes_no_memory_of_the_process():
    growing = scratch.Growing(np.zeros(0, np.uint8))
    part = np.ones(scratch.MOST_BYTES // 4, np.uint8)
    tracemalloc.start()
    for _ in range(16):
        growing.append(part)
    array = growing.array()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert array.sum() == 4 * scratch.MOST_BYTES
    assert peak < 2 * scratch.MOST_BYTES


@pytest.mark.parametrize("room", [0, 1, scratch.MOST_BYTES + 1000])
def test_one_that_grows_and_finds_no_room_on_disk_goes_on_in_memory(room, monkeypatch, tmp_path):
    class Disk(io.FileIO):
        def write(self, data):
            if self.tell() == room:
                raise OSError("no space left on device")
            return super().write(data[: room - self.tell()])

    monkeypatch.setattr(scratch.tempfile, "TemporaryFile", lambda **_: Disk(tmp_path / "disk", "w+"))
    rows = np.arange(4 * scratch.MOST_BYTES, dtype=np.uint32)
    growing = scratch.Growing(np.zeros(0, np.uint32))
    for part in np.array_split(rows, 9):
        growing.append(part)
    assert np.array_equal(growing.array(), rows)


def test_files_go_with_their_arrays(tmp_path, monkeypatch):
    monkeypatch.setattr(scratch, "_folder", lambda: str(tmp_path))
    array = scratch.zeros((2 * scratch.MOST_BYTES,), np.uint8)
    assert len(array) == 2 * scratch.MOST_BYTES
    assert not list(tmp_path.iterdir())


USED_TWENTY_TIMES = """
import resource, sys
import numpy as np
from tapewright.model import scratch
if sys.argv[1] == "kept":
    scratch.keep_freed_memory()
before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
for _ in range(20):
    parts = [np.ones(1 << 20, np.uint8) for _ in range(8)]
    del parts
print(resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before)
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="asks the allocator of the GNU C library")
def test_freed_memory_is_not_fetched_from_the_system_again():
    fetched = {
        how: int(subprocess.check_output([sys.executable, "-c", USED_TWENTY_TIMES, how]))
        for how in ("kept", "given back")
    }
    once = 8 * (1 << 20) // mmap.PAGESIZE
    assert fetched["kept"] < 2 * once
    assert fetched["given back"] > 4 * once


def test_pieces_are_all_of_it():
    parts = list(scratch.pieces(2 * scratch.PIECE + 3))
    assert [part.stop - part.start for part in parts] == [scratch.PIECE, scratch.PIECE, 3]
    assert not list(scratch.pieces(0))


def test_text_of_a_part_is_part_of_the_text():
    empty = Symbols.empty("01")
    index = np.array([0, 1, -1, 1], np.int16)
    symbols = Symbols(
        "01",
        index,
        *(
            getattr(empty, name)
            for name in ("start_seconds", "end_seconds", "log_p", "level", "speed", "noise")
        ),
    )
    assert symbols.text == "01.1"
    assert symbols.text_of(slice(1, 3)) == "1."
    assert empty.text == ""
    assert empty.level.dtype == np.float32  # or all levels joined to none become 64-bit
