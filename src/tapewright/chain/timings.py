"""Does the card make the same sound? The program written anew, laid beside the recording edge by edge."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tapewright.cards import FormatCard
from tapewright.chain.read import read_source
from tapewright.chain.write import synthesize
from tapewright.learn.durations import Tokens, tokens_of
from tapewright.learn.known import Known
from tapewright.learn.marks import marks_of
from tapewright.model import Image, Range, Reading, Recording, TapewrightError

__all__ = ["Timings", "compare_timings"]


@dataclass(frozen=True)
class Timings:
    """How the half-waves of a recording compare with those of the same program written with a card.

    Parameters
    ----------
    compared : int
        Half-waves of data that were compared one by one.
    offset_us : float
        Median of how far each length of half-wave is off, the worst one, after the difference in speed.
    spread_us : float
        Robust standard deviation of the single half-waves around that.
    """

    compared: int
    offset_us: float
    spread_us: float

    @property
    def agree(self) -> bool:
        """Whether no length is off by more than the recording's own spread."""
        return self.offset_us <= self.spread_us


def compare_timings(recording: Recording, reading: Reading, known: Known, card: FormatCard) -> Timings | None:
    """Write the known program with the card, and compare it with a recording of it half-wave by half-wave.

    Parameters
    ----------
    recording : Recording
    reading : Reading
        Of that recording, with the card.
    known : Known
        What it holds.
    card : FormatCard

    Returns
    -------
    Timings or None
        None where the two cannot be laid side by side: the card cannot write the program, or a block has
        other numbers of half-waves in the two, as noise and dropouts make them.
    """
    program = Image((Range(known.start, known.data),), run=known.run, name=known.name)
    try:
        written = synthesize(program, format=card, name=known.name, run=known.run, rate_hz=recording.rate_hz)
    except TapewrightError:
        return None
    heard = _data_half_waves(recording, reading)
    meant = _data_half_waves(written, read_source(written, card))
    pairs = [(a, b) for a, b in zip(heard, meant, strict=False) if len(a) == len(b) and len(a)]
    if not pairs:
        return None
    was, should = (np.concatenate(side) for side in zip(*pairs, strict=True))
    was = was / np.exp(np.median(np.log(was / should)))
    lengths = np.round(np.log(should) / 0.05)
    off = {length: float(np.median((was - should)[lengths == length])) for length in np.unique(lengths)}
    common = [length for length in off if np.mean(lengths == length) > 0.05]
    spread = np.median(np.abs(was - should - np.array([off[length] for length in lengths]))) / 0.6745
    return Timings(len(was), max(abs(off[length]) for length in common), float(spread))


def _data_half_waves(sound: Recording, reading: Reading) -> list[npt.NDArray[np.float64]]:
    """Lengths of the half-waves of each block's data, in microseconds, as an oscilloscope shows them."""
    tokens: Tokens = tokens_of(marks_of(sound))
    found = []
    for block in reading.blocks:
        if len(block.byte_seconds) < 2:
            continue
        # Bytes begin where half-waves do, give or take a rounding: the nearest beginning is meant.
        between = (tokens.starts_s[1:] + tokens.starts_s[:-1]) / 2
        first, end = np.searchsorted(between, [block.byte_seconds[0], block.byte_seconds[-1]])
        found.append(np.asarray(tokens.us[first:end], np.float64))
    return found
