"""One run of the search over one window: from correlations with the templates to a path of symbols."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass, fields, replace

import numpy as np
import numpy.typing as npt

from tapewright.compiled import kernel
from tapewright.line.templates import BIT, FILLER, Templates
from tapewright.line.trellis import (
    DEAD,
    SHAPE,
    Fits,
    Followed,
    Nodes,
    Tuning,
    follow,
    search_forward,
    work_out,
)

__all__ = ["Path", "Scene", "chained_paths", "find_path", "follow_path", "prices"]

FloatArray = npt.NDArray[np.float64]

#: Paths this many nats behind the best are given up (measured in the design study: 20 to 30 lose nothing).
BEAM_NATS = 26.0
#: The same while only the speed is looked for.
FORCED_BEAM_NATS = 12.0
#: What it costs, in nats, to claim that a signal begins or ends. More than half the beam, or every sample of
#: a healthy signal would be tried as a beginning.
SWITCH_NATS = 14.0
#: What it costs to change between bits and other symbols (leader, marks, idle tone), which come in runs:
#: without it such symbols compete with bits in the middle of data (measured: 1.5 dB on pulse pairs).
CHANGE_NATS = 8.0
#: Symbols whose pitch differs by less than this share of it are pieces of one tone.
SAME_PITCH = 1e-3
#: Nodes are held to be no worse than this below the best, for a while (see `trellis.py`).
HOLD_NATS = 18.0
#: What it costs to claim that a symbol ended a slot earlier or later than the clock says, where the carrier's
#: phase runs free and does not tell where symbols end.
SHIFT_NATS = 12.0
#: How far the tape's speed is expected to wander in a second, as a share of it; in other times by the root of
#: the time (measured: more loses long symbols of high tones in noise, less loses short ones in flutter).
AGILITY = 0.017
#: Where the carrier's phase runs free, boundaries move by this share of what the phases of two tones say, for
#: each unit of a symbol's energy over the noise.
#: Without it, boundaries went astray on good tapes, by a thirtieth of a symbol (measured); with five times as
#: much they do in flutter.
TONE_GAIN = 0.0003
#: A free carrier's phase is told apart in so many steps: after a wrong symbol it is another.
PHASE_STEPS = 16
#: How far the clock may wander from the speed it was told.
STRETCH_SPAN = 0.05


@dataclass(frozen=True, eq=False)
class Scene:
    """What the search is given: templates matched against one window.

    Parameters
    ----------
    templates : Templates
        At the speed expected in this window.
    heard : ndarray of float32, shape (n,)
    scale, sharpness : ndarray of float32, by block
        One over the local amplitude; and squared amplitude over noise variance, which turns a fit into nats.
    null : ndarray of float64, by block, one more
        Running log-likelihood of "noise alone".
    is_hopeless : ndarray of bool, by block
        Where no signal begins: what is heard is too faint.
    cost : ndarray of float64, shape (symbols,)
        Nats each symbol costs before it is heard.
    """

    templates: Templates
    heard: npt.NDArray[np.float32]
    scale: npt.NDArray[np.float32]
    sharpness: npt.NDArray[np.float32]
    null: FloatArray
    is_hopeless: npt.NDArray[np.bool_]
    cost: FloatArray

    @classmethod
    def of(
        cls, templates: Templates, heard: npt.NDArray[np.float32], amplitude: FloatArray,
        sharpness: FloatArray, null: FloatArray, cost: FloatArray,
        is_hopeless: npt.NDArray[np.bool_] | None = None,
    ) -> Scene:  # fmt: skip
        """Put a scene together; `amplitude` and `sharpness` are by block, and there is hope unless told."""
        return cls(
            templates, heard, (1.0 / amplitude).astype(np.float32),
            sharpness.astype(np.float32), null,
            np.zeros(len(amplitude), np.bool_) if is_hopeless is None else is_hopeless, cost,
        )  # fmt: skip

    @property
    def is_free(self) -> bool:
        """Whether the carrier's phase runs free."""
        return len(self.templates.cosine) > 0


@dataclass(frozen=True, eq=False)
class Path:
    """The best path: one entry a symbol, in order of time.

    Parameters
    ----------
    symbol : ndarray of int64
    start, end : ndarray of float64
        In samples of the window.
    sign : ndarray of int64
        0 upright, 1 upside down, at the symbol's start.
    phase : ndarray of float64
        Of a free carrier at the symbol's start, in turns; zeros for others.
    is_first : ndarray of bool
        Whether the symbol does not follow on the one before: it came out of idle.
    is_clear : ndarray of bool
        Whether the symbol is beyond doubt.
    """

    symbol: npt.NDArray[np.int64]
    start: FloatArray
    end: FloatArray
    sign: npt.NDArray[np.int64]
    phase: FloatArray
    is_first: npt.NDArray[np.bool_]
    is_clear: npt.NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.symbol)

    @classmethod
    def empty(cls) -> Path:
        """Without symbols."""
        whole, real = np.zeros(0, np.int64), np.zeros(0)
        none = np.zeros(0, np.bool_)
        return cls(whole, real, real, whole, real, none, none)

    def moved(self, samples: float) -> Path:
        """Shift in time."""
        return replace(self, start=self.start + samples, end=self.end + samples)

    def phase_after(self, number: int, templates: Templates) -> float:
        """Phase of a free carrier at the end of a symbol, in turns."""
        turned = (self.end[number] - self.start[number]) * templates.pitch[self.symbol[number]]
        return float(self.phase[number] + turned)

    def part(self, chosen: slice | npt.NDArray[np.bool_] | npt.NDArray[np.int64]) -> Path:
        """Return some of it."""
        return Path(*(getattr(self, name)[chosen] for name in PATH_FIELDS))


PATH_FIELDS = tuple(field.name for field in fields(Path))


def chained_paths(parts: list[Path]) -> Path:
    """One path after another."""
    return Path(*(np.concatenate([getattr(part, name) for part in parts]) for name in PATH_FIELDS))


def prices(cost: FloatArray, kind: npt.NDArray[np.int64], pitch: FloatArray) -> FloatArray:
    """Nats each symbol costs after each other, by row; the last row is for none before.

    Bits come in runs, and so do leader, mark and idle symbols: a change from the ones to the others costs.
    Filler comes between bytes, and nothing begins with it. It goes on with the tone of the stop symbol, and
    so stands behind nothing else; and of all orders of these two, which sound alike, it stands last.

    Parameters
    ----------
    cost : ndarray of float64, shape (symbols,)
        Nats each symbol costs by itself.
    kind : ndarray of int64, shape (symbols,)
        See `templates.kinds_of`.
    pitch : ndarray of float64, shape (symbols,)
        Turns each symbol makes in a unit of time.

    Returns
    -------
    ndarray of float64, shape (symbols + 1, symbols)
        Infinite for what does not occur.
    """
    is_bit, is_filler = kind == BIT, kind == FILLER
    changes = is_bit[:, np.newaxis] != is_bit[np.newaxis, :]
    after = cost + CHANGE_NATS * changes
    for filler in np.flatnonzero(is_filler):
        goes_on = np.abs(pitch / pitch[filler] - 1.0) < SAME_PITCH
        after[~goes_on, filler] = np.inf
        after[filler, goes_on & ~is_filler] = np.inf
    return np.vstack((after, cost + CHANGE_NATS * is_filler))


def find_path(scene: Scene, polarity: int, *, forced: bool = False) -> Path:
    """Search one window.

    Parameters
    ----------
    scene : Scene
    polarity : {0, 1}
        1 lets the search settle the sign of the waveform; 0 takes it as it is.
    forced : bool
        Whether every sample belongs to some symbol (no gaps): used to find the speed.
    """
    t = scene.templates
    fits, shapes, tuning = _prepared(scene, forced, len(scene.heard) + 1, len(t.length))
    work_out(fits)
    states = PHASE_STEPS if scene.is_free else 2 if polarity else 1
    nodes = Nodes.empty(int(len(scene.heard) / tuning.slot) + 1, states)
    search_forward(fits, shapes, _prices(t, tuple(scene.cost)), tuning, nodes)
    rows = np.empty((2 * len(nodes.idle), 3), np.int64)
    count = _trace_back(nodes, int(2 * tuning.longest / tuning.slot) + 2, not forced, rows)
    return _path(rows[:count][::-1], nodes, t)


def follow_path(
    scene: Scene, since: Path, until: float, pace: float, level: float, sharpness_at_one: float,
    most_sharpness: float, clearest: float, symbols: int,
) -> Path:  # fmt: skip
    """Go on from the end of a path for as long as each symbol is beyond doubt; there may be none.

    Parameters
    ----------
    scene : Scene
        Its local amplitude is filled in as far as the path goes, whatever it was.
    since : Path
        Its last symbol is gone on from.
    until : float
        Place that no symbol goes beyond; the scene has more than one symbol after it.
    pace, level : float
        Pace of time against the templates, and amplitude, at its end.
    sharpness_at_one, most_sharpness : float
        Sharpness at amplitude 1, and the most that is believed of a reading.
    clearest : float
        The most sharpness there is, believed or not.
    symbols : int
        The first so many symbols of the alphabet are followed.
    """
    t = scene.templates
    fits, shapes, tuning = _prepared(scene, False, 0, symbols)
    place, last = float(since.end[-1]), int(since.symbol[-1])
    others = np.flatnonzero(since.symbol != last)
    run = len(since) - 1 - int(others[-1]) if len(others) else len(since)
    found = Followed.empty(max(0, int((len(scene.heard) - place) / (0.9 * t.length[:symbols].min()))) + 2)
    count = follow(
        fits, shapes, tuning, place, until, pace,
        int(since.sign[-1] ^ t.flips[last]), since.phase_after(len(since) - 1, t) % 1.0, level,
        sharpness_at_one, most_sharpness, clearest, BEAM_NATS, last, run, found,
    )  # fmt: skip
    return Path(
        found.symbol[:count], found.start[:count], found.end[:count], found.sign[:count], found.phase[:count],
        np.zeros(count, np.bool_), np.ones(count, np.bool_),
    )  # fmt: skip


def _prepared(
    scene: Scene, forced: bool, places: int, symbols: int
) -> tuple[Fits, npt.NDArray[np.void], Tuning]:
    t = scene.templates
    fit = np.empty((len(t.rows), len(t.length), places), np.float32)
    fits = Fits(
        scene.heard, t.rows, t.sizes, fit, scene.scale, scene.sharpness, scene.null, scene.is_hopeless,
        t.block,
    )  # fmt: skip
    tuning = Tuning(
        slot=t.slot,
        longest=float(t.length[:symbols].max()),
        beam=FORCED_BEAM_NATS if forced else BEAM_NATS,
        hold=HOLD_NATS,
        shift_cost=SHIFT_NATS,
        switch_cost=SWITCH_NATS,
        agility=AGILITY / math.sqrt(t.rate_hz),
        tone_gain=TONE_GAIN,
        stretch_span=STRETCH_SPAN,
        is_free=scene.is_free,
        idle_allowed=not forced,
    )
    return fits, _shapes(t)[:symbols], tuning


@functools.lru_cache(maxsize=4)  # of pieces of one window the templates are the same
def _shapes(templates: Templates) -> npt.NDArray[np.void]:
    t = templates
    shapes = np.empty(len(t.length), SHAPE)
    values = (*t.energies, t.length, t.turns, _apart(t), t.flips, t.bend, t.droop)
    for name, value in zip(SHAPE.names or (), values, strict=True):
        shapes[name] = value
    return shapes


@functools.lru_cache(maxsize=4)
def _prices(templates: Templates, cost: tuple[float, ...]) -> FloatArray:
    return prices(np.array(cost), templates.kind, templates.pitch)


def _apart(templates: Templates) -> FloatArray:
    """How far each symbol's tone turns ahead of the middle of all tones, in turns."""
    pitch = templates.pitch
    middle = 0.5 * (pitch.min() + pitch.max())
    return np.asarray((pitch - middle) * templates.length)


def _path(rows: npt.NDArray[np.int64], nodes: Nodes, templates: Templates) -> Path:
    came, to, symbol = np.ascontiguousarray(rows.T)
    states = nodes.score.shape[1]
    place = nodes.place.reshape(-1)
    out_of_idle = came < 0
    inside = np.maximum(came, 0)
    end = place[to]
    length = templates.length[symbol] * nodes.pace.reshape(-1)[to]
    start = np.where(out_of_idle, end - length, place[inside])
    sign = np.zeros(len(rows), np.int64)
    if states == 2:
        sign = np.where(out_of_idle, (to % states) ^ templates.flips[symbol], inside % states)
    is_first = np.ones(len(rows), np.bool_)
    is_first[1:] = came[1:] != to[:-1]
    turned = nodes.phase.reshape(-1)
    phase = np.where(out_of_idle, turned[to] - templates.turns[symbol], turned[inside]).astype(np.float64)
    return Path(symbol, start, end, sign, phase, is_first, np.zeros(len(rows), np.bool_))


@kernel
def _trace_back(nodes, longest, idle_allowed, rows):  # type: ignore[no-untyped-def]
    """Follow the best path back.

    Fills in rows (node it starts from, node it ends in, symbol), the last one first, and returns how many. A
    start of ``-1 - n`` means out of idle at slot n.
    """
    score, _, _, _, _, _, parent, symbol, idle, idle_from = nodes
    last, states = len(idle) - 1, score.shape[1]
    top = idle[last] if idle_allowed else 2.0 * DEAD
    node, place = -1, last
    for n in range(max(0, last - longest), last + 1):
        for s in range(states):
            if score[n, s] > top:
                top, node = score[n, s], n * states + s
    count = 0
    while True:
        if node < 0:  # in idle: go back to where it was entered
            if not idle_allowed:
                break
            while place > 0 and idle_from[place] < 0:
                place -= 1
            if idle_from[place] < 0:
                break
            node = place * states + idle_from[place]
        n, s = node // states, node % states
        if score[n, s] <= DEAD:
            break
        rows[count, 0], rows[count, 1], rows[count, 2] = parent[n, s], node, symbol[n, s]
        count += 1
        node = parent[n, s]
        if node < 0:
            place = -1 - node
    return count
