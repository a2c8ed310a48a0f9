"""One run of the search over one window: from correlations with the templates to a path of symbols."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tapewright.line.templates import Templates
from tapewright.line.trellis import (
    Fits,
    Nodes,
    Shapes,
    Tuning,
    collect_posteriors,
    search_backward,
    search_forward,
    trace_back,
)

__all__ = ["Path", "Scene", "find_path"]

FloatArray = npt.NDArray[np.float64]

#: Paths this many nats behind the best are given up (measured in the design study: 20 to 30 lose nothing).
BEAM_NATS = 28.0
#: The same while only the speed is looked for.
FORCED_BEAM_NATS = 12.0
#: What it costs, in nats, to claim that a signal begins or ends. More than half the beam, or every sample of
#: a healthy signal would be tried as a beginning.
SWITCH_NATS = 14.0
#: What it costs to change between bits and other symbols (leader, marks, idle tone), which come in runs:
#: without it such symbols compete with bits in the middle of data (measured: 1.5 dB on pulse pairs).
CHANGE_NATS = 8.0
#: What it costs to claim that the symbols' alignment slipped (a leader leaves it open).
SLIP_NATS = 18.0
#: The clock follows how late a symbol is heard to be: its place by this share each symbol, its pace by this
#: share of the lateness over the symbol's length.
TIMING_GAIN = 0.15
DRIFT_GAIN = 0.01
#: A boundary that comes early or late by one step is mostly noise and hardly changes the clock's pace; one
#: that does so by two steps is a change of speed, and does. Entry k is for k steps.
STRETCH_GAIN = np.array([0.0, 0.05, 0.3])
#: Each symbol the pace goes back to that of the window by this share.
STRETCH_LEAK = 0.02
#: Steps are this share of a symbol, within limits (in samples).
STEP_SHARE = 0.02
STEP_LIMITS = (0.2, 1.0)
#: Where the carrier's phase runs free, the clock follows the carrier and not the boundaries: each symbol its
#: phase by this share of the difference heard, its pace by this share of the difference over its turns.
PHASE_GAIN = 0.5
CARRIER_GAIN = 0.1
#: How far the clock may wander from the speed it was told.
STRETCH_SPAN = 0.05


@dataclass(frozen=True, eq=False)
class Scene:
    """What the search is given: templates matched against one window.

    Parameters
    ----------
    templates : Templates
        At the speed expected in this window.
    sine_fit, cosine_fit : ndarray of float32, shape (symbols, n + 1)
        Correlations divided by the local amplitude.
    sharpness : ndarray of float32, shape (n + 1,)
        Squared amplitude over noise variance: turns a fit into nats.
    null : ndarray of float64, shape (n + 1,)
        Running log-likelihood of "noise alone".
    cost : ndarray of float64, shape (symbols,)
        Nats each symbol costs before it is heard.
    """

    templates: Templates
    sine_fit: npt.NDArray[np.float32]
    cosine_fit: npt.NDArray[np.float32]
    sharpness: npt.NDArray[np.float32]
    null: FloatArray
    cost: FloatArray

    @property
    def is_free(self) -> bool:
        """Whether the carrier's phase runs free."""
        return bool(self.cosine_fit.shape[1] > 1)


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
    log_p : ndarray of float64, shape (n, symbols)
        Log posterior; no rows for a forced path.
    """

    symbol: npt.NDArray[np.int64]
    start: FloatArray
    end: FloatArray
    sign: npt.NDArray[np.int64]
    log_p: FloatArray

    def __len__(self) -> int:
        return len(self.symbol)


def find_path(scene: Scene, polarity: int, *, forced: bool = False) -> Path:
    """Search one window.

    Parameters
    ----------
    scene : Scene
    polarity : {0, 1}
        1 lets the search settle the sign of the waveform; 0 takes it as it is.
    forced : bool
        Whether every sample belongs to some symbol (no gaps, no posteriors): used to find the speed.
    """
    t = scene.templates
    fits = Fits(scene.sine_fit, scene.cosine_fit, scene.sharpness, scene.null)
    step = np.clip(STEP_SHARE * t.length, *STEP_LIMITS)
    shapes = Shapes(t.energies, t.length, t.turns, t.flips, t.bend, scene.cost, step, t.is_bit)
    tuning = _tuning(scene.is_free, forced)
    nodes = Nodes.empty(len(scene.null), 2 if polarity and not scene.is_free else 1)
    search_forward(fits, shapes, tuning, nodes)
    rows = trace_back(nodes, int(2 * t.length.max()) + 2, not forced)
    start, end, sign = _places(rows, nodes, t)
    log_p = np.zeros((0, len(t.length)))
    if not forced and len(rows):
        log_p = _posteriors(fits, shapes, tuning, nodes, start)
    return Path(rows[:, 2], start, end, sign, log_p)


def _tuning(is_free: bool, forced: bool) -> Tuning:
    return Tuning(
        beam=FORCED_BEAM_NATS if forced else BEAM_NATS,
        slip_cost=SLIP_NATS,
        switch_cost=SWITCH_NATS,
        change_cost=CHANGE_NATS,
        timing_gain=TIMING_GAIN,
        drift_gain=DRIFT_GAIN,
        stretch_gain=np.zeros(3) if is_free else STRETCH_GAIN,
        stretch_leak=STRETCH_LEAK,
        stretch_span=STRETCH_SPAN,
        phase_gain=PHASE_GAIN,
        carrier_gain=CARRIER_GAIN,
        is_free=is_free,
        idle_allowed=not forced,
    )


def _places(
    rows: npt.NDArray[np.int64], nodes: Nodes, templates: Templates
) -> tuple[FloatArray, FloatArray, npt.NDArray[np.int64]]:
    """Where each symbol of a path starts and ends, and its sign."""
    came, to, symbol = rows.T
    states = nodes.score.shape[1]
    fraction = nodes.fraction.reshape(-1)
    out_of_idle = came < 0
    inside = np.maximum(came, 0)
    start = np.where(out_of_idle, -1.0 - came, inside // states + fraction[inside])
    flips = templates.flips[symbol] if states == 2 else np.zeros(len(rows), np.int64)
    sign = np.where(out_of_idle, (to % states) ^ flips, inside % states)
    return start, to // states + fraction[to].astype(np.float64), sign


def _posteriors(fits: Fits, shapes: Shapes, tuning: Tuning, nodes: Nodes, start: FloatArray) -> FloatArray:
    samples, states = nodes.score.shape
    ahead, idle_ahead = np.empty((samples, states)), np.zeros(samples)
    through = np.empty((samples, states, len(shapes.length)))
    search_backward(fits, shapes, tuning, nodes, ahead, idle_ahead, through)
    log_p = np.empty((len(start), len(shapes.length)))
    around = max(1, int(0.25 * shapes.length.min()))
    first_nodes = np.clip(np.floor(start + 0.5).astype(np.int64), 0, samples - 1)
    collect_posteriors(first_nodes, around, through, nodes.idle, idle_ahead, log_p)
    return log_p
