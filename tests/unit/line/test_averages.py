"""Running means and medians are those of a general-purpose library, which takes longer to import."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from tapewright.line.averages import running_mean, running_median


@pytest.mark.parametrize("beyond, mode", [("symmetric", "reflect"), ("edge", "nearest")])
@pytest.mark.parametrize("count", [1, 2, 7, 500])
@pytest.mark.parametrize("size, origin", [(1, 0), (2, 0), (9, 0), (9, 4), (9, -4), (31, 15), (301, 0)])
def test_a_running_mean_is_the_librarys(count, size, origin, beyond, mode):
    values = np.random.default_rng(count).random(count)
    expected = ndimage.uniform_filter1d(values, size, origin=origin, mode=mode)
    assert running_mean(values, size, origin=origin, beyond=beyond) == pytest.approx(expected, abs=1e-12)


def test_of_nothing_there_is_no_mean():
    assert len(running_mean(np.zeros(0), 9)) == 0


@pytest.mark.parametrize("count, size", [(1, 1), (2, 2), (7, 3), (7, 6), (300, 300), (1000, 301)])
@pytest.mark.parametrize("kinds", [3, 1000])
def test_a_running_median_is_the_librarys(count, size, kinds):
    values = np.random.default_rng(count).integers(0, kinds, count).astype(float)
    assert np.array_equal(running_median(values, size), ndimage.median_filter(values, size))
