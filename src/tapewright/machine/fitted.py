"""Sound designed for one machine: the waveform that gives the widest window of levels.

The machine sees one bit, so what counts of a format's waveform is when it changes sign. Between two changes
the sound is free: it may be square, a short pulse, or rise on the way; one half-wave may be deeper or longer
than the other. A small family of such shapes is tried on the machine's input stage, over several players and
at all levels, and the one whose worst window is widest is kept.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import cache
from itertools import islice, product

import numpy as np
import numpy.typing as npt
from scipy import signal

from tapewright.cards.machine import OutputStage
from tapewright.machine.eye import Eye
from tapewright.machine.output import port_levels
from tapewright.machine.played import Played
from tapewright.machine.simulate import RATE_HZ
from tapewright.machine.window import LEVELS_DB, Island, islands_of, load_at
from tapewright.model import LEVEL, SILENCE, UsageError, Wave

__all__ = ["PATHS", "Fitting", "Shape", "fit", "shaped"]

FloatArray = npt.NDArray[np.float64]
Sound = npt.NDArray[np.float32]
Play = Callable[["Shape | None"], list[Played]]

#: A slope is made of so many steps.
STEPS = 8
#: Half-waves drawn at a time.
BATCH = 1024
#: One port bit, for the signs of a waveform.
_SIGNS = OutputStage(bit_ohms=[1000.0], supply_volts=2.0)
#: What the sound goes through on its way, by name: corners of a first-order high-pass and low-pass, in Hz,
#: and lift of everything above 3 kHz, in dB. Each shape has to do with the worst of them (chosen: what
#: phones, sound cards and recorders commonly do).
PATHS: dict[str, tuple[tuple[float, float, float], ...]] = {
    "direct": ((0.0, 0.0, 0.0), (0.0, 0.0, 6.0), (100.0, 0.0, 0.0)),
    "tape": ((40.0, 10_000.0, 0.0), (100.0, 6_000.0, 3.0), (150.0, 4_000.0, 0.0)),
}
LIFT_HZ = 3000.0
#: The loudest that is played, by path, in dB over 1 V of peak: a phone or a sound card gives up to 1.5 V, a
#: recorder's ear socket up to 4 V (common practice). Louder is better than nothing.
LOUDEST_DB = {"direct": 3.5, "tape": 12.0}
#: Windows are compared on this grid, and found again on a finer one.
COARSE_DB = np.arange(LEVELS_DB[0], LEVELS_DB[-1] + 0.1, 1.5)
FINE_DB = np.arange(LEVELS_DB[0], LEVELS_DB[-1] + 0.01, 0.25)


@dataclass(frozen=True)
class Shape:
    """How half-waves are drawn.

    Parameters
    ----------
    width : float
        Share of its time that a positive half-wave is up; then it is at rest.
    tilt : float
        How far it rises on the way, as a share of its peak; negative: falls.
    depth : float
        Depth of negative half-waves against the positive ones' height.
    later_seconds, later_share : float
        By how much the end of a positive half-wave comes later, and by what share of its length besides;
        negative: earlier.
    is_turned : bool
        Upside down.
    """

    width: float = 1.0
    tilt: float = 0.0
    depth: float = 1.0
    later_seconds: float = 0.0
    later_share: float = 0.0
    is_turned: bool = False


@dataclass(frozen=True)
class Fitting:
    """What fitting came to.

    Parameters
    ----------
    shape : Shape or None
        None where the format's own is as good.
    before_db, after_db : float
        Width of the widest window that loads over every player and is not too loud for them, as the format
        has it and fitted; 0 for none.
    island : Island or None
        Levels that load over every player, in dB over 1 V of peak; too loud for them only if there is no
        other.
    loudest_db : float
        Above this it is too loud.
    """

    shape: Shape | None
    before_db: float
    after_db: float
    island: Island | None
    loudest_db: float

    @property
    def is_too_loud(self) -> bool:
        """Whether it loads at no level that players of this kind commonly reach."""
        return self.island is not None and self.island.low_db > self.loudest_db


def shaped(waves: Iterable[Wave], shape: Shape) -> Iterator[Wave]:
    """Draw a waveform anew: its changes of sign stay, what is between them becomes the shape."""
    halves = _half_waves(waves)
    seen: dict[tuple[float, float], tuple[list[float], list[float]]] = {}  # there are few lengths
    while batch := list(islice(halves, BATCH)):
        for one in batch:
            if one not in seen and len(seen) < BATCH:
                seen[one] = _drawn(*one, shape)
        drawn = [seen[one] if one in seen else _drawn(*one, shape) for one in batch]
        levels = [level for some, _ in drawn for level in some]
        lengths = [length for _, some in drawn for length in some]
        zeros = np.zeros(len(levels))
        yield Wave(np.full(len(levels), LEVEL, np.int8), np.array(lengths), zeros, np.array(levels), zeros)


def fit(play: Play, eye: Eye, path: str = "direct") -> Fitting:
    """Find the shape with the widest window.

    Parameters
    ----------
    play : callable
        Gives the beginning of the program in a shape, or as the format has it (for None); peak 1.
    eye : Eye
    path : {"direct", "tape"}
        Whether the sound is played straight to the machine, or from a tape it was recorded on.

    Raises
    ------
    UsageError
        If there is no such path.
    """
    if path not in PATHS:
        raise UsageError(f"'{path}' is no way from here to the machine; say {' or '.join(PATHS)}")
    port, reader = eye.port, eye.reader

    def share(shape: Shape | None, levels_db: FloatArray) -> npt.NDArray[np.bool_]:
        parts = play(shape)
        loads = np.ones(len(levels_db), np.bool_)
        for device in PATHS[path]:
            if not loads.any():
                break
            heard = [part.heard_as(_through(part.sound, device)) for part in parts]
            loads[loads] = load_at(heard, port, reader, levels_db[loads])
        return loads

    loudest = LOUDEST_DB[path]

    @cache
    def width(shape: Shape) -> tuple[float, float]:
        loads = share(shape, COARSE_DB)
        return _widest(loads & (loudest >= COARSE_DB), COARSE_DB)[0], _widest(loads, COARSE_DB)[0]

    half = 0.5 / _fastest(play(None))
    tried = [
        Shape(width=wide, tilt=tilt, depth=depth, is_turned=turned)
        for turned, wide, tilt, depth in product((False, True), (1.0, 0.6, 0.3), (0.0, 0.6, -0.6), (1.0, 0.4))
    ]
    best = max(tried, key=width)
    for step in (0.3, 0.15, 0.08):  # one setting at a time, finer and finer
        for other in _neighbours(best, step, half):
            if width(other) > width(best):
                best = other
    before, own = _widest(share(None, FINE_DB) & (loudest >= FINE_DB), FINE_DB)
    loads = share(best, FINE_DB)
    after, island = _widest(loads & (loudest >= FINE_DB), FINE_DB)
    if own is not None and before >= after:
        return Fitting(None, before, before, own, loudest)
    if island is None:
        _, island = _widest(loads, FINE_DB)
    return Fitting(best, before, after, island, loudest)


def _neighbours(shape: Shape, step: float, half_seconds: float) -> Iterator[Shape]:
    for sign in (1.0, -1.0):
        yield replace(shape, width=float(np.clip(shape.width + sign * step, 0.1, 1.0)))
        yield replace(shape, tilt=float(np.clip(shape.tilt + sign * step, -0.9, 0.9)))
        yield replace(shape, depth=float(np.clip(shape.depth + sign * step, 0.0, 1.0)))
        later = shape.later_seconds + sign * step * half_seconds
        yield replace(shape, later_seconds=float(np.clip(later, -0.5 * half_seconds, 0.5 * half_seconds)))
        yield replace(shape, later_share=float(np.clip(shape.later_share + sign * step, -0.4, 0.4)))


def _widest(loads: npt.NDArray[np.bool_], levels_db: FloatArray) -> tuple[float, Island | None]:
    best = max(islands_of(loads, levels_db), key=lambda island: island.width_db, default=None)
    if best is None:
        return 0.0, None
    return best.width_db + float(levels_db[1] - levels_db[0]), best


def _fastest(parts: list[Played]) -> float:
    """Frequency of the fastest half-waves, by the changes of sign."""
    signs = np.signbit(parts[0].sound[np.abs(parts[0].sound) > 0.05])
    gaps = np.diff(np.flatnonzero(np.diff(signs)))
    return 0.5 * RATE_HZ / float(np.percentile(gaps, 10)) if len(gaps) else 2000.0


def _half_waves(waves: Iterable[Wave]) -> Iterator[tuple[float, float]]:
    """Signs and lengths, in seconds; 0 for silence. Neighbours of one sign are one."""
    level, seconds = 0.0, 0.0
    for wave in port_levels(waves, _SIGNS):
        for kind, this, length in zip(wave.kind, wave.level, wave.seconds, strict=True):
            sign = 0.0 if kind == SILENCE else float(np.sign(this))
            if sign == level:
                seconds += float(length)
                continue
            if seconds > 0:
                yield level, round(seconds, 9)
            level, seconds = sign, float(length)
    if seconds > 0:
        yield level, seconds


def _drawn(sign: float, seconds: float, shape: Shape) -> tuple[list[float], list[float]]:
    """Levels, and how long each."""
    if sign == 0.0:
        return [0.0], [seconds]
    turn = -1.0 if shape.is_turned else 1.0
    # negative half-waves make up for it, as nearly as those of one symbol are alike
    later = shape.later_seconds + shape.later_share * seconds
    length = max(seconds + sign * later, 0.2 * seconds)
    if sign < 0:
        return [-turn * shape.depth], [length]
    up = shape.width * length
    rise = np.linspace(-0.5, 0.5, STEPS) * shape.tilt if shape.tilt else np.zeros(1)
    heights = 1.0 - abs(shape.tilt) / 2 + rise
    levels, lengths = [turn * float(h) for h in heights], [up / len(heights)] * len(heights)
    if length - up > 1e-9:
        levels.append(-turn * shape.depth if shape.width > 0.95 else 0.0)
        lengths.append(length - up)
    return levels, lengths


def _through(sound: Sound, device: tuple[float, float, float]) -> Sound:
    high_pass, low_pass, lift_db = device
    out: npt.NDArray[np.floating] = sound
    if high_pass:
        out = signal.lfilter(*signal.butter(1, high_pass, "highpass", fs=RATE_HZ), out)
    if low_pass:
        out = signal.lfilter(*signal.butter(1, low_pass, fs=RATE_HZ), out)
    if lift_db:
        bright = signal.lfilter(*signal.butter(1, LIFT_HZ, "highpass", fs=RATE_HZ), out)
        out = out + (10.0 ** (lift_db / 20.0) - 1.0) * bright
    return np.asarray(out, np.float32)
