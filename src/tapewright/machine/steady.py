"""What can be measured to be wrong with a sound, and the sound with that put right."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from scipy import ndimage, signal

from tapewright.machine.played import Played
from tapewright.machine.simulate import RATE_HZ

__all__ = ["drop_db", "evened", "hum_level", "level_off_db", "speed_off", "steadied", "without_hum"]

FloatArray = npt.NDArray[np.float64]
Sound = npt.NDArray[np.float32]

#: Hum is a line between these (50 or 60 Hz of the mains and twice that, at a speed some per cent off).
HUM_LOW_HZ, HUM_HIGH_HZ = 45.0, 130.0
#: Without hum nothing is left below.
HUM_CUT_HZ = 150.0
#: Hum is looked for in so much of the sound.
HUM_SECONDS = 2.0
#: A level is taken over so long.
LEVEL_SECONDS = 0.1
#: A dropout is short: the level is compared with that of so much sound around it.
AROUND_SECONDS = 0.5
#: A symbol of less than this share of the greatest power is silent.
SILENT = 1e-3
#: Steadying changes the level by at most so much.
MOST_DB = 20.0


def hum_level(part: Played) -> float:
    """Amplitude of the strongest line where hum may be, the tone being 1."""
    count = min(len(part.sound), round(HUM_SECONDS * RATE_HZ))
    step = 64  # to 1500 Hz
    few = signal.decimate(part.sound[-count:].astype(np.float64), 8, ftype="fir")
    few = signal.decimate(few, 8, ftype="fir")
    window = np.hanning(len(few))
    line = 2.0 * np.abs(np.fft.rfft(few * window, 4 * len(few))) / max(window.sum(), 1e-9)
    hertz = np.fft.rfftfreq(4 * len(few), step / RATE_HZ)
    return float(line[(hertz >= HUM_LOW_HZ) & (hertz <= HUM_HIGH_HZ)].max(initial=0.0))


def without_hum(sound: Sound) -> Sound:
    """Take everything below the signal out."""
    sections = signal.butter(2, HUM_CUT_HZ, "highpass", fs=RATE_HZ, output="sos")
    return np.asarray(signal.sosfilt(sections, sound), np.float32)


def level_off_db(part: Played, number: int) -> float:
    """How far the level around a symbol is off the usual one."""
    level, few = _levels_db(part), _symbols_in(part, LEVEL_SECONDS)
    sides = level[max(0, number - few) : number + 1], level[number : number + few]
    return max((float(np.median(side)) for side in sides), key=abs)


def steadied(part: Played) -> Sound:
    """Bring the sound to the same level throughout."""
    off = np.clip(_smooth(part, _levels_db(part)), -MOST_DB, MOST_DB)
    middle = 0.5 * (part.start_seconds + part.end_seconds) * RATE_HZ
    gain_db = np.interp(np.arange(len(part.sound)), middle, -off)
    return np.asarray(part.sound * 10.0 ** (gain_db / 20.0), np.float32)


def speed_off(part: Played, number: int) -> tuple[float, float]:
    """How far the speed is off the nominal one on the whole, and at a symbol off that, as shares."""
    if part.speed is None or not len(part.speed):
        return 0.0, 0.0
    usual = float(np.median(part.speed))
    return usual - 1.0, float(part.speed[number]) / usual - 1.0


def evened(part: Played, sound: Sound) -> Sound:
    """Play it at the same speed throughout."""
    if part.speed is None or not len(part.speed):
        return sound
    middle = 0.5 * (part.start_seconds + part.end_seconds) * RATE_HZ
    share = np.interp(np.arange(len(sound)), middle, part.speed / np.median(part.speed))
    passed = np.concatenate(([0.0], np.cumsum(share)[:-1]))
    return np.asarray(np.interp(np.arange(math.ceil(passed[-1])), passed, sound), np.float32)


def drop_db(part: Played, number: int) -> float:
    """How far the sound at a symbol is below that on both sides of it."""
    level = _levels_db(part)
    around = _symbols_in(part, AROUND_SECONDS)
    sides = level[max(0, number - around) : number], level[number + 1 : number + around + 1]
    usual = min(float(np.median(side)) for side in sides if len(side))
    return usual - float(level[max(0, number - 1) : number + 2].min())


def _levels_db(part: Played) -> FloatArray:
    """Level at each symbol, 0 dB in the middle of all; also of symbols that have less power than others.

    What a symbol has by itself is learnt where it stands beside the most frequent one.
    """
    ends = np.append(part.start_seconds, part.end_seconds[-1]) * RATE_HZ
    places = np.clip(np.round(ends).astype(np.int64), 0, len(part.sound))
    total = np.concatenate(([0.0], np.cumsum(part.sound.astype(np.float64) ** 2)))
    power = (total[places[1:]] - total[places[:-1]]) / np.maximum(np.diff(places), 1)
    strongest = float(power.max(initial=1e-12))
    seen = 10.0 * np.log10(np.maximum(power, 1e-7 * strongest))
    kinds, counts = np.unique(part.symbol, return_counts=True)
    heard = [kind for kind in kinds if np.median(power[part.symbol == kind]) >= SILENT * strongest]
    most = max(heard, key=lambda kind: int(counts[kinds == kind][0]))
    place = np.flatnonzero(part.symbol == most)
    usual = np.interp(np.arange(len(seen)), place, _smooth(part, seen[place]))
    level = seen.copy()
    for kind in kinds:
        of = part.symbol == kind
        if kind in heard:
            level[of] -= np.median(_smooth(part, seen[of]) - usual[of])
        else:
            level[of] = usual[of]
    return np.asarray(level - np.median(level))


def _smooth(part: Played, level_db: FloatArray) -> FloatArray:
    return np.asarray(ndimage.median_filter(level_db, size=_symbols_in(part, LEVEL_SECONDS), mode="nearest"))


def _symbols_in(part: Played, seconds: float) -> int:
    """How many symbols last so long; at least five."""
    usual = float(np.median(part.end_seconds - part.start_seconds))
    return max(5, math.ceil(seconds / max(usual, 1e-6)))
