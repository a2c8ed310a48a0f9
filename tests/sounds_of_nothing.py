"""Sounds that hold no program, made up from scratch: seconds at a rate, in float64, peak about 0.7."""

from __future__ import annotations

import numpy as np
from scipy import signal

RATE_HZ = 44_100


def _now(seconds: float) -> np.ndarray:
    return np.arange(round(seconds * RATE_HZ)) / RATE_HZ


def _loud(sound: np.ndarray) -> np.ndarray:
    return 0.7 * sound / max(np.abs(sound).max(), 1e-12)


def white_noise(seconds: float, seed: int = 1) -> np.ndarray:
    """Hiss, as between programs or on an erased tape."""
    return _loud(np.random.default_rng(seed).standard_normal(len(_now(seconds))))


def hum(seconds: float) -> np.ndarray:
    """50 Hz and its harmonics up to 3 kHz, falling by a third with each, and a little hiss."""
    now = _now(seconds)
    wave = sum(0.8**k * np.sin(2 * np.pi * 50 * k * now + k * k) for k in range(1, 61))
    return _loud(wave) + 0.003 * white_noise(seconds, 2)


def music(seconds: float, seed: int = 3) -> np.ndarray:
    """Play chords, a melody and a drum: plucked notes of eight harmonics, two a second and four a second."""
    rng = np.random.default_rng(seed)
    now = _now(seconds)
    wave = np.zeros(len(now))

    def note(start: float, hertz: float, length: float, loudness: float) -> None:
        first, last = int(start * RATE_HZ), min(int((start + length) * RATE_HZ), len(now))
        t = np.arange(last - first) / RATE_HZ
        vibrato = 0.003 * np.sin(2 * np.pi * 5.5 * t)
        body = sum(0.6**k * np.sin(2 * np.pi * k * hertz * (t + vibrato / 5.5)) for k in range(1, 9))
        wave[first:last] += loudness * body * np.exp(-3 * t) * np.minimum(1, t / 0.01)

    scale = 220 * 2 ** (np.array([0, 2, 3, 5, 7, 8, 10, 12, 14, 15, 17, 19, 24]) / 12)
    for beat in np.arange(0, seconds - 0.05, 0.5):
        root = int(rng.integers(0, 5))
        for third in (0, 2, 4):
            note(beat, scale[root + third], 0.9, 0.4)
        for step in (0.0, 0.25):
            note(beat + step, 2 * scale[int(rng.integers(0, 13))], 0.4, 0.8)
        first = int(beat * RATE_HZ)
        burst = rng.standard_normal(int(0.04 * RATE_HZ)) * np.exp(-np.arange(int(0.04 * RATE_HZ)) / 400)
        wave[first : first + len(burst)] += burst[: len(wave) - first]
    return _loud(wave)


def speech(seconds: float, seed: int = 4) -> np.ndarray:
    """Speak nonsense: a gliding voice through three formants, hissing consonants, pauses for breath."""
    rng = np.random.default_rng(seed)
    pieces: list[np.ndarray] = []
    while sum(map(len, pieces)) < seconds * RATE_HZ:
        vowel = int(rng.uniform(0.08, 0.25) * RATE_HZ)
        pitch = np.linspace(*rng.uniform(90, 180, 2), vowel) * (1 + 0.01 * rng.standard_normal())
        voice = np.diff(np.floor(np.cumsum(pitch) / RATE_HZ), prepend=0.0)  # one click a turn of the voice
        formants = (rng.uniform(300, 800), rng.uniform(900, 2_200), rng.uniform(2_300, 3_200))
        mouth = np.zeros(vowel)
        for hertz, loudness in zip(formants, (1.0, 0.6, 0.3), strict=True):
            radius = np.exp(-np.pi * 90 / RATE_HZ)
            pole = [1, -2 * radius * np.cos(2 * np.pi * hertz / RATE_HZ), radius**2]
            mouth += loudness * signal.lfilter([1 - radius], pole, voice)
        pieces.append(mouth / np.abs(mouth).max() * np.hanning(vowel) ** 0.3)
        hiss = int(rng.uniform(0.03, 0.12) * RATE_HZ)
        sos = signal.butter(2, [2_000, 9_000], "bandpass", fs=RATE_HZ, output="sos")
        pieces.append(0.3 * signal.sosfilt(sos, rng.standard_normal(hiss)) * np.hanning(hiss))
        if rng.random() < 0.25:
            pieces.append(0.001 * rng.standard_normal(int(rng.uniform(0.1, 0.4) * RATE_HZ)))
    return _loud(np.concatenate(pieces)[: round(seconds * RATE_HZ)])


def silence(seconds: float) -> np.ndarray:
    """Nothing at all: every sample is 0."""
    return np.zeros(len(_now(seconds)))


def tone(seconds: float, hertz: float) -> np.ndarray:
    """A steady tone, as a leader without a program."""
    return 0.7 * np.sin(2 * np.pi * hertz * _now(seconds))
