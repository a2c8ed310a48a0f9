"""What was heard of each recording, and questions that only its sound can answer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from tapewright.learn.durations import Tokens, stretches, tokens_of
from tapewright.learn.fit import Fit
from tapewright.learn.marks import Marks, marks_of
from tapewright.learn.waves import pulse_us, third_harmonic
from tapewright.model import Recording

__all__ = ["Take", "is_square", "leader_patterns", "pulse_width", "takes_of"]

FloatArray = npt.NDArray[np.float64]

#: A square wave's third harmonic is a third of its fundamental, less what a dull recorder takes; a sine gets
#: up to 0.045 from a saturated tape (measured). It must stand out by so many standard errors.
SQUARE_FROM, SQUARE_ERRORS = 0.05, 2.0
#: What repeats itself for less than this share of the time that anything does is no leader; patterns of means
#: nearer than this, as a logarithm, are one.
LEAST_LEADER, SAME_PATTERN = 0.05, 0.05


@dataclass(frozen=True, eq=False)
class Take:
    """A recording's marks and half-waves."""

    marks: Marks
    tokens: Tokens
    data: Tokens
    widths: dict[float, float | None] = field(default_factory=dict)

    def pulse_us(self, half_wave_us: float) -> float | None:
        """Width of half a pulse whose first half-wave comes out about so long."""
        if half_wave_us not in self.widths:
            near = np.abs(self.tokens.logs - np.log(half_wave_us)) < 0.15
            self.widths[half_wave_us] = pulse_us(self.marks, self.tokens, near, 1.6 * half_wave_us)
        return self.widths[half_wave_us]


def takes_of(sounds: Sequence[Recording]) -> list[Take]:
    """Listen to recordings."""
    takes = []
    for sound in sounds:
        marks = marks_of(sound)
        tokens = tokens_of(marks)
        takes.append(Take(marks, tokens, tokens.data() if len(tokens.us) else tokens))
    return takes


def leader_patterns(takes: Sequence[Take]) -> list[FloatArray]:
    """What leaders repeat, what is heard longest in all first: logarithms of durations.

    Data that repeat themselves are among them.
    """
    found: list[tuple[float, FloatArray]] = []
    for take in takes:
        for first, end in stretches(take.tokens.leader > 0):
            lag = int(np.bincount(take.tokens.leader[first:end]).argmax())
            if end - first < 4 * lag:
                continue
            logs = take.tokens.logs[first:end]
            whole = len(logs) // lag * lag
            found.append((float(np.exp(logs).sum()), np.median(logs[:whole].reshape(-1, lag), axis=0)))
    found.sort(key=lambda one: -one[0])
    patterns: list[tuple[float, FloatArray]] = []
    for us, pattern in found:
        k = next((k for k, (_, known) in enumerate(patterns) if _is_like(pattern, known)), None)
        if k is None:
            patterns.append((us, pattern))
        else:
            patterns[k] = patterns[k][0] + us, patterns[k][1]
    patterns.sort(key=lambda one: -one[0])
    least_us = LEAST_LEADER * sum(us for us, _ in patterns)
    return [pattern for us, pattern in patterns if us >= least_us]


def _is_like(pattern: FloatArray, other: FloatArray) -> bool:
    return len(pattern) == len(other) and abs(float(pattern.mean() - other.mean())) < SAME_PATTERN


def is_square(takes: Sequence[Take], fit: Fit) -> bool:
    """Whether the slowest half-waves, whose harmonics are heard best, are square."""
    lengths = np.array(fit.book.centres)
    words = [word for word, name in zip(fit.book.words, fit.names, strict=True) if name not in "MN"]
    repeated = {k for word in words for k in word if word.count(k) > 1}  # marks are too few
    if not repeated:
        return True
    slowest = max(repeated, key=lambda k: lengths[k])
    found = []
    for take in takes:
        near = np.abs(take.tokens.logs - lengths[slowest]) < 0.1
        amid = np.zeros(len(near), np.bool_)
        amid[1:-1] = near[:-2] & near[1:-1] & near[2:]
        third = third_harmonic(take.marks, take.tokens, amid if amid.sum() >= 8 else near)
        if third is not None:
            found.append(third[0] - SQUARE_ERRORS * third[1])
    return bool(found) and float(np.median(found)) > SQUARE_FROM


def pulse_width(takes: Sequence[Take], fit: Fit) -> float | None:
    """Width of half a pulse where each cycle is a pulse and a rest; None where it is anything else."""
    lengths = np.exp(fit.book.centres)
    words = fit.book.words[:2]
    if fit.book.shape == "burst or none" or any(len(word) % 2 for word in words):
        return None
    firsts = {k for word in words for k in word[::2]}
    seconds = {k for word in words for k in word[1::2]}
    if len(firsts) > 1 and len(seconds) > 1:
        return None
    pulse, rests = (firsts, seconds) if len(firsts) == 1 else (seconds, firsts)
    narrow = float(lengths[next(iter(pulse))])
    if len(rests) < 2 or min(lengths[k] for k in rests) < 1.25 * narrow or pulse & rests:
        return None
    widths = [take.pulse_us(round(narrow / 10) * 10.0) for take in takes]
    known = [width for width in widths if width is not None]
    return float(np.median(known)) if known else narrow
