"""Waveform <-> symbols: synthesis and the receiver, both driven by the card alone."""

from tapewright.line.decode import Heard, Prospect, Survey, decode, is_polar, rank, survey, surveys
from tapewright.line.encode import encode, render, symbols_of, wave_of
from tapewright.line.live import Listener
from tapewright.line.pieces import likely_data

__all__ = [
    "Heard",
    "Listener",
    "Prospect",
    "Survey",
    "decode",
    "encode",
    "is_polar",
    "likely_data",
    "rank",
    "render",
    "survey",
    "surveys",
    "symbols_of",
    "wave_of",
]
