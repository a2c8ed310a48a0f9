"""Waveform <-> symbols: synthesis and the receiver, both driven by the card alone."""

from tapewright.line.decode import decode
from tapewright.line.encode import encode, render, wave_of

__all__ = ["decode", "encode", "render", "wave_of"]
