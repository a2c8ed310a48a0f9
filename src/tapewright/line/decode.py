"""The receiver: recording to symbols, with times and posteriors.

A segmental Viterbi search over the card's symbols (docs/architecture.md, "The receiver"). The recording
streams through in windows that overlap; each is searched with what is known of speed, level and noise, and
what it teaches is handed to the next.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tapewright.cards import FormatCard
from tapewright.line.front import mix
from tapewright.line.receiver import Receiver, Survey, is_polar
from tapewright.model import AudioSource, Samples, Symbols

__all__ = ["Heard", "Survey", "decode", "evidence_bits", "is_polar", "survey"]

MOST_PIECES = 8
SURVEY_SECONDS = 120.0
#: To rank cards, each is asked to explain this band, whatever its own.
RANKING_BAND_HZ = (100.0, 8000.0)


@dataclass(frozen=True, eq=False)
class Heard:
    """What the receiver made of a recording.

    Parameters
    ----------
    symbols : Symbols
    channel : int or "average"
        What was listened to.
    seconds : float
        Length of the recording.
    evidence_bits : float
        How much better this format explains the pieces listened to first than noise does; 0 for no signal.
    """

    symbols: Symbols
    channel: int | str
    seconds: float
    evidence_bits: float


def survey(source: AudioSource) -> Survey:
    """Take the liveliest pieces from the first two minutes that have any sound, spread over them."""
    kept: list[tuple[float, int, Samples]] = []
    heard_seconds = 0.0
    for number, chunk in enumerate(source.chunks(1.0)):
        liveliness = float(np.mean(np.diff(chunk, axis=0) ** 2)) if len(chunk) > 1 else 0.0
        if liveliness <= 1e-12:
            continue
        kept.append((liveliness, number, chunk.copy()))
        heard_seconds += len(chunk) / source.rate_hz
        if heard_seconds >= SURVEY_SECONDS:
            break
    if len(kept) > MOST_PIECES:  # the liveliest of each tenth
        groups = np.array_split(np.arange(len(kept)), MOST_PIECES)
        kept = [kept[max(group, key=lambda k: kept[k][0])] for group in groups]
    return Survey(tuple(chunk for _, _, chunk in kept), source.rate_hz)


def decode(
    source: AudioSource, card: FormatCard, *, inverted: bool = False, surveyed: Survey | None = None
) -> Heard:
    """Listen to a recording as the card says.

    Parameters
    ----------
    source : AudioSource
    card : FormatCard
    inverted : bool
        Turn the recording upside down first. Only formats made of absolute levels can tell.
    surveyed : Survey, optional
        From :func:`survey`, to take it once for several cards.

    Returns
    -------
    Heard
        With no symbols at all where there is no signal of this format.
    """
    receiver = Receiver(card, source.rate_hz, inverted)
    channel, lock = receiver.acquire(surveyed or survey(source), source.channels)
    symbols, seconds = receiver.read(source, channel, lock)
    return Heard(symbols, channel, seconds, lock.evidence / float(np.log(2)) if lock else 0.0)


def evidence_bits(surveyed: Survey, card: FormatCard, channels: int) -> float:
    """How much better a card explains a recording than noise does, in bits a second; 0 if no better.

    Cards listen in bands of their own; to be fair to all, each has to account for everything from 100 Hz to
    8 kHz, and nothing is believed to be explained to better than 20 dB.
    """
    receiver = Receiver(card, surveyed.rate_hz, False)
    channel, lock = receiver.acquire(surveyed, channels, is_dull_tried=False)
    if lock is None:
        return 0.0
    low, high = RANKING_BAND_HZ[0], min(RANKING_BAND_HZ[1], 0.5 * surveyed.rate_hz)
    heard, common = 0.0, 0.0
    for piece in surveyed.pieces:
        power = np.abs(np.fft.rfft(mix(piece, channel))) ** 2
        hertz = np.fft.rfftfreq(len(piece), 1.0 / surveyed.rate_hz)
        common += float(power[(hertz >= low) & (hertz <= high)].sum())
        heard += float(
            power[(hertz >= receiver.band.low_hz) & (hertz <= min(receiver.band.high_hz, high))].sum()
        )
    left = max(1.0 - lock.explained * min(1.0, heard / max(common, 1e-20)), 0.01)
    nats = -(high - low) * lock.seconds * np.log(left) - lock.cost
    return max(0.0, float(nats / np.log(2)) / (len(surveyed.pieces) * receiver.piece_seconds))
