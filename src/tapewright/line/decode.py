"""The receiver: recording to symbols, with times and posteriors.

A segmental Viterbi search over the card's symbols (docs/architecture.md, "The receiver"). The recording
streams through in windows that overlap; each is searched with what is known of speed, level and noise, and
what it teaches is handed to the next.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from tapewright.cards import FormatCard
from tapewright.line.acquire import PLAIN, QUICK, THOROUGH, WELL_EXPLAINED, Effort, near_speed
from tapewright.line.front import mix
from tapewright.line.pieces import survey
from tapewright.line.print_through import Ghost, ghosts, without
from tapewright.line.receiver import Receiver, Survey, hears_idle_tone, is_polar
from tapewright.line.scene import Lock
from tapewright.model import AudioSource, Samples, Symbols

__all__ = ["Heard", "Prospect", "Survey", "decode", "hears_idle_tone", "is_polar", "rank", "survey"]

FloatArray = npt.NDArray[np.float64]

#: To rank cards, each is asked to explain this band, whatever its own.
RANKING_BAND_HZ = (100.0, 8000.0)
#: A quick look takes so many of the pieces. Cards with at least this share of the best one's evidence there,
#: and within limits of their number, are heard in earnest.
QUICK_PIECES = 3
HOPEFUL_SHARE = 0.6
FEWEST_FINALISTS, MOST_FINALISTS = 4, 8


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
    ghosts : tuple of Ghost
        Faint copies that were passed over.
    """

    symbols: Symbols
    channel: int | str
    seconds: float
    evidence_bits: float
    ghosts: tuple[Ghost, ...] = ()


@dataclass(frozen=True, eq=False)
class Prospect:
    """A card that may be the right one for a recording.

    Parameters
    ----------
    card : FormatCard
    evidence_bits : float
        How much better it explains the recording than noise does, in bits a second; 0 if no better.
    channel : int or "average"
        Where that is so.
    lock : Lock or None
        What is known of the signal then.
    """

    card: FormatCard
    evidence_bits: float
    channel: int | str
    lock: Lock | None


def decode(
    source: AudioSource, card: FormatCard, *, inverted: bool = False, surveyed: Survey | None = None,
    prospect: Prospect | None = None, speed: float | None = None,
) -> Heard:  # fmt: skip
    """Listen to a recording as the card says.

    Parameters
    ----------
    source : AudioSource
    card : FormatCard
    inverted : bool
        Turn the recording upside down first. Only formats made of absolute levels can tell.
    surveyed : Survey, optional
        From :func:`survey`, to take it once for several cards.
    prospect : Prospect, optional
        From :func:`rank`, for this card: saves looking for the same again.
    speed : float, optional
        Of the tape against the card, where it is known to a hundredth: saves looking at others.

    Returns
    -------
    Heard
        With no symbols at all where there is no signal of this format.
    """
    receiver = Receiver(card, source.rate_hz, inverted, THOROUGH if speed is None else near_speed(speed))
    lock = prospect.lock if prospect and not inverted else None
    if prospect and lock and lock.explained >= WELL_EXPLAINED:
        channel = prospect.channel
    else:
        surveyed = surveyed or survey(source)
        channel, lock = receiver.acquire(surveyed, source.channels)
        if speed is not None and (lock is None or lock.explained < WELL_EXPLAINED):  # it may be another
            receiver = Receiver(card, source.rate_hz, inverted)
            channel, lock = receiver.acquire(surveyed, source.channels)
    symbols, seconds = receiver.read(source, channel, lock)
    faint = ghosts(symbols)
    symbols = without(symbols, faint, receiver.alphabet.mean_bit_seconds, seconds)
    evidence_bits = lock.evidence / float(np.log(2)) if lock else 0.0
    return Heard(symbols, channel, seconds, evidence_bits, tuple(ghost for _, ghost in faint))


def rank(surveyed: Survey, cards: Sequence[FormatCard], channels: int) -> list[Prospect]:
    """Rank cards by how much better they explain a recording than noise does.

    Cards listen in bands of their own; to be fair to all, each has to account for everything from 100 Hz to
    8 kHz, and nothing is believed to be explained to better than 20 dB.

    Where there are many cards, a quick look at a few pieces comes first, and those that explain far less than
    the best does are left out.

    Returns
    -------
    list of Prospect
        The best first; of the cards left out there is nothing.
    """
    spectra = _Spectra(surveyed)
    chosen = list(cards)
    if len(cards) > FEWEST_FINALISTS:
        glance = _Spectra(replace(surveyed, pieces=_spread(surveyed.pieces, QUICK_PIECES)))
        quick = sorted(
            ((_prospect(glance, card, channels, QUICK).evidence_bits, card) for card in cards),
            key=lambda pair: -pair[0],
        )
        best = quick[0][0]
        if best > 0:
            hopeful = sum(bits >= HOPEFUL_SHARE * best for bits, _ in quick)
            chosen = [card for _, card in quick[: max(FEWEST_FINALISTS, min(hopeful, MOST_FINALISTS))]]
    found = [_prospect(spectra, card, channels, PLAIN) for card in chosen]
    return sorted(found, key=lambda prospect: -prospect.evidence_bits)


def _spread(pieces: tuple[Samples, ...], count: int) -> tuple[Samples, ...]:
    """So many of the pieces, from all over."""
    if len(pieces) <= count:
        return pieces
    return tuple(pieces[(2 * k + 1) * len(pieces) // (2 * count)] for k in range(count))


class _Spectra:
    """Power spectra of the pieces of a survey, worked out once for all cards."""

    def __init__(self, surveyed: Survey) -> None:
        self.surveyed = surveyed
        self.high_hz = min(RANKING_BAND_HZ[1], 0.5 * surveyed.rate_hz)
        self._spectra: dict[int | str, list[tuple[FloatArray, FloatArray]]] = {}

    def share(self, channel: int | str, low_hz: float, high_hz: float) -> float:
        """Share of the power in the band cards are ranked in that lies within these limits as well."""
        if channel not in self._spectra:
            self._spectra[channel] = [self._spectrum(mix(piece, channel)) for piece in self.surveyed.pieces]
        common, heard = 0.0, 0.0
        for hertz, power in self._spectra[channel]:
            common += float(power[(hertz >= RANKING_BAND_HZ[0]) & (hertz <= self.high_hz)].sum())
            heard += float(power[(hertz >= low_hz) & (hertz <= min(high_hz, self.high_hz))].sum())
        return min(1.0, heard / max(common, 1e-20))

    def _spectrum(self, piece: npt.NDArray[np.float32]) -> tuple[FloatArray, FloatArray]:
        hertz = np.fft.rfftfreq(len(piece), 1.0 / self.surveyed.rate_hz)
        return np.asarray(hertz, np.float64), np.asarray(np.abs(np.fft.rfft(piece)) ** 2, np.float64)


def _prospect(spectra: _Spectra, card: FormatCard, channels: int, effort: Effort) -> Prospect:
    surveyed = spectra.surveyed
    receiver = Receiver(card, surveyed.rate_hz, False, effort)
    channel, lock = receiver.acquire(surveyed, channels)
    if lock is None:
        return Prospect(card, 0.0, channel, None)
    share = spectra.share(channel, receiver.band.low_hz, receiver.band.high_hz)
    left = max(1.0 - lock.explained * share, 0.01)
    nats = -(spectra.high_hz - RANKING_BAND_HZ[0]) * lock.seconds * np.log(left) - lock.cost
    bits = max(0.0, float(nats / np.log(2)) / (len(surveyed.pieces) * receiver.piece_seconds))
    return Prospect(card, bits, channel, lock)
