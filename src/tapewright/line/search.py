"""One run of the search over one window: from correlations with the templates to a path of symbols."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tapewright.line.templates import Templates
from tapewright.line.trellis import (
    UNKNOWN,
    Fits,
    Nodes,
    Shapes,
    Tuning,
    search_forward,
    trace_back,
)

__all__ = ["Path", "Scene", "find_path", "prices"]

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
#: Nodes are held to be no worse than this below the best, for a while (see `trellis.py`).
HOLD_NATS = 18.0
#: What it costs to claim that a symbol ended a slot earlier or later than the clock says, where the carrier's
#: phase runs free and does not tell where symbols end.
SHIFT_NATS = 12.0
#: Slots to the shortest half-wave: places within one are told apart by the survivor's own clock alone.
SLOTS_A_HALF_WAVE = 2.0
#: How fast the tape's speed is expected to change, as a share of it a second.
AGILITY = 0.3
#: Where the carrier's phase runs free, boundaries move by this share of a symbol for each unit of gain they
#: would win (the gain of a sample of full amplitude is a half).
EDGE_GAIN = 0.001
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
    cost : ndarray of float64, shape (symbols,)
        Nats each symbol costs before it is heard.
    """

    templates: Templates
    heard: npt.NDArray[np.float32]
    scale: npt.NDArray[np.float32]
    sharpness: npt.NDArray[np.float32]
    null: FloatArray
    cost: FloatArray

    @classmethod
    def of(
        cls, templates: Templates, heard: FloatArray, amplitude: FloatArray, sharpness: FloatArray,
        null: FloatArray, cost: FloatArray,
    ) -> Scene:  # fmt: skip
        """Put a scene together; `amplitude` and `sharpness` are by block."""
        return cls(
            templates, heard.astype(np.float32), (1.0 / amplitude).astype(np.float32),
            sharpness.astype(np.float32), null, cost,
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
    """

    symbol: npt.NDArray[np.int64]
    start: FloatArray
    end: FloatArray
    sign: npt.NDArray[np.int64]
    phase: FloatArray
    is_first: npt.NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.symbol)

    def part(self, chosen: slice | npt.NDArray[np.bool_]) -> Path:
        """Return some of it."""
        return Path(
            self.symbol[chosen],
            self.start[chosen],
            self.end[chosen],
            self.sign[chosen],
            self.phase[chosen],
            self.is_first[chosen],
        )


def prices(cost: FloatArray, is_bit: npt.NDArray[np.int64]) -> FloatArray:
    """Nats each symbol costs after each other, by row; the last row is for none before.

    Bits come in runs, and so do leader, mark and idle symbols: a change from one kind to the other costs.
    """
    changes = is_bit[:, np.newaxis] != is_bit[np.newaxis, :]
    return np.vstack((cost + CHANGE_NATS * changes, cost))


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
    unknown = np.full((len(t.rows), len(t.length), len(scene.heard) + 1), UNKNOWN, np.float32)
    fits = Fits(scene.heard, t.rows, t.sizes, unknown, scene.scale, scene.sharpness, scene.null, t.block)
    shapes = Shapes(t.energies, t.length, t.turns, t.flips, t.bend, prices(scene.cost, t.is_bit))
    tuning = Tuning(
        slot=max(1.0, t.half_wave / SLOTS_A_HALF_WAVE),
        beam=FORCED_BEAM_NATS if forced else BEAM_NATS,
        hold=HOLD_NATS,
        shift_cost=SHIFT_NATS,
        switch_cost=SWITCH_NATS,
        agility=AGILITY / t.rate_hz,
        edge_gain=EDGE_GAIN,
        stretch_span=STRETCH_SPAN,
        is_free=scene.is_free,
        idle_allowed=not forced,
    )
    states = PHASE_STEPS if scene.is_free else 2 if polarity else 1
    nodes = Nodes.empty(int(len(scene.heard) / tuning.slot) + 1, states)
    search_forward(fits, shapes, tuning, nodes)
    rows = trace_back(nodes, int(2 * t.length.max() / tuning.slot) + 2, not forced)
    return _path(rows, nodes, t)


def _path(rows: npt.NDArray[np.int64], nodes: Nodes, templates: Templates) -> Path:
    came, to, symbol = rows.T
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
    return Path(symbol, start, end, sign, phase, is_first)
