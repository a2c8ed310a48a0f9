from __future__ import annotations

import numpy as np
import pytest

from tapewright.learn.stream import with_silent_bits
from tapewright.model import GAP, Symbols

CELL = 0.001


def heard(index: list[int], cells: list[float], speed: float = 1.0) -> Symbols:
    """Symbols 0 and 1 and gaps, each so many cells long, on a tape that runs `speed` times too fast."""
    count = len(index)
    ends = np.cumsum(cells) * CELL / speed
    same = np.ones(count, np.float32)
    log_p = np.zeros((count, 2), np.float32)
    return Symbols(
        "01",
        np.array(index, np.int16),
        np.concatenate(([0.0], ends[:-1])),
        ends,
        log_p,
        same,
        speed * same,
        same,
    )


@pytest.mark.parametrize("speed", [1.0, 1.08])
def test_a_gap_of_whole_cells_is_so_many_silent_bits(speed: float) -> None:
    symbols = with_silent_bits(heard([0, GAP, 0, GAP, 0], [1, 4.1, 1, 1, 1], speed), "1", CELL)
    assert symbols.text == "0111101" + "0"
    assert symbols.start_seconds[1:] == pytest.approx(symbols.end_seconds[:-1])
    assert symbols.end_seconds[4] - symbols.start_seconds[1] == pytest.approx(4.1 * CELL / speed)


def test_two_bytes_of_silence_with_a_pulse_between_them_that_was_not_heard_are_bits() -> None:
    assert with_silent_bits(heard([0, GAP, 0], [1, 20.3, 1]), "1", CELL).text == "0" + 20 * "1" + "0"


@pytest.mark.parametrize("cells", [2.5, 0.3, 60.0])
def test_any_other_gap_stays_one(cells: float) -> None:
    symbols = heard([0, GAP, 0], [1, cells, 1])
    assert with_silent_bits(symbols, "1", CELL).text == "0.0"
