"""What the receiver claims to hear where there is nothing of the format: noise, hum, music, speech.

Each is offered twice: alone, and after a few seconds of a real recording, when the receiver has locked.
"""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import soundfile
import soxr

from benchmarks.accuracy.signals import IMPAIRMENTS, RATE_HZ, send
from tapewright.cards import Alphabet, load_format
from tapewright.line import decode
from tapewright.model import GAP, Recording

__all__ = ["FalseClaim", "claims_in_nothing", "sounds"]

FloatArray = npt.NDArray[np.float64]
SURE = 0.99
PROGRAM_SECONDS = 8.0
RMS = 0.1
TEXT = (
    "Turn the cassette over, press play, and wait for the tone. If nothing happens, turn the volume up a bit"
    " and try once more. The quick brown fox jumps over the lazy dog; six sizzling sausages were sitting in a"
    " pan. Now count with me: one, two, three, four, five, six, seven, eight, nine, ten."
)


@dataclass(frozen=True)
class FalseClaim:
    """Claims where there is nothing.

    Parameters
    ----------
    covered_percent : float
        Share of the time said to be symbols.
    sure_percent : float
        Symbols surer than 0.99, as a share of the symbols the time could hold.
    """

    card: str
    sound: str
    after_program: bool
    covered_percent: float
    sure_percent: float


def sounds(seconds: float) -> dict[str, FloatArray]:
    """Make the sounds, each of rms 0.1; speech only where the speech synthesiser espeak-ng is installed."""
    rng = np.random.default_rng(5)
    count = int(seconds * RATE_HZ)
    now = np.arange(count) / RATE_HZ
    hiss = rng.standard_normal(count)
    made = {
        "noise": hiss,
        "hum": sum(
            a * np.sin(2 * np.pi * 50 * k * now + k) for k, a in ((1, 1.0), (2, 0.7), (3, 0.25), (5, 0.1))
        )
        + 0.003 * hiss,
        "music": _music(now, rng) + 1e-3 * hiss,
    }
    if shutil.which("espeak-ng"):
        made["speech"] = _speech(count) + 1e-4 * hiss
    return {name: RMS * wave / np.sqrt(np.mean(wave**2)) for name, wave in made.items()}


def claims_in_nothing(card_name: str, seconds: float) -> list[FalseClaim]:
    """Offer every sound to one card."""
    card = load_format(card_name)
    bit_seconds = Alphabet.of(card).mean_bit_seconds
    program = send(card, IMPAIRMENTS["clean"], PROGRAM_SECONDS, 1).samples
    results = []
    for name, wave in sounds(seconds).items():
        for after in (False, True):
            scale = RMS / float(np.sqrt(np.mean(program.astype(np.float64) ** 2)))
            # as loud as the program, after a second of nothing but a little hiss
            hiss = 3e-4 * np.random.default_rng(9).standard_normal(int(RATE_HZ))
            offered = np.concatenate((scale * program, hiss, wave)) if after else wave
            begin = len(offered) - len(wave)
            heard = decode(Recording(offered.astype(np.float32), RATE_HZ), card).symbols
            inside = (heard.start_seconds >= begin / RATE_HZ) & (heard.index != GAP)
            length = heard.end_seconds - heard.start_seconds
            best = np.exp(heard.log_p.max(axis=1)) if len(heard) else np.zeros(0)
            results.append(
                FalseClaim(
                    card_name, name, after,
                    100 * float(length[inside].sum()) / seconds,
                    100 * float(np.sum(best[inside] > SURE)) * bit_seconds / seconds,
                )
            )  # fmt: skip
    return results


def _music(now: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Three voices of plucked harmonic notes of a scale, a few a second."""
    wave = np.zeros(len(now))
    for octave, rate in ((110.0, 1.5), (220.0, 3.0), (440.0, 4.0)):
        start = 0.0
        while start < now[-1]:
            pitch = octave * 2 ** (rng.choice([0, 2, 4, 5, 7, 9, 11, 12]) / 12)
            length = float(rng.choice([1, 2, 3])) / rate
            first, last = int(start * RATE_HZ), min(len(now), int((start + 1.2 * length) * RATE_HZ))
            t = now[: last - first]
            note = sum(
                np.sin(2 * np.pi * k * pitch * t + rng.uniform(0, 6.28)) / k**1.2
                for k in range(1, 1 + int(min(12, 9000 / pitch)))
            )
            wave[first:last] += note * np.minimum(1, t / 0.01) * np.exp(-2.5 * t / length)
            start += length
    return wave


def _speech(count: int) -> FloatArray:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "speech.wav"
        subprocess.run(["espeak-ng", "-w", str(path), TEXT], check=True, capture_output=True)
        samples, rate = soundfile.read(path)
    speech = soxr.resample(samples, rate, RATE_HZ)
    return np.asarray(np.tile(speech, count // len(speech) + 1)[:count], np.float64)
