"""What if parts are not as the card says: one changed, or all of them within their tolerances."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from tapewright.machine.eye import Eye
from tapewright.machine.loop import Reader
from tapewright.machine.played import Played
from tapewright.machine.port import Port
from tapewright.machine.window import Island, excerpts, islands_at, islands_of, load_at
from tapewright.model import CardError, UsageError
from tapewright.model.runs import runs_of

__all__ = ["TOLERANCES", "Sensitivity", "Tolerance", "changed", "parts_of", "tolerance"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

#: Spread of parts, as the largest factor either way, by what the name of the field ends in (common practice:
#: 5 % resistors, 20 % capacitors, thresholds within 15 %, current gain of one type within a factor of 2).
TOLERANCES = {"ohms": 1.05, "farads": 1.2, "volts": 1.15, "gain": 2.0, "hz": 1.05, "seconds": 1.1}
#: Supplies are regulated.
FIXED = ("supply_volts",)
#: Machines are tried at one level in so many first, and at those between where that decides nothing.
STRIDE = 3
#: So many machines are built.
MACHINES = 200
#: The window of a tolerance run is where this share of machines loads.
SHARE = 0.95


@dataclass(frozen=True)
class Sensitivity:
    """How far the window moves with one part.

    Parameters
    ----------
    part : str
        Key of the card's [input]; several, with commas, that vary together.
    factor : float
        The part at its limit.
    low_db, high_db : float
        By how much the lower and the upper edge move from one limit to the other; infinite where the window
        closes.
    """

    part: str
    factor: float
    low_db: float
    high_db: float

    @property
    def most_db(self) -> float:
        """The larger of the two."""
        return max(self.low_db, self.high_db)


@dataclass(frozen=True, eq=False)
class Tolerance:
    """What a tolerance run found.

    Parameters
    ----------
    machines : int
        How many were built, each with parts drawn within their tolerances.
    levels_db, share : ndarray of float64
        Share of them that load at each level.
    islands : list of Island
        Levels at which at least 95 % load.
    parts : list of Sensitivity
        Most telling first.
    """

    machines: int
    levels_db: FloatArray
    share: FloatArray
    islands: list[Island]
    parts: list[Sensitivity]


def parts_of(eye: Eye) -> dict[str, float]:
    """Parts of the input stage that can be changed, with their values."""
    stage = eye.card.input
    assert stage is not None  # see `Eye.of`
    return {
        name: float(value)
        for name, value in stage.model_dump().items()
        if isinstance(value, float) and value != 0.0 and name not in FIXED
    }


def changed(eye: Eye, factors: Mapping[str, float]) -> Eye:
    """Return a machine with some parts multiplied by factors.

    Raises
    ------
    UsageError
        If the input stage has no such part, or a factor is not a number above 0.
    """
    parts = parts_of(eye)
    for name, factor in factors.items():
        if name not in parts:
            raise UsageError(
                f"the input stage of {eye.card.name} has no part '{name}'; it has {', '.join(sorted(parts))}"
            )
        if not 0 < factor < math.inf:
            raise UsageError(f"'{name}' cannot be {factor:g} times its value; give a factor above 0")
    return replace(eye, part_factors={**eye.part_factors, **factors})


def tolerance(
    parts: list[Played], eye: Eye, corner_hz: float, levels_db: FloatArray, *, machines: int = MACHINES,
    seed: int = 1,
) -> Tolerance:  # fmt: skip
    """Build machines with parts drawn at random within their tolerances, and see at which levels they load.

    Each loads a short excerpt, from the leader into the data. Factors are drawn evenly on a log scale.

    Parameters
    ----------
    parts : list of Played
    eye : Eye
    corner_hz : float
        Of the tone control.
    levels_db : ndarray of float64
        A fine grid: the window is found to its steps.
    machines, seed : int
    """
    short = excerpts(parts, eye.port, corner_hz)
    groups = _groups(eye)
    rng = np.random.default_rng(seed)
    first = _levels_first(load_at(short, eye.port, eye.reader, levels_db))
    loads = np.zeros((machines, len(levels_db)), np.bool_)
    for k in range(machines):
        drawn: dict[str, float] = {}
        for names, most in groups:
            drawn |= dict.fromkeys(names, float(most ** rng.uniform(-1.0, 1.0)))
        port = _port(eye, drawn)
        if port is not None:
            loads[k] = _loads(short, port, eye.reader, levels_db, first)
    share = loads.mean(axis=0)
    islands = islands_of(share >= SHARE, levels_db)
    told = [_sensitivity(short, eye, names, most, levels_db) for names, most in groups]
    return Tolerance(machines, levels_db, share, islands, sorted(told, key=lambda one: -one.most_db))


def _levels_first(nominal: BoolArray) -> IntArray:
    """Numbers of the levels that every machine is tried at: each third, and all near a narrow window."""
    near = [np.arange(a - STRIDE, b + STRIDE) for a, b in runs_of(nominal) if b - a < 4 * STRIDE]
    every = np.append(np.arange(0, len(nominal), STRIDE), len(nominal) - 1)
    return np.unique(np.clip(np.concatenate([every, *near]), 0, len(nominal) - 1))


def _loads(
    short: list[Played], port: Port, reader: Reader, levels_db: FloatArray, first: IntArray
) -> BoolArray:
    """Load at the first levels, then between those that differ; what lies between like ones is like them."""
    good = np.zeros(len(levels_db), np.bool_)
    good[first] = load_at(short, port, reader, levels_db[first])
    between: list[int] = []
    for a, b in itertools.pairwise(first.tolist()):
        if good[a] == good[b]:
            good[a:b] = good[a]
        else:
            between += range(a + 1, b)
    if between:
        good[between] = load_at(short, port, reader, levels_db[between])
    return good


def _groups(eye: Eye) -> list[tuple[list[str], float]]:
    """Parts that vary by themselves, and those that vary together: voltages come from one supply or chip."""
    groups: list[tuple[list[str], float]] = []
    volts: list[str] = []
    for name in parts_of(eye):
        most = next((most for ending, most in TOLERANCES.items() if name.endswith(ending)), 1.0)
        if name.endswith("volts"):
            volts.append(name)
        elif most > 1.0:
            groups.append(([name], most))
    return [*groups, (volts, TOLERANCES["volts"])] if volts else groups


def _port(eye: Eye, factors: Mapping[str, float]) -> Port | None:
    """None where no such stage could work: a threshold is out of its reach."""
    try:
        return changed(eye, factors).port
    except CardError:
        return None


def _sensitivity(
    short: list[Played], eye: Eye, names: list[str], most: float, levels_db: FloatArray
) -> Sensitivity:
    edges = []
    for factor in (1.0 / most, most):
        port = _port(eye, dict.fromkeys(names, factor))
        found = islands_at(short, port, eye.reader, np.inf, levels_db) if port is not None else []
        widest = max(found, key=lambda island: island.width_db, default=None)
        edges.append((widest.low_db, widest.high_db) if widest else (np.nan, np.nan))
    (low_a, high_a), (low_b, high_b) = edges
    moved = (abs(low_b - low_a), abs(high_b - high_a))
    return Sensitivity(", ".join(names), most, *(float(np.inf if np.isnan(one) else one) for one in moved))
