"""Finding the tape's speed and level when nothing is known: a bank of speeds, scored by the search itself."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from tapewright.cards import Alphabet
from tapewright.line.front import Heard, level_track
from tapewright.line.scene import (
    ASSUMED_EB_N0,
    ASSUMED_OF_FREE,
    Lock,
    Measured,
    blind_scene,
    measure,
    noise_and_misfit,
)
from tapewright.line.search import find_path
from tapewright.line.templates import Band, Templates

__all__ = ["PLAIN", "QUICK", "THOROUGH", "WELL_EXPLAINED", "Effort", "acquire", "near_speed"]

FloatArray = npt.NDArray[np.float64]

#: Speeds tried: 1.5 % apart over +-16 %, so that +-15 % has neighbours on both sides.
BANK = 1.015 ** np.arange(-10, 11)
#: A speed that is known is within this share of one of these: the nearest of the bank and its neighbours.
KNOWN_WITHIN = 0.022
#: A recorder far off speed is rarer than one near it: so many nats at 10 %, to settle equal explanations.
PRIOR_NATS = 20.0
#: Beyond this factor either way it is another format that happens to fit.
FARTHEST_SPEED = 1.165
#: Every speed of the bank hears this many pieces; the best few speeds, refined, hear them all.
COARSE_PIECES = 3
FINE_SPEEDS = 3
#: Gains are learned from pieces that are explained at least this well, as a share of the best.
WELL_ENOUGH = 0.8
#: Where less than this share of the power is explained, waveforms from a dull recorder are tried as well:
#: those behind a first-order low-pass at this share of the fastest tone. So is stronger noise, where a
#: carrier runs free.
WELL_EXPLAINED = 0.6
DULL_SHARE = 0.4
#: Symbols a path must have before it says anything about speed.
FEWEST_SYMBOLS = 8


@dataclass(frozen=True)
class Effort:
    """How hard to look.

    Parameters
    ----------
    speeds : tuple of float
        Those that are tried.
    coarse_pieces : int
        Every speed hears this many pieces, the liveliest.
    fine_speeds : int
        So many of the best speeds, refined, hear them all.
    is_dull_tried : bool
        Whether the waveforms of a dull recorder are tried as well, where plain ones explain little.
    """

    speeds: tuple[float, ...]
    coarse_pieces: int
    fine_speeds: int
    is_dull_tried: bool


THOROUGH = Effort(tuple(BANK.tolist()), COARSE_PIECES, FINE_SPEEDS, is_dull_tried=True)
PLAIN = replace(THOROUGH, is_dull_tried=False)
#: Enough to tell a card that may be the right one from one that is not (measured on every card of the
#: library: clean, noisy, worn, and after another sound).
QUICK = Effort(tuple(BANK[::2].tolist()), coarse_pieces=1, fine_speeds=1, is_dull_tried=False)


def near_speed(speed: float) -> Effort:
    """Effort where the speed is known: as thorough but for the speeds far from it."""
    near = BANK[np.abs(np.log(BANK * (1.0 / speed))) < KNOWN_WITHIN]
    return replace(THOROUGH, speeds=tuple(near.tolist()), fine_speeds=1)


class _Piece:
    """A piece of the recording, and its level: that is the same whatever the speed."""

    def __init__(self, heard: Heard, alphabet: Alphabet, band: Band) -> None:
        self.heard = heard
        self.power = float(np.mean(heard * heard))
        self._alphabet, self._band = alphabet, band
        self._levels: dict[int, FloatArray] = {}

    def level(self, block: int) -> FloatArray:
        """Level track in blocks of so many samples."""
        if block not in self._levels:
            self._levels[block] = level_track(self.heard, self._alphabet, self._band, block)
        return self._levels[block]


def acquire(
    pieces: list[Heard], alphabet: Alphabet, band: Band, polarity: int, cost: FloatArray,
    effort: Effort = THOROUGH,
) -> Lock | None:  # fmt: skip
    """Find speed, noise and symbol gains from a few pieces of the recording.

    Parameters
    ----------
    pieces : list of ndarray
        At the receiver's rate, half a second or so each.
    polarity : {0, 1}
        As for `find_path`.
    effort : Effort

    Returns
    -------
    Lock or None
        None where no speed explains any piece better than noise.
    """
    heard = [_Piece(piece, alphabet, band) for piece in pieces]
    best = _try_bank(heard, alphabet, band, polarity, cost, math.inf, ASSUMED_EB_N0, effort)
    if effort.is_dull_tried and (best is None or best.explained < WELL_EXPLAINED):
        others = [(DULL_SHARE * alphabet.highest_hertz, ASSUMED_EB_N0)]
        if alphabet.has_free_phase:
            others.append((math.inf, ASSUMED_OF_FREE))
        for low_pass_hz, eb_n0 in others:
            other = _try_bank(heard, alphabet, band, polarity, cost, low_pass_hz, eb_n0, effort)
            if other and (best is None or other.evidence > best.evidence):
                best = other
    return best


def _try_bank(
    pieces: list[_Piece], alphabet: Alphabet, band: Band, polarity: int, cost: FloatArray,
    low_pass_hz: float, eb_n0: float, effort: Effort,
) -> Lock | None:  # fmt: skip
    """Try all speeds on waveforms that went through a first-order low-pass, in so much noise."""
    liveliest = sorted(pieces, key=lambda piece: -piece.power)[: effort.coarse_pieces]
    ranked = []
    for speed in effort.speeds:
        bonus = -PRIOR_NATS * (np.log(speed) / 0.1) ** 2
        templates = _templates_of_bank(alphabet, band, speed, low_pass_hz)
        lock = _try_speed(liveliest, alphabet, band, polarity, templates, 1.0 / speed, cost, eb_n0, bonus)
        if lock:
            ranked.append(lock)
    ranked.sort(key=lambda lock: -lock.evidence)
    best: Lock | None = None
    for rough in ranked[: effort.fine_speeds]:
        templates = Templates.of(alphabet, band, rough.stretch, low_pass_hz)
        lock = _try_speed(pieces, alphabet, band, polarity, templates, rough.stretch, cost, eb_n0, 0.0)
        if (
            lock
            and 1 / FARTHEST_SPEED <= lock.stretch <= FARTHEST_SPEED
            and (best is None or lock.evidence > best.evidence)
        ):
            best = replace(lock, low_pass_hz=low_pass_hz)
    return best


@lru_cache(maxsize=4 * len(BANK))
def _templates_of_bank(alphabet: Alphabet, band: Band, speed: float, low_pass_hz: float) -> Templates:
    """Work them out once: the hiss of each pause is looked at anew, and half of that time went into them."""
    return Templates.of(alphabet, band, 1.0 / speed, low_pass_hz)


def _try_speed(
    pieces: list[_Piece], alphabet: Alphabet, band: Band, polarity: int, templates: Templates,
    stretch: float, cost: FloatArray, eb_n0: float, bonus: float,
) -> Lock | None:  # fmt: skip
    fits = []
    for piece in pieces:
        level = piece.level(templates.block)
        scene, amplitude = blind_scene(piece.heard, level, alphabet, band, templates, cost, eb_n0)
        path = find_path(scene, polarity, forced=True)
        fit = measure(path, scene, amplitude, band) if len(path) >= FEWEST_SYMBOLS else None
        if fit and fit.evidence > 0:
            signal = max(piece.power - fit.left(fit.power), 0.06 * piece.power)
            fits.append((fit, np.sqrt(piece.power / signal)))
    if not fits:
        return None
    return _merge(fits, stretch, bonus)


def _merge(fits: list[tuple[Measured, float]], stretch: float, bonus: float) -> Lock:
    """Average over pieces, each counting by its evidence; gains are taken against signal without noise."""
    evidence = np.array([fit.evidence for fit, _ in fits])
    share = evidence / evidence.sum()
    # a piece that runs at another speed says nothing of gains: there most symbols are wrong ones
    least = WELL_ENOUGH * max(fit.explained for fit, _ in fits)
    good = [(fit, louder) for fit, louder in fits if fit.explained >= least]
    weight = np.sum([fit.weight for fit, _ in good], axis=0)
    gain = np.sum([fit.gain * fit.weight * louder for fit, louder in good], axis=0) / np.maximum(weight, 1e-9)
    gain[weight <= 0] = gain[weight > 0].mean()  # of what was not heard: as the rest
    bend = np.sum([fit.bend * fit.weight for fit, _ in good], axis=0) / np.maximum(weight, 1e-9)
    bend[weight <= 0] = 1.0
    left = np.array([fit.left(fit.power) for fit, _ in fits])
    noise, misfit = noise_and_misfit(left, np.array([fit.power for fit, _ in fits]), share, 0.0)
    return Lock(
        stretch * float(share @ [fit.pace for fit, _ in fits]),
        noise,
        misfit,
        gain,
        bend,
        float(evidence.sum()) + float(bonus),
        float(share @ [fit.explained for fit, _ in fits]),
        sum(fit.cost for fit, _ in fits),
        sum(fit.seconds for fit, _ in fits),
        math.inf,
    )
