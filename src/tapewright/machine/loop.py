"""What a machine's load routine reads from the changes of its input bit.

A routine goes round a loop: it looks at the bit, counts how often it went round until the bit changed, and
compares the count with limits. `measure_edges` does that. Which row of measurements stands for which symbol
is not told by any card: `Reader.of` plays the format's perfect signal through a perfect input stage and sees.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from tapewright.cards import Alphabet, FormatCard
from tapewright.cards.machine_input import InputStage, LoadLoop
from tapewright.machine import loop_kernels as kernels
from tapewright.machine.ideal_bit import ideal_bit
from tapewright.machine.symbol_runs import SymbolRuns, learn_runs, refused, specimen
from tapewright.model import CardError, TapePart

if TYPE_CHECKING:
    from tapewright.machine.simulate import Edges

__all__ = ["LEADER_SYMBOLS", "Heard", "Measurements", "Reader", "Wrong", "measure_edges"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: So many symbols of the leader have to be read just before the data (common practice: a routine
#: believes in a leader after a dozen or so good ones; a format's own demand is longer and starts earlier).
LEADER_SYMBOLS = 8
#: A leader repeats at most so many symbols.
LONGEST_PATTERN = 8

_READS = {
    "cycle": kernels.CYCLE, "high": kernels.HIGH, "low": kernels.LOW, "halves": kernels.HALVES,
    "count": kernels.COUNT, "burst": kernels.BURST,
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class Measurements:
    """What the loop measured, one entry each.

    Parameters
    ----------
    kind : ndarray of int8
        Between which of `LoadLoop.limits` it lies; -1 outside them.
    value : ndarray of float64
        In seconds, or edges.
    start_seconds, end_seconds : ndarray of float64
        At the polls that saw it.
    """

    kind: npt.NDArray[np.int8]
    value: FloatArray
    start_seconds: FloatArray
    end_seconds: FloatArray


@dataclass(frozen=True, eq=False)
class Heard:
    """What the routine read, one entry a symbol.

    Parameters
    ----------
    symbol : ndarray of int64
        Number in the format's alphabet; -1 for a measurement that fits no symbol.
    start_seconds, end_seconds : ndarray of float64
    """

    symbol: IntArray
    start_seconds: FloatArray
    end_seconds: FloatArray


@dataclass(frozen=True)
class Wrong:
    """Where a load first goes wrong.

    Parameters
    ----------
    index : int
        Number of the symbol that should have been read.
    seconds : float
        When the routine was there.
    read : int
        What it read instead: a symbol's number, or -1 for nothing that is one.
    measured : float or None
        The first measurement that is not the symbol's, in seconds or edges; None where the signal had ended
        or the data were never found.
    low, high : float or None
        Limits it should have stayed between.
    margin : float
        How far it is beyond the limit, as a share of the ideal measurement's distance from it: below 0.
    """

    index: int
    seconds: float
    read: int
    measured: float | None = None
    low: float | None = None
    high: float | None = None
    margin: float = -1.0


def measure_edges(edges: Edges, loop: LoadLoop) -> Measurements:
    """Measure what the polling loop sees of the input bit.

    The loop's first poll is at 0 seconds. An edge is seen at the first poll after it; two between the same
    polls are not seen.

    Parameters
    ----------
    edges : Edges
    loop : LoadLoop
    """
    return _measure(edges.seconds, edges.first, loop)


def _measure(seconds: FloatArray, first: int, loop: LoadLoop) -> Measurements:
    length = loop.window_seconds or loop.quiet_seconds or 0.0
    return Measurements(
        *kernels.measure(
            np.asarray(seconds, np.float64), int(first), loop.poll_seconds, _READS[loop.reads], length,
            np.array(loop.limits, np.float64),
        )
    )  # fmt: skip


class Reader:
    """The load routine of one machine for one format."""

    def __init__(self, loop: LoadLoop, runs: SymbolRuns) -> None:
        self.loop = loop
        self._runs = runs
        self._limits = np.array(loop.limits, np.float64)

    @classmethod
    def of(cls, card: FormatCard, loop: LoadLoop, stage: InputStage | None = None) -> Reader:
        """Learn from perfect signals which measurements stand for which symbol.

        Parameters
        ----------
        card : FormatCard
        loop : LoadLoop
        stage : InputStage, optional
            The routine is written for what this one makes of a signal: whether it turns it upside down, a
            pulse at each crossing, only whether a tone is there. Without it, for a comparator.

        Raises
        ------
        CardError
            If the loop cannot tell the symbols apart even then.
        """
        text = specimen(card)
        seconds, first = ideal_bit([TapePart("symbols", symbols=text)], Alphabet.of(card), stage)
        try:
            return cls._learnt(card, loop, text, seconds, first)
        except CardError as error:
            try:
                cls._learnt(card, loop, text, seconds, 1 - first)
            except CardError:
                raise error from None
            told = f"{error} (with the input bit turned over it could: is_inverted)"
            raise CardError(told, key=error.key) from None

    @classmethod
    def _learnt(cls, card: FormatCard, loop: LoadLoop, text: str, seconds: FloatArray, first: int) -> Reader:
        """Learn from one perfect signal, and see whether it reads that back."""
        alphabet = Alphabet.of(card)
        index = np.array(alphabet.indices(text), np.int64)
        measured = _measure(seconds, first, loop)
        runs = learn_runs(
            measured.kind, measured.value, measured.start_seconds, index, alphabet, loop, card.name
        )
        reader = cls(loop, runs)
        # The last symbols of the specimen have no edge after them that would end their measurement.
        sure = len(index) - 2
        heard = np.append(reader._symbols(measured)[0], np.full(sure, -1))[:sure]
        if (heard != index[:sure]).any():
            number = int(np.argmax(heard != index[:sure]))
            before = text[max(0, number - 3) : number]
            raise refused(f"loses its place at symbol {text[number]!r} after {before!r}", loop, card.name)
        return reader

    def read(self, edges: Edges) -> Heard:
        """Read symbols, as far as the measurements are any."""
        measured = measure_edges(edges, self.loop)
        symbol, first = self._symbols(measured)
        last = np.append(first, len(measured.kind))[1:] - 1
        return Heard(symbol, measured.start_seconds[first], measured.end_seconds[last])

    def first_wrong(self, edges: Edges, expected: npt.NDArray[np.int64]) -> Wrong | None:
        """Find where a load first goes wrong.

        It has gone right if all symbols were read, in order and with no error in between, from the first one
        that is not the leader's; and just before it `LEADER_SYMBOLS` of the leader. Nothing need follow the
        program: of the leader's symbols at the end only the first few are needed, and the very last symbol,
        which may have no edge that ends it, is not.

        Parameters
        ----------
        edges : Edges
        expected : ndarray of int64
            The symbols of the program in order, leader first, as numbers in the format's alphabet.

        Returns
        -------
        Wrong or None
            None if it has gone right.
        """
        load = self._load(edges, np.asarray(expected, np.int64))
        return None if load.is_right else self._wrong(load)

    def margin(self, edges: Edges, expected: npt.NDArray[np.int64]) -> float:
        """Tell how far the measurements stay from the limits at worst.

        Returns
        -------
        float
            As a share of the distance of an ideal measurement, at most 1. A load that fails has the share of
            its symbols that are not reached, below 0.
        """
        load = self._load(edges, np.asarray(expected, np.int64))
        if not load.is_right:
            return -(load.needed - max(load.right, 0)) / load.needed
        first = np.append(load.first, len(load.measured.kind))[load.place : load.place + load.right + 1]
        runs, of = self._runs, load.measured
        return float(
            kernels.least_margin(
                of.kind, of.value, first, runs.step, runs.room_below, runs.room_above, self._limits
            )
        )

    def _symbols(self, measured: Measurements) -> tuple[IntArray, IntArray]:
        return kernels.parse(measured.kind, self._runs.step, self._runs.accept)  # type: ignore[no-any-return]

    def _load(self, edges: Edges, expected: IntArray) -> _Load:
        measured = measure_edges(edges, self.loop)
        symbol, first = self._symbols(measured)
        datum, end = _data(expected)
        place, right = kernels.longest_match(
            symbol, expected, datum, end, min(LEADER_SYMBOLS, datum), self._runs.longest - 1
        )
        return _Load(expected, measured, symbol, first, datum, end - datum, place, right)

    def _wrong(self, load: _Load) -> Wrong:
        measured, runs = load.measured, self._runs
        index = load.datum + max(load.right, 0)
        if load.place < 0:
            unread = load.first[load.symbol == -1]
            return Wrong(index, float(measured.start_seconds[unread[0]]) if len(unread) else 0.0, -1)
        here = load.place + load.right
        if here >= len(load.symbol):
            return Wrong(index, float(measured.end_seconds[-1]), -1)
        first, read = int(load.first[here]), int(load.symbol[here])
        seconds = float(measured.start_seconds[first])
        node = 0
        due = runs.usual[load.expected[index]]
        for kind, number in zip(due, range(first, len(measured.kind)), strict=False):
            node = int(runs.step[node, kind])
            if measured.kind[number] != kind:
                low, high = self._limits[kind : kind + 2].tolist()
                value = float(measured.value[number])
                margin = min((value - low) / runs.room_below[node], (high - value) / runs.room_above[node])
                return Wrong(index, seconds, read, value, low, high, float(margin))
        return Wrong(index, seconds, read)


@dataclass(frozen=True, eq=False)
class _Load:
    """One load: measurements, the symbols read and the first measurement of each, and how far they are right.

    `place` is the first datum among the symbols read, -1 if it was not found, `right` the number of symbols
    that are right from there, of `needed`.
    """

    expected: IntArray
    measured: Measurements
    symbol: IntArray
    first: IntArray
    datum: int
    needed: int
    place: int
    right: int

    @property
    def is_right(self) -> bool:
        return self.right >= self.needed


def _data(expected: IntArray) -> tuple[int, int]:
    """Where the data begin, and up to where they are needed."""
    count = len(expected)
    if count < 2:
        return 0, count
    for period in range(1, LONGEST_PATTERN + 1):
        others = np.flatnonzero(expected[period:] != expected[:-period])
        datum = int(others[0]) + period if len(others) else count
        if datum >= LEADER_SYMBOLS + period:
            break
    else:
        period, datum = 1, int(np.argmax(expected != expected[0])) or count
    datum = min(datum, count - 2)
    pattern = expected[:period].tolist()
    rotations = [pattern[k:] + pattern[:k] for k in range(period)]
    tail = 0
    if expected[-period:].tolist() in rotations:
        others = np.flatnonzero(expected[period:] != expected[:-period])
        tail = count - 1 - int(others[-1]) if len(others) else count
    return datum, max(datum + 1, count - max(1, tail - LEADER_SYMBOLS))
