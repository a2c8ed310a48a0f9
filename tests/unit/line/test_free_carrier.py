"""Tones whose phase runs free: two of them tell where symbols begin, one does not."""

from __future__ import annotations

import numpy as np
import pytest

from symbol_cards import recording_of
from tapewright.cards import load_format
from tapewright.channel import add_noise
from tapewright.line import decode, receiver
from tapewright.model import Recording

LEAD_IN_SECONDS = 0.3


@pytest.mark.parametrize("name", ["v21-300", "bell-103-300", "bell-202-1200"])
def test_boundaries_of_pass_1_come_to_their_places_and_stay_there(name, monkeypatch):
    # they once wandered by a tenth of a millisecond along the carrier, and now and then, on a perfect tape,
    # some symbols became idle tone
    card = load_format(name)
    rate = {"bell-202-1200": 1200}.get(name, 300)
    data = "".join(np.random.default_rng(3).choice(["0", "1"], 8 * rate))
    tape = add_noise(recording_of(data, card), 40.0, band_hz=(20, 20_000), seed=3)
    paths = []
    stretches = receiver.stretches

    def watched(path, grid):
        paths.append((path, grid))
        return stretches(path, grid)

    monkeypatch.setattr(receiver, "stretches", watched)
    heard = decode(tape, card).symbols
    assert heard.text.strip(".") == data
    path, _ = paths[-1]
    begin = path.start / receiver.Receiver(card, tape.rate_hz, False).band.rate_hz
    late = (begin - LEAD_IN_SECONDS) * rate
    late -= np.round(late)
    settled = (begin > 2.0) & (begin < 8.0)  # of 8.3 s
    assert settled.sum() > 0.7 * len(data)
    assert np.abs(late[settled]).max() / rate < 25e-6


@pytest.mark.parametrize("name", ["v21-300", "bell-103-300"])
def test_a_free_carrier_is_found_and_read_in_strong_noise(name):
    # Eb/N0 of 2 dB: by the book, two bits in ten would be wrong if each were heard by itself
    card = load_format(name)
    data = "".join(np.random.default_rng(4).choice(["0", "1"], 8 * 300))
    band = (20.0, 20_000.0)
    snr_db = 2.0 + 10 * np.log10(300 / (band[1] - band[0]))
    heard = decode(add_noise(recording_of(data, card), snr_db, band_hz=band, seed=4), card).symbols
    middle = LEAD_IN_SECONDS + (np.arange(len(data)) + 0.5) / 300
    at = np.searchsorted(heard.start_seconds, middle, side="right") - 1
    inside = (at >= 0) & (heard.end_seconds[at] > middle)
    told = np.array(list(heard.text))[at]
    assert np.mean(inside & (told == np.array(list(data)))) > 0.8


def test_noise_is_not_taken_for_a_free_carrier():
    noise = Recording(0.1 * np.random.default_rng(1).standard_normal(6 * 44_100).astype(np.float32), 44_100.0)
    heard = decode(noise, load_format("v21-300")).symbols
    assert len(heard) == 0
