"""From a fitted code book to the symbols of a format card."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

import numpy as np
import numpy.typing as npt

from tapewright.cards.symbols import HalfWaves, Levels, Piece, Silence, Tone
from tapewright.learn.fit import Fit

__all__ = ["family_of", "made_tidy", "spell", "twin"]

FloatArray = npt.NDArray[np.float64]

#: A half-wave longer than its neighbours by this factor ends in a rest.
REST = 1.75
#: Half-waves of more than this many are written run by run.
MANY = 16
#: Lengths are tidied where this moves them by no more than this share.
TIDY = 0.004


def tidy_us(us: float) -> float:
    """Microseconds to a hundredth."""
    return round(float(us), 2)


def made_tidy(centres_us: Sequence[float], words: Sequence[Sequence[int]]) -> list[float]:
    """Make two lengths of half-wave stand exactly as their words suggest, where they nearly do already.

    Words of one length of half-wave each are made to last equally long, or as 1 to 2.
    """
    lengths = list(centres_us)
    plain = [(word[0], len(word)) for word in words[:2] if len(set(word)) == 1]
    if len(plain) < 2 or plain[0][0] == plain[1][0]:
        return lengths
    (a, m), (b, n) = plain
    ratios = [n / m, 2.0 if lengths[a] > lengths[b] else 0.5]
    for ratio in ratios:  # of a's length to b's
        if abs(lengths[a] / lengths[b] / ratio - 1) < TIDY:
            # The many half-waves of the one word and of the other weigh alike.
            common = (lengths[a] / ratio + lengths[b]) / 2
            lengths[a], lengths[b] = common * ratio, common
            break
    return lengths


def is_rest(word: Sequence[int], lengths: Sequence[float]) -> bool:
    """Whether a word begins or ends with a half-wave much longer than all its others, which are alike.

    One amid the others is no rest: nothing falls silent there.
    """
    if len(word) < 3:
        return False
    values = [lengths[k] for k in word]
    shortest, *_, long, longest = sorted(values)
    return longest in (values[0], values[-1]) and longest > REST * long and long < REST * shortest


def spell(fit: Fit, *, is_square: bool, pulse_us: float | None = None) -> dict[str, list[Piece]]:
    """Write the words of a book as symbols of a card.

    Parameters
    ----------
    fit : Fit
    is_square : bool
        Whether whole cycles are to be written as half-waves instead of tones.
    pulse_us : float, optional
        Half a pulse's width, where bits are pulses with rests between.
    """
    lengths = made_tidy(np.exp(fit.calm).tolist(), fit.book.words)
    if fit.book.shape == "burst or none":
        return _burst_or_none(fit, lengths, is_square)
    words = fit.book.words
    # A tone is whole cycles: with an odd run of half-waves anywhere the others are no cycles either.
    if any(
        len(list(group)) % 2 for word in words[:2] if not is_rest(word, lengths) for _, group in groupby(word)
    ):
        is_square = True
    symbols: dict[str, list[Piece]] = {}
    for name, word, lasting_us in zip(fit.names, words, fit.lasting_us, strict=True):
        symbols.setdefault(name, _pieces(word, lengths, lasting_us, is_square, pulse_us))
    return symbols


def _pieces(
    word: Sequence[int], lengths: Sequence[float], lasting_us: float, is_square: bool, pulse_us: float | None
) -> list[Piece]:
    if pulse_us is not None and len(word) % 2 == 0:
        return _pulses(word, lengths, lasting_us, pulse_us)
    if is_rest(word, lengths):
        return _burst(word, lengths, lasting_us, is_square)
    runs = [(k, sum(1 for _ in group)) for k, group in groupby(word)]
    if not is_square or len(word) > MANY:
        return [_cycles(lengths[k], count, is_square) for k, count in runs]
    return [HalfWaves(half_waves=[tidy_us(lengths[k]) for k in word])]


def _cycles(half_wave_us: float, count: int, is_square: bool) -> Piece:
    if is_square:
        return HalfWaves(half_waves=[tidy_us(half_wave_us)] * count)
    return Tone(tone=round(0.5e6 / half_wave_us, 2), cycles=count / 2)


def _burst(word: Sequence[int], lengths: Sequence[float], lasting_us: float, is_square: bool) -> list[Piece]:
    """Half-waves and one that lasts into the rest: the burst has one half-wave more than stand before it."""
    values = [lengths[k] for k in word]
    rest = int(np.argmax(values))
    others = values[:rest] + values[rest + 1 :]
    half_wave = float(np.median(others))
    count = 2 * max(1, round(len(word) / 2))
    quiet = max(10.0, lasting_us - count * half_wave)
    return [_cycles(half_wave, count, is_square), Silence(silence=tidy_us(quiet))]


def _burst_or_none(fit: Fit, lengths: Sequence[float], is_square: bool) -> dict[str, list[Piece]]:
    burst = _burst(fit.book.words[0], lengths, fit.lasting_us[0], is_square)
    rests = [lengths[word[-1]] for word in fit.book.words]
    silent_us = float(np.median([(rest - rests[0]) / k for k, rest in enumerate(rests) if k][:2]))
    burst_us = fit.lasting_us[0]
    if abs(silent_us / burst_us - 1) < TIDY:  # no symbol tells the time during silence: it must be right
        silent_us = burst_us
    return {"0": burst, "1": [Silence(silence=tidy_us(silent_us))]}


def _pulses(word: Sequence[int], lengths: Sequence[float], lasting_us: float, pulse_us: float) -> list[Piece]:
    """A pulse up and down in each cycle, and then a rest."""
    values = [lengths[k] for k in word]
    more_us = 2 * (lasting_us - sum(values)) / len(values)
    pieces: list[Piece] = []
    for first, second in zip(values[::2], values[1::2], strict=True):
        pieces.append(HalfWaves(half_waves=[tidy_us(pulse_us)] * 2))
        pieces.append(Silence(silence=tidy_us(max(10.0, first + second + more_us - 2 * pulse_us))))
    return pieces


def twin(symbols: dict[str, list[Piece]]) -> dict[str, list[Piece]] | None:
    """The biphase-L code whose half-waves are those of a biphase-M or -S one, or None."""
    halves = {
        name: [us for piece in symbols[name] if isinstance(piece, HalfWaves) for us in piece.half_waves]
        for name in "01"
        if all(isinstance(piece, HalfWaves) for piece in symbols[name])
    }
    short = next((us for us in halves.values() if len(us) == 2), None)
    long = next((us for us in halves.values() if len(us) == 1), None)
    if short is None or long is None:
        return None
    half_us = tidy_us((sum(short) + long[0]) / 4)
    return {
        "0": [Levels(levels=[[1.0, half_us], [-1.0, half_us]])],
        "1": [Levels(levels=[[-1.0, half_us], [1.0, half_us]])],
    }


def family_of(symbols: dict[str, list[Piece]]) -> str:
    """What people call such a code."""
    pieces = symbols["0"] + symbols["1"]
    kinds = {type(piece) for piece in pieces}
    if Levels in kinds:
        return "biphase-L"
    if Silence in kinds:
        lone = any(all(isinstance(piece, Silence) for piece in symbols[bit]) for bit in "01")
        pulses = all(
            isinstance(piece, Silence) or (isinstance(piece, HalfWaves) and len(piece.half_waves) == 2)
            for piece in pieces
        )
        return "bursts" if lone or not pulses else "clock and data pulses"
    if kinds == {Tone} and any(isinstance(piece, Tone) and piece.us is not None for piece in pieces):
        return "modem tones"
    lengths = {bit: _half_waves(symbols[bit]) for bit in "01"}
    runs = {bit: [sum(1 for _ in group) for _, group in groupby(us)] for bit, us in lengths.items()}
    if all(len(counts) == 1 for counts in runs.values()):
        zero, one = runs["0"][0], runs["1"][0]
        if {zero, one} == {1, 2} and 1.8 < _ratio(lengths) < 2.2:
            return "biphase-M"
        if zero % 2 == one % 2 == 0:
            if zero == one == 2:
                return "single cycles" if Tone in kinds else "pairs"
            return f"tones of {zero // 2} and {one // 2} cycles"
        return "half-waves"
    if all(len(counts) == 2 for counts in runs.values()):
        return "three lengths" if sorted(lengths["0"]) == sorted(lengths["1"]) else "tone ratio"
    return "half-waves"


def _half_waves(pieces: Sequence[Piece]) -> list[float]:
    lengths: list[float] = []
    for piece in pieces:
        if isinstance(piece, HalfWaves):
            lengths += piece.half_waves
        elif isinstance(piece, Tone):
            lengths += [0.5e6 / piece.tone] * round(2 * piece.turns)
    return lengths


def _ratio(lengths: dict[str, list[float]]) -> float:
    zero, one = (float(np.mean(lengths[bit])) for bit in "01")
    return max(zero, one) / min(zero, one)
