"""Waveform <-> symbols: synthesis and the receiver, both driven by the card alone."""

from tapewright.line.decode import Heard, Prospect, Survey, decode, hears_idle_tone, is_polar, rank, survey
from tapewright.line.encode import encode, render, symbols_of, wave_of
from tapewright.line.live import Listener
from tapewright.line.pieces import Overview, overview
from tapewright.line.print_through import Ghost

__all__ = [
    "Ghost",
    "Heard",
    "Listener",
    "Overview",
    "Prospect",
    "Survey",
    "decode",
    "encode",
    "hears_idle_tone",
    "is_polar",
    "overview",
    "rank",
    "render",
    "survey",
    "symbols_of",
    "wave_of",
]
