"""Waveform <-> symbols: synthesis and the receiver, both driven by the card alone."""

from tapewright.line.decode import Heard, Survey, decode, evidence_bits, is_polar, survey
from tapewright.line.encode import encode, render, wave_of
from tapewright.line.live import Listener

__all__ = [
    "Heard",
    "Listener",
    "Survey",
    "decode",
    "encode",
    "evidence_bits",
    "is_polar",
    "render",
    "survey",
    "wave_of",
]
