"""Waveform <-> symbols: synthesis and the receiver, both driven by the card alone."""

from tapewright.line.decode import Heard, Survey, decode, evidence_bits, is_polar, survey
from tapewright.line.encode import encode, render, wave_of

__all__ = ["Heard", "Survey", "decode", "encode", "evidence_bits", "is_polar", "render", "survey", "wave_of"]
