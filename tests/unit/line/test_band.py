"""The band that is listened to begins where the symbols do: hum lies below it."""

import numpy as np
import pytest

from tapewright.cards import Alphabet, load_format
from tapewright.line.encode import encode
from tapewright.line.templates import band_of
from tapewright.model import TapePart


@pytest.mark.parametrize(
    "card, least_hz, most_hz",
    [
        ("yarrow-fm-500", 120.0, 250.0),  # pulses up and down: nothing low, unless a recorder bends them
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


def test_what_tells_sliced_bursts_apart_lies_in_the_band() -> None:
    """Squared off, bursts differ in their mean and harmonics too: the band has most of all that differs."""
    rate_hz = 192_000
    alphabet = Alphabet.of(load_format("thistle-burst-320"))

    def sliced(bits: str) -> np.ndarray:
        parts = [TapePart("symbols", symbols="0101" + bits + "0101")]
        wave = np.concatenate(list(encode(parts, alphabet, rate_hz, level=1.0)))
        return np.where(wave > 0.35, 1.0, -1.0)

    band = band_of(alphabet, 44_100.0)
    power = np.abs(np.fft.rfft(sliced("01") - sliced("10"))) ** 2
    hertz = np.fft.rfftfreq(len(sliced("01")), 1 / rate_hz)
    inside = (hertz > band.low_hz) & (hertz < band.high_hz)
    assert power[inside].sum() > 0.75 * power.sum()


def test_what_square_edges_tell_lies_in_the_band() -> None:
    """Of what a turned bit of biphase-L differs in, as far as a recording at 44.1 kHz carries it.

    The band is never more than can be told between samples: half the rate and no further.
    """
    alphabet, size = Alphabet.of(load_format("larch-biphase-l-2000")), 1 << 16
    band = band_of(alphabet, 44_100.0)
    rate_hz = 1e6
    one = np.zeros(size)
    one[:250], one[250:500] = 2.0, -2.0
    power = np.abs(np.fft.rfft(one)) ** 2
    hertz = np.fft.rfftfreq(size, 1 / rate_hz)
    inside = (hertz > band.low_hz) & (hertz < band.high_hz)
    assert power[inside].sum() > 0.96 * power[hertz < 22_050.0].sum()
    assert band.high_hz < 0.43 * band.rate_hz
