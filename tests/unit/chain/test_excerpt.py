"""A part of a recording is a recording of its own."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tapewright.chain.excerpt import Excerpt
from tapewright.model import Recording

RATE_HZ = 8_000.0
WHOLE = Recording(np.arange(20_000, dtype=np.float32) / 20_000, RATE_HZ, path="tape.wav", sha256="00")


@pytest.mark.parametrize(
    "start, seconds, samples, reaches_end",
    [
        (0.0, 0.5, (0, 4_000), False),
        (0.0, 1.0, (0, 8_000), False),
        (0.0, 2.5, (0, 20_000), True),
        (0.0, 9.0, (0, 20_000), True),
        (0.0, math.inf, (0, 20_000), True),
        (0.25, 0.1, (2_000, 2_800), False),
        (1.0, 1.0, (8_000, 16_000), False),
        (1.2, math.inf, (9_600, 20_000), True),
        (7.0, 1.0, (20_000, 20_000), True),
    ],
)
@pytest.mark.parametrize("piece_seconds", [0.3, 1.0, 5.0])
def test_it_begins_and_ends_where_it_should_and_says_whether_that_is_all(
    start, seconds, samples, reaches_end, piece_seconds
):
    part = Excerpt(WHOLE, start, seconds)
    for _ in range(2):  # as often as wanted
        pieces = list(part.chunks(piece_seconds))
        assert all(len(piece) for piece in pieces)
        assert np.array_equal(np.concatenate([*pieces, np.empty((0, 1))]), WHOLE.samples[slice(*samples)])
    assert part.reaches_end == reaches_end
    assert part.is_whole == (reaches_end and start == 0.0)
    assert (part.rate_hz, part.channels, part.path, part.sha256) == (RATE_HZ, 1, "tape.wav", "00")
    assert part.faults == ()
