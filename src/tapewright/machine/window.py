"""The map: at which playback levels and tone settings the machine loads, and how wide the margin is.

Every cell of the map is one load: the sound as the tone control leaves it, at one level, through the input
stage, read by the load routine. A short excerpt, from the leader into the data, is tried everywhere first: a
cell where that fails, fails. Then the whole program is loaded on either side of every edge, again and again
as edges move, until no edge is left that was not seen with the whole program.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from tapewright.machine.loop import Reader
from tapewright.machine.played import Played, dulled
from tapewright.machine.port import Port
from tapewright.machine.simulate import edges_at
from tapewright.model.runs import runs_of

__all__ = [
    "CORNERS_HZ",
    "LEVELS_DB",
    "Island",
    "WindowMap",
    "excerpts",
    "islands_at",
    "islands_of",
    "load_at",
    "maps",
]

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

#: Playback levels, in dB over a tone of 1 V peak; and corners of the tone control, in Hz, dull to bright.
LEVELS_DB = np.arange(-45.0, 15.1, 1.5)
CORNERS_HZ = np.append(np.geomspace(800.0, 16_000.0, 19), np.inf)
#: The excerpt: so much leader, and so much of what comes after it; the leader also is so many time constants
#: of the coupling capacitor long, but not longer than the second figure.
LEADER_SECONDS, DATA_SECONDS = 0.15, 0.25
SETTLED, MOST_LEADER_SECONDS = 5.0, 2.0
#: Edges of a window are found to so many dB, and windows as narrow as the second figure are.
EDGE_DB, FINE_DB = 0.1, 0.3


@dataclass(frozen=True)
class Island:
    """Levels next to each other at which the machine loads, in dB over 1 V peak."""

    low_db: float
    high_db: float

    @property
    def width_db(self) -> float:
        """From the lowest level that loads to the highest."""
        return self.high_db - self.low_db


def islands_of(loads: BoolArray, levels_db: FloatArray) -> list[Island]:
    """Levels next to each other that load, by whether each of them does."""
    return [Island(float(levels_db[a]), float(levels_db[b - 1])) for a, b in runs_of(loads)]


@dataclass(frozen=True, eq=False)
class WindowMap:
    """Load success over playback level and tone.

    Parameters
    ----------
    levels_db : ndarray of float64, shape (levels,)
        In dB over a tone of 1 V peak at the ear socket, nothing connected.
    corners_hz : ndarray of float64, shape (tones,)
        Corner of the tone control's low-pass; infinite for none.
    loads : ndarray of bool, shape (tones, levels)
    is_certain : ndarray of bool, shape (tones, levels)
        Whether the whole program was loaded there, or it fails. Other cells load the excerpt, and lie among
        cells that load.
    timing : ndarray of float64, shape (tones, levels)
        How far the nearest measurement of the load routine stays from a wrong decision, as a share of the
        distance it has at best; NaN where it fails.
    """

    levels_db: FloatArray
    corners_hz: FloatArray
    loads: BoolArray
    is_certain: BoolArray
    timing: FloatArray

    @property
    def margin_db(self) -> FloatArray:
        """How far the level may be off either way, to within a step; 0 where it does not load."""
        step = float(self.levels_db[1] - self.levels_db[0])
        room = np.zeros(self.loads.shape)
        for row in range(len(self.corners_hz)):
            for island in self.islands(row):
                near = np.minimum(self.levels_db - island.low_db, island.high_db - self.levels_db)
                room[row] = np.maximum(room[row], np.where(near >= 0, near + 0.5 * step, 0.0))
        return room

    def islands(self, row: int) -> list[Island]:
        """Levels that load at one tone, to within a step of the map."""
        return islands_of(self.loads[row], self.levels_db)

    def widest(self) -> tuple[int, Island] | None:
        """Tone and levels of the widest window, the brightest of several; None where nothing loads."""
        best: tuple[int, Island] | None = None
        for row in range(len(self.corners_hz)):
            for island in self.islands(row):
                if best is None or island.width_db >= best[1].width_db:
                    best = row, island
        return best


def maps(
    parts: list[Played],
    port: Port,
    reader: Reader,
    levels_db: FloatArray = LEVELS_DB,
    corners_hz: FloatArray = CORNERS_HZ,
) -> Iterator[WindowMap]:
    """Work the map out: a first picture from the excerpt, then better ones; the last is final.

    Parameters
    ----------
    parts : list of Played
        All of them have to load.
    port : Port
    reader : Reader
    levels_db, corners_hz : ndarray of float64
        Increasing.
    """
    shape = (len(corners_hz), len(levels_db))
    gains = 10.0 ** (levels_db / 20.0)
    excerpt = excerpts(parts, port)
    loads, timing = np.zeros(shape, np.bool_), np.full(shape, np.nan)
    for row, corner in enumerate(corners_hz):
        loads[row], timing[row] = _try(excerpt, port, reader, gains, float(corner))
    is_whole = np.zeros(shape, np.bool_)
    now = WindowMap(levels_db, corners_hz, loads.copy(), ~loads, timing.copy())
    yield now
    while (due := _at_edge(loads) & ~is_whole).any():
        for tone in np.flatnonzero(due.any(axis=1)):
            chosen = np.flatnonzero(due[tone])
            loads[tone, chosen], timing[tone, chosen] = _try(
                parts, port, reader, gains[chosen], float(corners_hz[tone])
            )
        is_whole |= due
        now = replace(now, loads=loads.copy(), is_certain=is_whole | ~loads, timing=timing.copy())
        yield now


def islands_at(
    parts: list[Played], port: Port, reader: Reader, corner_hz: float, levels_db: FloatArray = LEVELS_DB
) -> list[Island]:
    """Find the windows at one tone, their edges to `EDGE_DB`, by loading the whole program.

    The excerpt shows at a fine spacing where to look; the whole program is loaded at the given levels there,
    and at the fine ones near an edge.
    """
    sounds = [part.heard_as(dulled(part.sound, corner_hz)) for part in parts]

    def loads(some_db: FloatArray) -> BoolArray:
        return load_at(sounds, port, reader, some_db)

    between = max(1, round(float(levels_db[1] - levels_db[0]) / FINE_DB)) if len(levels_db) > 1 else 1
    place = np.arange((len(levels_db) - 1) * between + 1)
    fine = np.interp(place / between, np.arange(len(levels_db)), levels_db)
    hopeful = load_at(excerpts(sounds, port), port, reader, fine)
    near = np.convolve(hopeful, np.ones(3), "same") > 0
    inner = np.convolve(~hopeful, np.ones(2 * between + 1), "same") == 0
    tried = np.flatnonzero(near & (~inner | (place % between == 0)))
    good = np.zeros(len(fine), np.bool_)
    if len(tried):
        good[tried] = loads(fine[tried])
    # what was not tried is as its neighbours are; where nothing is hopeful, it fails
    known = np.union1d(tried, np.flatnonzero(~near))
    found = []
    for a, b in runs_of(good[known]):
        first, last = known[a], known[b - 1]
        low = _edge(loads, fine[first], fine[known[a - 1]] if a > 0 else fine[first])
        high = _edge(loads, fine[last], fine[known[b]] if b < len(known) else fine[last])
        found.append(Island(low, high))
    return found


def load_at(parts: list[Played], port: Port, reader: Reader, levels_db: FloatArray) -> BoolArray:
    """Whether all parts load, at each of several levels."""
    return _try(parts, port, reader, 10.0 ** (levels_db / 20.0), np.inf)[0]


def excerpts(parts: list[Played], port: Port, corner_hz: float = np.inf) -> list[Played]:
    """Cut the beginnings out, as the tone control leaves them: enough leader for the capacitor to settle."""
    leader = min(max(LEADER_SECONDS, SETTLED * _settling_seconds(port)), MOST_LEADER_SECONDS)
    return [_excerpt(part.heard_as(dulled(part.sound, corner_hz)), leader) for part in parts]


def _settling_seconds(port: Port) -> float:
    """Longest time constant of the coupling capacitor with what it sees."""
    if port.coupling_farads is None:
        return 0.0
    steepest = float(np.max(np.diff(port.volts) / np.maximum(np.diff(port.amps), 1e-12)))
    return port.coupling_farads * (port.source_ohms + steepest)


def _edge(loads, inside: float, outside: float) -> float:  # type: ignore[no-untyped-def]
    """Move from a level that loads towards one that does not, as far as it loads all the way."""
    count = round(abs(outside - inside) / EDGE_DB)
    if count < 2:
        return float(inside)
    tried = inside + (outside - inside) * np.arange(1, count) / count
    good = loads(tried)
    reached = int(np.argmin(good)) if not good.all() else len(good)
    return float(inside if reached == 0 else tried[reached - 1])


def _excerpt(part: Played, leader_seconds: float) -> Played:
    """From the leader into the data: a machine that cannot read that, cannot load."""
    first = min(part.first_datum, len(part.symbol) - 1)
    middle = float(part.start_seconds[first])
    return part.part(middle - leader_seconds, middle + DATA_SECONDS)


def _try(
    parts: list[Played], port: Port, reader: Reader, gains: FloatArray, corner_hz: float
) -> tuple[BoolArray, FloatArray]:
    """Load at several levels: whether all parts do, and the least margin."""
    good, margin = np.ones(len(gains), np.bool_), np.full(len(gains), np.inf)
    for part in parts:
        left = np.flatnonzero(good)
        if not len(left):
            break
        heard = edges_at(dulled(part.sound, corner_hz), port, gains[left])
        for lane, seen in zip(left, heard, strict=True):
            if reader.first_wrong(seen, part.symbol) is not None:
                good[lane] = False
            else:
                margin[lane] = min(margin[lane], reader.margin(seen, part.symbol))
    return good, np.where(good, margin, np.nan)


def _at_edge(loads: BoolArray) -> BoolArray:
    """Cells with a neighbour, of the four, that is otherwise; beyond the edges of the map all fail."""
    wide = np.pad(loads, 1)
    around = (wide[:-2, 1:-1], wide[2:, 1:-1], wide[1:-1, :-2], wide[1:-1, 2:])
    return np.asarray(np.logical_or.reduce([other != loads for other in around]))
