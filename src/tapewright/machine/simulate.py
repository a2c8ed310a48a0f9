"""From the voltage at the recorder's ear socket to the changes of the input bit.

A step h takes the voltage of the capacitor C, whose current goes from i to i' meanwhile, on by
``(h / C) ((1 - theta) i + theta i')``. With all series resistance R and a port that draws ``i = g(u)`` that
leads to ``u + (R + theta h / C) g(u) = w``, where w is the source's voltage e less what is known of the
capacitor's: a scalar that rises with u, so a table over w answers in one look-up. Eliminating the capacitor's
voltage leaves a recurrence in w alone, with ``G(w) = w - (h / C) g(u(w))``:

    w[n + 1] = e[n + 1] - e[n] + G(w[n])

and thresholds on u are thresholds on w. Without a capacitor G(w) = w. G is kept as straight pieces, and goes
on straight beyond its ends.

theta is 1/2, the trapezoidal rule, wherever (R + 1 / g') C is at least h / 2. Below, where a few nanofarads
meet conducting diodes, that rule would overshoot and ring after every step of the source; there theta is the
least for which G still rises.

References
----------
L. W. Nagel, SPICE2: a computer program to simulate semiconductor circuits, 1975 (companion models, ringing
of the trapezoidal rule); the theta method is in any textbook on stiff equations.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from tapewright.machine.port import MOST_VOLTS, Port
from tapewright.machine.tone_decoder import ToneLoop
from tapewright.model import SignalError, UsageError

__all__ = ["RATE_HZ", "Edges", "Simulator", "edges", "edges_at"]

FloatArray = npt.NDArray[np.float64]

#: Inside rate; 44.1 kHz is too coarse for stages whose diodes conduct hard (measured against ngspice).
RATE_HZ = 96_000.0
#: Width of the pieces of a bent port's table: its error at the bend of a diode is then below 20 uV.
_TABLE_VOLTS = 0.002
#: Samples taken through the kernel in one go.
_BLOCK = 1 << 16


@dataclass(frozen=True, eq=False)
class Edges:
    """Changes of the input bit.

    Parameters
    ----------
    seconds : ndarray of float64, shape (n,)
        When each happens, from the first sample fed, interpolated; increasing.
    first : int
        The bit before the first of them.
    """

    seconds: FloatArray
    first: int

    def __len__(self) -> int:
        return len(self.seconds)

    @property
    def last(self) -> int:
        """The bit after the last of them."""
        return self.first ^ (len(self.seconds) & 1)


class Simulator:
    """One input stage at several playback levels at once, fed piece by piece.

    Parameters
    ----------
    port : Port
    gains : sequence of float
        Each multiplies what is fed, in a lane of its own. Negative: the lead the wrong way round.

    Notes
    -----
    It begins settled: nothing has been played for long, and the capacitor is charged accordingly. Where rest
    is between the thresholds, the stage counts as below, as after power-up.
    """

    def __init__(self, port: Port, gains: FloatArray | Sequence[float] = (1.0,)) -> None:
        self._gains = np.ascontiguousarray(gains, np.float64)
        if self._gains.ndim != 1 or not len(self._gains) or not np.isfinite(self._gains).all():
            raise UsageError("Give at least one playback level, each a finite number.")
        self._port = port
        self._rest, self._up, self._down, self._per_volt, self._table = _table_of(port)
        lanes = len(self._gains)
        self._when = np.empty((lanes, _BLOCK))
        self._count = np.zeros(lanes, np.int64)
        self.reset()

    def reset(self) -> None:
        """Go back to the beginning."""
        lanes = len(self._gains)
        self._fed = 0
        self._last = 0.0
        self._state = np.full(lanes, self._rest)
        self._is_above = np.full(lanes, self._rest > self._up)
        at_first = int(self._is_above[0]) if self._port.tone is None and not self._port.pulse_seconds else 0
        self._bit = np.full(lanes, at_first ^ int(self._port.is_inverting))
        self._pulse_end = np.full(lanes, -math.inf)
        self._loop = None
        if self._port.tone:
            # its port is a resistor: all straight, so u is a fixed share of w, and the table has one piece
            share = np.ptp(self._port.volts) / np.ptp(_driving_volts(self._port))
            keeps = float(self._table[1][0])
            self._loop = ToneLoop(self._port.tone, share * self._gains, keeps, RATE_HZ)

    def feed(self, emf: npt.ArrayLike) -> list[Edges]:
        """Simulate one piece.

        Parameters
        ----------
        emf : array of float32, shape (n,)
            Volts at the source, before its resistance, at `RATE_HZ`.

        Returns
        -------
        list of Edges
            One a lane: what happened up to the last sample of this piece.

        Raises
        ------
        SignalError
            If a voltage is not finite.
        """
        volts = np.ascontiguousarray(emf, np.float32)
        if not np.isfinite(volts).all():
            raise SignalError(
                f"The recorder's voltage is not finite {np.argmin(np.isfinite(volts)) / RATE_HZ:.4f} s "
                "into this piece; check the gain that was applied to the recording."
            )
        pieces: list[list[FloatArray]] = [[] for _ in self._gains]
        for start in range(0, len(volts), _BLOCK):
            block = volts[start : start + _BLOCK]
            if self._loop is None:
                self._cross(block)
            else:
                self._loop.feed(block, self._fed, self._when, self._count)
            for lane, count in enumerate(self._count):
                if count:
                    pieces[lane].append(self._when[lane, :count].copy())
            self._fed += len(block)
        return [
            self._given_out(lane, np.maximum(np.concatenate(parts), 0.0) / RATE_HZ if parts else np.empty(0))
            for lane, parts in enumerate(pieces)
        ]

    def finish(self) -> list[Edges]:
        """Give what is still to come when nothing more is played: the ends of pulses."""
        return [self._changes(lane, self._ended(lane, math.inf)) for lane in range(len(self._gains))]

    def _cross(self, block: npt.NDArray[np.float32]) -> None:
        """Through the circuit, noting where the thresholds are crossed."""
        run = _run_one if len(self._gains) == 1 else _run_lanes
        self._last = run(
            block, self._fed, self._last, self._gains * self._per_volt, *self._table, self._state,
            self._is_above, self._up, self._down, self._when, self._count,
        )  # fmt: skip

    def _given_out(self, lane: int, crossings: FloatArray) -> Edges:
        """From crossings in this piece to changes of the bit."""
        seconds = self._port.pulse_seconds
        if not seconds:
            return self._changes(lane, crossings)
        ended = [self._ended(lane, crossings[0] if len(crossings) else self._fed_seconds)]
        if len(crossings):
            is_busy = math.isfinite(self._pulse_end[lane])  # then the first crossing begins the pulse anew
            apart = np.flatnonzero(crossings[:-1] + seconds < crossings[1:])
            begins = np.concatenate(([0], apart + 1))
            changes = np.empty(2 * len(begins) - 1)
            changes[0::2] = crossings[begins]
            changes[1::2] = crossings[apart] + seconds
            self._pulse_end[lane] = crossings[-1] + seconds
            ended += [changes[1:] if is_busy else changes, self._ended(lane, self._fed_seconds)]
        return self._changes(lane, np.concatenate(ended))

    @property
    def _fed_seconds(self) -> float:
        """When the last sample was: a crossing before it is known."""
        return (self._fed - 1) / RATE_HZ

    def _ended(self, lane: int, until: float) -> FloatArray:
        """Give the end of the pulse under way, if it comes before this."""
        end = float(self._pulse_end[lane])
        if not (math.isfinite(end) and end < until):
            return np.empty(0)
        self._pulse_end[lane] = -math.inf
        return np.array([end])

    def _changes(self, lane: int, seconds: FloatArray) -> Edges:
        found = Edges(seconds, int(self._bit[lane]))
        self._bit[lane] = found.last
        return found


def edges_at(emf: npt.ArrayLike, port: Port, gains: FloatArray | Sequence[float]) -> list[Edges]:
    """Simulate a stage at several playback levels in lock step, from beginning to end.

    Parameters
    ----------
    emf : array of float32, shape (n,)
        Volts at the source, before its resistance, at `RATE_HZ`.
    port : Port
    gains : sequence of float
        Each multiplies `emf`.

    Returns
    -------
    list of Edges
        One a level.

    Raises
    ------
    SignalError
        If a voltage is not finite.
    """
    simulator = Simulator(port, gains)
    found, rest = simulator.feed(emf), simulator.finish()
    return [Edges(np.concatenate((a.seconds, b.seconds)), a.first) for a, b in zip(found, rest, strict=True)]


def edges(emf: npt.ArrayLike, port: Port) -> Edges:
    """Simulate a stage at one playback level; see `edges_at`."""
    return edges_at(emf, port, (1.0,))[0]


def _driving_volts(port: Port) -> FloatArray:
    """Give w for every point of the port's curve."""
    if port.coupling_farads is None:
        return port.volts + port.source_ohms * port.amps
    conductance = np.gradient(port.amps, port.volts)
    # the time constant (R + 1 / g') C in steps; where nothing flows it is endless
    long = RATE_HZ * port.coupling_farads * (port.source_ohms + 1.0 / np.maximum(conductance, 1e-12))
    theta = np.maximum(0.5, 1.0 - long)
    w = port.volts + (port.source_ohms + theta / (RATE_HZ * port.coupling_farads)) * port.amps
    return np.asarray(np.maximum.accumulate(w))


def _table_of(port: Port) -> tuple[float, float, float, float, tuple[FloatArray, FloatArray]]:
    """Give rest, both thresholds, pieces a volt, and offset and slope of G on each piece of the table.

    All is counted in pieces from the table's beginning, so that finding a piece is rounding down.
    """
    w = _driving_volts(port)
    first, last = max(w[0], -MOST_VOLTS), min(w[-1], MOST_VOLTS)
    count = 1 if len(w) == 2 else max(math.ceil((last - first) / _TABLE_VOLTS), 1)
    at = np.linspace(first, last, count + 1)
    drawn = 0.0 if port.coupling_farads is None else 1.0 / (RATE_HZ * port.coupling_farads)
    per_volt = count / (last - first)
    following = (at - drawn * np.interp(at, w, port.amps) - first) * per_volt
    slope = np.diff(following)
    offset = following[:-1] - np.arange(count) * slope
    if port.coupling_farads is None:  # exactly, so that nothing drifts
        slope[:], offset[:] = 1.0, 0.0

    def pieces(u: float) -> float:
        return float((np.interp(u, port.volts, w) - first) * per_volt)

    rest = pieces(port.rest_volts) if port.coupling_farads is not None else -first * per_volt
    return rest, pieces(port.rise_volts), pieces(port.fall_volts), per_volt, (offset, slope)


# In the kernels a place beyond the table takes a branch of its own: one that is never taken costs nothing,
# whereas every step would wait for an index to be clamped. As an unsigned number a negative index is huge.


@njit(cache=True, nogil=True, fastmath={"contract"})
def _run_one(emf, fed, last, gains, offset, slope, state, is_above, up, down, when, count):  # type: ignore[no-untyped-def]
    """Take one lane through the recurrence, all in registers."""
    end = np.uint64(len(offset) - 1)
    gain = gains[0]
    place = state[0]
    side = -1.0 if is_above[0] else 1.0
    limit = -down if is_above[0] else up
    found = 0
    for sample in range(len(emf)):
        now = np.float64(emf[sample])
        step = gain * (now - last)
        last = now
        piece = np.uint64(np.int64(place))
        if piece <= end:
            to = slope[piece] * place + (step + offset[piece])
        elif place < 0:
            to = slope[0] * place + (step + offset[0])
        else:
            to = slope[end] * place + (step + offset[end])
        if side * to > limit:
            when[0, found] = (fed + sample) - (to - side * limit) / (to - place)
            found += 1
            side = -side
            limit = up if side > 0 else -down
        place = to
    state[0] = place
    is_above[0] = side < 0
    count[0] = found
    return last


@njit(cache=True, nogil=True, fastmath={"contract"})
def _run_lanes(emf, fed, last, gains, offset, slope, state, is_above, up, down, when, count):  # type: ignore[no-untyped-def]
    """Take several lanes through it in lock step: while one waits for its look-up, others go on."""
    lanes = len(gains)
    end = np.uint64(len(offset) - 1)
    # arrays of its own: the compiler knows that they do not overlap
    places = state.copy()
    side = np.empty(lanes)
    limit = np.empty(lanes)
    for lane in range(lanes):
        side[lane] = -1.0 if is_above[lane] else 1.0
        limit[lane] = -down if is_above[lane] else up
        count[lane] = 0
    for sample in range(len(emf)):
        now = np.float64(emf[sample])
        step = now - last
        last = now
        for lane in range(lanes):
            place = places[lane]
            piece = np.uint64(np.int64(place))
            if piece > end:
                piece = np.uint64(0) if place < 0 else end
            to = slope[piece] * place + (gains[lane] * step + offset[piece])
            places[lane] = to
            if side[lane] * to > limit[lane]:
                when[lane, count[lane]] = (fed + sample) - (to - side[lane] * limit[lane]) / (to - place)
                count[lane] += 1
                side[lane] = -side[lane]
                limit[lane] = up if side[lane] > 0 else -down
    for lane in range(lanes):
        state[lane] = places[lane]
        is_above[lane] = side[lane] < 0
    return last
