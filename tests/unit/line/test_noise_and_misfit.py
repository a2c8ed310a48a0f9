"""What is left unexplained at several levels, split into noise and into what grows with the level."""

import numpy as np
import pytest

from tapewright import Image, load_format, synthesize
from tapewright.line.front import listen
from tapewright.line.receiver import Receiver
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


def test_no_misfit_is_seen_where_noise_alone_moves_the_level() -> None:
    """In so much noise the level swings by itself, and more is left where it is higher: that is no misfit."""
    card = load_format("v21-300")
    rng = np.random.default_rng(3)
    tape = synthesize(Image.from_bytes(rng.bytes(250), 0), format=card)
    clean = tape.samples[:, 0]
    power = float(np.mean(clean[44_100:-44_100] ** 2))
    sigma = float(np.sqrt(42.0 * power))  # Eb/N0 of 2.4 dB, 147 samples a bit
    noisy = clean + np.float32(sigma) * rng.standard_normal(len(clean), dtype=np.float32)
    receiver = Receiver(card, tape.rate_hz, inverted=False)
    heard = np.concatenate(list(listen([noisy[:, np.newaxis]], tape.rate_hz, 0, receiver.band)))
    lock = receiver.find([receiver.loudest(heard)])
    assert lock is not None
    _, lock = receiver.search(heard[: int(10 * receiver.band.rate_hz)], lock)
    in_band = sigma**2 * receiver.band.fraction * receiver.band.rate_hz / tape.rate_hz
    assert lock.noise == pytest.approx(in_band, rel=0.1)
    assert lock.misfit * 2 * power < 0.05 * in_band
