"""What is left unexplained at several levels, split into noise and into what grows with the level."""

import numpy as np
import pytest

from tapewright.line.scene import noise_and_misfit

EVEN = np.ones(5)


def test_both_are_found_where_the_level_changes() -> None:
    power = np.array([0.02, 0.1, 0.5, 1.0, 3.0])
    noise, misfit = noise_and_misfit(0.01 + 0.03 * power, power, EVEN, 0.0)
    assert noise == pytest.approx(0.01, rel=1e-6)
    assert misfit == pytest.approx(0.03, rel=1e-6)


def test_neither_is_less_than_nothing() -> None:
    power = np.array([0.1, 0.3, 1.0, 2.0, 4.0])
    noise, misfit = noise_and_misfit(0.05 / power, power, EVEN, 0.0)
    assert noise > 0
    assert misfit == 0.0
    noise, misfit = noise_and_misfit(power**2, power, EVEN, 0.0)
    assert noise > 0
    assert misfit > 0


def test_levels_that_are_alike_keep_the_misfit_told() -> None:
    power = np.array([0.9, 1.0, 1.1, 1.2, 1.3])
    left = 0.1 * power  # would be all misfit, if that could be told
    noise, misfit = noise_and_misfit(left, power, EVEN, 0.02)
    assert misfit == 0.02
    assert 0.07 < noise < 0.1
