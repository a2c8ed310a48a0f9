"""Long recordings for timing, written piece by piece."""

from __future__ import annotations

import math
from itertools import count
from pathlib import Path

import numpy as np
import soundfile

from benchmarks.accuracy.signals import IMPAIRMENTS, RATE_HZ, send
from tapewright.cards import load_format

__all__ = ["NOISE_DB", "write_recording"]

#: Eb/N0: hardly any errors, and one byte in some tens wrong for most codes.
NOISE_DB = {"clean": 45.0, "noisy": 9.0}
PIECE_SECONDS = 60.0


def write_recording(card_name: str, recording: str, seconds: float, path: Path) -> float:
    """Write random blocks, with leaders, as 16-bit FLAC; returns the length in seconds."""
    card, written = load_format(card_name), 0
    rng = np.random.default_rng(3)
    with soundfile.SoundFile(path, "w", int(RATE_HZ), 1, "PCM_16") as file:
        for seed in count():
            left = seconds - written / RATE_HZ
            if left <= 1.0:
                return written / RATE_HZ
            sent = send(card, IMPAIRMENTS["clean"], min(PIECE_SECONDS, left), seed)
            sigma = math.sqrt(sent.bit_energy / 10 ** (NOISE_DB[recording] / 10) / 2)
            hiss = rng.standard_normal(len(sent.samples), dtype=np.float32)
            # quarter level: strong noise must not clip
            file.write(np.float32(0.25) * (sent.samples + np.float32(sigma) * hiss))
            written += len(sent.samples)
    return written / RATE_HZ
