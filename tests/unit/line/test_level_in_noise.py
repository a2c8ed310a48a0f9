"""The amplitude a search expects: steady in noise, where the signal is, and gone where the signal is gone."""

import numpy as np

from tapewright.cards import load_format
from tapewright.line.receiver import Receiver
from tapewright.line.scene import Lock, informed_scene
from tapewright.line.templates import Templates

CARD = load_format("v21-300")


def _amplitude(heard: np.ndarray, receiver: Receiver, noise: float) -> np.ndarray:
    count = len(receiver.searched.names)
    one = np.ones(count)
    lock = Lock(1.0, noise, 0.0, one, one, 0.0, 0.0, 0.0, 0.0, np.inf)
    templates = Templates.of(receiver.searched, receiver.band, 1.0)
    _, amplitude = informed_scene(
        heard, receiver.searched, receiver.band, templates, templates, lock, receiver.cost
    )
    return amplitude


def _tone(receiver: Receiver, sigma: float, seed: int) -> np.ndarray:
    size = int(8 * receiver.band.rate_hz)
    hiss = np.random.default_rng(seed).standard_normal(size + len(receiver.band.filter) - 1)
    hiss = np.convolve(hiss, receiver.band.filter, mode="valid")
    tone = np.sin(2 * np.pi * 1080.0 / receiver.band.rate_hz * np.arange(size))
    return (tone + sigma * hiss).astype(np.float32)


def test_noise_does_not_move_the_amplitude() -> None:
    """An Eb/N0 of about 3 dB: noise in the band is six times the signal."""
    receiver = Receiver(CARD, 44_100.0, inverted=False)
    sigma = np.sqrt(3.0 / receiver.band.fraction)
    amplitude = _amplitude(_tone(receiver, sigma, 1), receiver, 3.0)
    assert amplitude.std() < 0.1 * amplitude.mean()


def test_a_dropout_moves_it() -> None:
    receiver = Receiver(CARD, 44_100.0, inverted=False)
    heard = _tone(receiver, 0.05, 2)
    first, last = len(heard) // 2, len(heard) // 2 + int(0.3 * receiver.band.rate_hz)
    heard[first:last] *= 0.05
    amplitude = _amplitude(heard, receiver, 0.003)
    block = len(heard) / len(amplitude)
    middle = amplitude[int((first + last) / 2 / block)]
    assert middle < 0.2 * np.median(amplitude)
