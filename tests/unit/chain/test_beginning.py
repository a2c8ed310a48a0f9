"""The beginning of a recording is a recording of its own."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tapewright.chain.beginning import Beginning
from tapewright.model import Recording

RATE_HZ = 8_000.0
WHOLE = Recording(np.arange(20_000, dtype=np.float32) / 20_000, RATE_HZ, path="tape.wav", sha256="00")


@pytest.mark.parametrize(
    "seconds, samples, is_whole",
    [
        (0.5, 4_000, False),
        (1.0, 8_000, False),
        (2.5, 20_000, True),
        (9.0, 20_000, True),
        (math.inf, 20_000, True),
    ],
)
@pytest.mark.parametrize("piece_seconds", [0.3, 1.0, 5.0])
def test_it_ends_where_it_should_and_says_whether_that_is_all(seconds, samples, is_whole, piece_seconds):
    part = Beginning(WHOLE, seconds)
    for _ in range(2):  # as often as wanted
        pieces = list(part.chunks(piece_seconds))
        assert all(len(piece) for piece in pieces)
        assert np.array_equal(np.concatenate(pieces), WHOLE.samples[:samples])
    assert part.is_whole == is_whole
    assert (part.rate_hz, part.channels, part.path, part.sha256) == (RATE_HZ, 1, "tape.wav", "00")
    assert part.faults == ()
