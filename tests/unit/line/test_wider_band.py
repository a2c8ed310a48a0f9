"""The band of tones is made wider where their harmonics stand out of the noise, and only there."""

from collections.abc import Callable

import numpy as np
import pytest

from tapewright.cards import load_format
from tapewright.line import decode, receiver
from tapewright.line.front import narrowed
from tapewright.line.receiver import Receiver
from tapewright.model import Recording

RATE = 44_100.0
CARD = load_format("bell-202-1200")
#: Standard deviation of noise on a sine of amplitude 1: an Eb/N0 of 10 dB.
NOISE = 0.95


def test_the_narrow_band_after_the_wide_one_is_the_narrow_band() -> None:
    listener = Receiver(CARD, RATE, inverted=False)
    assert listener.wide_band is not None
    heard = np.random.default_rng(1).standard_normal(20_000).astype(np.float32)
    wide = np.convolve(heard, listener.wide_band.filter, mode="same").astype(np.float32)
    expected = np.convolve(heard, listener.band.filter, mode="same")
    left = narrowed(wide, listener.band) - expected
    inner = slice(len(listener.band.filter), -len(listener.band.filter))
    assert np.std(left[inner]) < 2e-3 * np.std(expected)


def _tones(seconds: float) -> np.ndarray:
    """Random bits as two tones of continuous phase."""
    bits = np.random.default_rng(2).integers(0, 2, int(seconds * 1200))
    number = np.arange(int((len(bits) - 1) / 1200 * RATE)) * 1200 / RATE
    return np.sin(2 * np.pi * np.cumsum(np.where(bits[number.astype(int)], 1200.0, 2200.0)) / RATE)


def _whole(wave: np.ndarray) -> np.ndarray:
    return wave


def _squared(wave: np.ndarray) -> np.ndarray:
    """Squared off around 0.35 of the peak, as a comparator with an offset would."""
    square = np.clip(wave + 0.35, -0.05, 0.05)
    square -= square.mean()
    return square / np.sqrt(2 * np.mean(square**2))


def _white(noise: np.ndarray) -> np.ndarray:
    return noise


def _dull(noise: np.ndarray) -> np.ndarray:
    """Noise of which next to nothing lies above 4 kHz."""
    spectrum = np.fft.rfft(noise)
    spectrum[np.fft.rfftfreq(len(noise), 1 / RATE) > 4_000.0] *= 0.05
    return np.fft.irfft(spectrum, len(noise))


@pytest.fixture
def told(monkeypatch: pytest.MonkeyPatch) -> list[bool]:
    """What is told of harmonics, each time it is asked."""
    answers: list[bool] = []
    asked = receiver.harmonics_worth

    def noted(*args: object) -> float:
        worth = asked(*args)  # type: ignore[arg-type]
        answers.append(worth > 0)
        return worth

    monkeypatch.setattr(receiver, "harmonics_worth", noted)
    return answers


@pytest.mark.parametrize(
    "shaped, coloured, expected",
    [(_squared, _white, True), (_whole, _white, False), (_squared, _dull, False)],
)
def test_harmonics_are_listened_to_where_they_stand_out_of_white_noise(
    told: list[bool],
    shaped: Callable[[np.ndarray], np.ndarray],
    coloured: Callable[[np.ndarray], np.ndarray],
    expected: bool,
) -> None:
    wave = shaped(_tones(8.0))
    noise = coloured(np.random.default_rng(3).standard_normal(len(wave)))
    wave = 0.2 * (wave + NOISE * noise)
    decode(Recording(wave.astype(np.float32), RATE), CARD)
    assert told
    assert all(is_told is expected for is_told in told), told


def test_what_was_told_of_harmonics_holds_for_a_while_and_not_forever(
    monkeypatch: pytest.MonkeyPatch, told: list[bool]
) -> None:
    tones = _tones(24.0)  # several windows of each
    wave = np.concatenate((tones, tones, _squared(tones), _squared(tones)))
    wave += NOISE * np.random.default_rng(3).standard_normal(len(wave))
    sound = Recording((0.2 * wave).astype(np.float32), RATE)

    monkeypatch.setattr(receiver, "CLEARLY", 0.0)
    decode(sound, CARD)
    assert told == [False]

    told.clear()
    monkeypatch.setattr(receiver, "HARMONICS_HOLD", 1)
    decode(sound, CARD)
    assert told[0] is False
    assert told[-1] is True
    asked_in_all = len(told)

    told.clear()
    monkeypatch.setattr(receiver, "CLEARLY", np.inf)  # nothing is clear, and nothing holds
    decode(sound, CARD)
    assert len(told) > asked_in_all
