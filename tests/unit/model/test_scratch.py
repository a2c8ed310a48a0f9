"""Arrays as long as a recording."""

from __future__ import annotations

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
    longer = scratch.grown(array, count + 5)
    assert longer[count - 1, 1] == 3.0
    assert longer.sum() == 6.0


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


def test_files_go_with_their_arrays(tmp_path, monkeypatch):
    monkeypatch.setattr(scratch, "_folder", lambda: str(tmp_path))
    array = scratch.zeros((2 * scratch.MOST_BYTES,), np.uint8)
    assert len(array) == 2 * scratch.MOST_BYTES
    assert not list(tmp_path.iterdir())


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
