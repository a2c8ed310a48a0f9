"""The band that is listened to begins where the symbols do: hum lies below it."""

import numpy as np
import pytest

from tapewright.cards import Alphabet, load_format
from tapewright.line.templates import band_of


@pytest.mark.parametrize(
    "card, least_hz, most_hz",
    [
        ("yarrow-fm-500", 300.0, 400.0),  # pulses up and down: nothing low
        ("sorrel-step-1200", 120.0, 200.0),
        ("larch-biphase-l-2000", 180.0, 260.0),
        ("sedge-half-2700", 80.0, 120.0),  # single half-waves reach down to nothing
        ("osier-biphase-s-1200", 50.0, 80.0),
    ],
)
def test_lower_edge(card: str, least_hz: float, most_hz: float) -> None:
    band = band_of(Alphabet.of(load_format(card)), 44_100.0)
    assert least_hz < band.low_hz < most_hz


def test_hum_is_kept_out_of_pulses() -> None:
    band = band_of(Alphabet.of(load_format("yarrow-fm-500")), 44_100.0)
    n = np.arange(len(band.filter)) - len(band.filter) // 2
    gain = [abs(band.filter @ np.cos(2 * np.pi * hertz / band.rate_hz * n)) for hertz in (50.0, 1500.0)]
    assert gain[0] < 1e-3
    assert 0.99 < gain[1] < 1.01
