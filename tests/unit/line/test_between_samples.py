"""A symbol that begins between two samples is held against its waveform there."""

from __future__ import annotations

import numpy as np
import pytest

from tapewright.line.kernels import compare_with_templates

LENGTH, CYCLE, FIRST = 21, 7.0, 30


@pytest.mark.parametrize("late", [-0.5, -0.3, 0.0, 0.2, 0.49])
@pytest.mark.parametrize("quarter", [0.0, 0.25])
def test_a_clean_tone_leaves_next_to_nothing_wherever_it_begins(late, quarter):
    start = FIRST + late
    heard = np.sin(2 * np.pi * ((np.arange(80) - start) / CYCLE + quarter)).astype(np.float32)
    wave = np.sin(2 * np.pi * (np.arange(LENGTH + 2) / CYCLE + quarter)).astype(np.float32)[np.newaxis]
    sums = np.empty((7, 1))
    compare_with_templates(
        heard, np.ones(80), 1, np.array([start]), np.array([0]), np.array([float(LENGTH)]), wave, wave, False,
        sums,
    )  # fmt: skip
    _, total, fit, energy, *_ = sums[:, 0]
    # at the nearest sample up to 4 sin^2(pi / 14), a fifth of the tone's power, would be left
    assert total - 2 * fit + energy < 0.005 * total
