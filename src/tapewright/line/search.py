"""One run of the search over one window: from level-tracked correlations to a path of symbols."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tapewright.line.kernels import collect_posteriors, search_backward, search_forward, trace_back
from tapewright.line.templates import Templates

__all__ = ["Path", "Scene", "find_path"]

FloatArray = npt.NDArray[np.float64]

#: Paths this many nats behind the best are given up (measured in the design study: 20 to 30 lose nothing).
BEAM_NATS = 28.0
#: The same while only the speed is looked for.
FORCED_BEAM_NATS = 12.0
#: What it costs, in nats, to claim that a signal begins or ends. More than half the beam, or every sample of a
#: healthy signal would be tried as a beginning.
SWITCH_NATS = 14.0
#: What it costs to claim that the symbols' alignment slipped (a leader leaves it open).
SLIP_NATS = 18.0
#: The clock follows how late a symbol is heard to be: its place by this share each symbol, its pace by this share
#: of the lateness over the symbol's length.
TIMING_GAIN = 0.15
DRIFT_GAIN = 0.01
#: A boundary that comes early or late by one step is mostly noise and hardly changes the clock's pace; one that
#: does so by two steps is a change of speed, and does. Entry k is for k steps.
STRETCH_GAIN = np.array([0.0, 0.05, 0.3])
#: Each symbol the pace goes back to that of the window by this share.
STRETCH_LEAK = 0.02
#: Steps are this share of a symbol, within limits (in samples).
STEP_SHARE = 0.02
STEP_LIMITS = (0.2, 1.0)
#: Where the carrier's phase runs free, the clock follows the carrier and not the boundaries: each symbol its phase
#: by this share of the difference heard, its pace by this share of the difference over the symbol's turns.
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
        Running log-likelihood of "noise alone"; zeros switch that hypothesis off.
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
        return self.cosine_fit.shape[1] > 1


@dataclass(frozen=True, eq=False)
class Path:
    """The best path: one entry a symbol, in order of time.

    Parameters
    ----------
    symbol : ndarray of int64
    start, end : ndarray of float64
        In samples of the window.
    after_gap : ndarray of bool
        Whether "no signal" was claimed just before the symbol.
    sign : ndarray of int64
        0 upright, 1 upside down, at the symbol's start.
    stretch : ndarray of float64
        The clock at its end, relative to the templates.
    log_p : ndarray of float64, shape (n, symbols)
        Log posterior; empty unless asked for.
    """

    symbol: npt.NDArray[np.int64]
    start: FloatArray
    end: FloatArray
    after_gap: npt.NDArray[np.bool_]
    sign: npt.NDArray[np.int64]
    stretch: FloatArray
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
    n = len(scene.null)
    states = 2 if polarity and not scene.is_free else 1
    step_size = np.clip(STEP_SHARE * t.length, *STEP_LIMITS)
    entry = np.ones(n)
    score, fraction = np.empty((n, states)), np.empty((n, states), np.float32)
    stretch, phase = np.empty((n, states), np.float32), np.empty((n, states), np.float32)
    parent, symbol = np.empty((n, states), np.int64), np.empty((n, states), np.int8)
    idle, idle_from = np.empty(n), np.empty(n, np.int8)
    live = np.empty((n, 2 * states), np.bool_)
    search_forward(
        scene.sine_fit, scene.cosine_fit, t.energies, t.length, t.turns, t.flips, scene.cost, step_size,
        scene.sharpness, scene.null, entry, t.bend, states, scene.is_free, not forced, FORCED_BEAM_NATS if forced else BEAM_NATS,
        SLIP_NATS, SWITCH_NATS, TIMING_GAIN, DRIFT_GAIN,
        0.0 * STRETCH_GAIN if scene.is_free else STRETCH_GAIN, STRETCH_LEAK, PHASE_GAIN, CARRIER_GAIN, STRETCH_SPAN,
        score, fraction, stretch, phase, np.zeros((n, states), np.float32), parent, symbol, idle, idle_from, live,
    )  # fmt: skip
    longest = int(2 * t.length.max()) + 2
    rows, _ = trace_back(score, idle, idle_from, parent, symbol, states, longest, not forced)
    came, to = rows[:, 0], rows[:, 1]
    flat_fraction, flat_stretch = fraction.reshape(-1), stretch.reshape(-1)
    inside = np.maximum(came, 0)
    after_gap = came < 0
    start = np.where(after_gap, -1.0 - came, inside // states + flat_fraction[inside])
    # out of idle the sign is the one the end implies
    sign = np.where(after_gap, (to % states) ^ (t.flips[rows[:, 2]] if states == 2 else 0), inside % states)
    log_p = np.zeros((0, len(t.length)))
    if not forced and len(rows):
        log_p = _posteriors(
            scene, states, step_size, entry, score, fraction, stretch, phase, idle, live, start
        )
    return Path(
        rows[:, 2], start, to // states + flat_fraction[to], after_gap, sign,
        flat_stretch[to].astype(np.float64), log_p,
    )  # fmt: skip


def _posteriors(
    scene: Scene, states: int, step_size: FloatArray, entry: FloatArray,
    score: FloatArray, fraction: npt.NDArray[np.float32], stretch: npt.NDArray[np.float32],
    phase: npt.NDArray[np.float32], idle: FloatArray, live: npt.NDArray[np.bool_],
    start: FloatArray,
) -> FloatArray:  # fmt: skip
    t = scene.templates
    n, count = len(scene.null), len(t.length)
    ahead, idle_ahead = np.empty((n, states)), np.zeros(n)
    through = np.empty((n, states, count))
    search_backward(
        scene.sine_fit, scene.cosine_fit, t.energies, t.length, t.flips, scene.cost, step_size,
        scene.sharpness, scene.null, entry, t.bend, TIMING_GAIN, states, scene.is_free, SLIP_NATS, SWITCH_NATS,
        score, fraction, stretch, phase, idle, live, ahead, idle_ahead, through,
    )  # fmt: skip
    log_p = np.empty((len(start), count))
    around = max(1, int(0.25 * t.length.min()))
    first_nodes = np.clip(np.floor(start + 0.5).astype(np.int64), 0, n - 1)
    collect_posteriors(first_nodes, around, states, through, idle, idle_ahead, log_p)
    return log_p
