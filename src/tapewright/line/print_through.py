"""Print-through: faint copies of loud sound from the next turn of the tape.

Where two turns of tape lie on one another for long, each magnetises the other a little. In a pause next to a
program that is heard as a ghost of it, a turn's time early or late, and where there is little noise it is
read like any program. It gives itself away: it is far fainter, and says what the loud sound says at another
time. Of a leader's beginning, heard before it, and of a trailer's end, heard after it, nothing is said but
one symbol: there it is far fainter, of a turn's length, and goes over into the loud one without a pause.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tapewright.line.gather import Gathering, picked
from tapewright.model import GAP, Span, Symbols
from tapewright.model.runs import runs_of
from tapewright.model.scratch import pieces

__all__ = ["Ghost", "ghosts", "without"]

FloatArray = npt.NDArray[np.float64]

#: A ghost is at least this much fainter than sound nearby (20 dB may be the recorder's own doing; prints are
#: 30 dB down at the worst, common practice).
FAINT = 10 ** (-24.0 / 20)
#: A turn of cassette tape takes 1.5 to 3.3 s: 2 pi times a radius of 11 to 25 mm (from memory), at 47.6 mm/s.
REACH_SECONDS = 4.0
#: Faint stretches no further apart are one.
SAME_GHOST_SECONDS = 0.1
#: Loudness is told by so much sound together.
BIN_SECONDS = 0.1
#: Pieces of so many symbols, with so many of each kind at least, are looked for in the loud sound.
PIECE, FEWEST_OF_ONE = 24, 4
#: A ghost has at least so many of them, and this share of all there are, at one distance, to so many seconds.
FEWEST_PIECES, LEAST_SHARE, SAME_SECONDS = 2, 0.3, 0.005
#: Loud sound next to it begins within so many symbols.
LOUD_REACH = 8 * PIECE
#: One symbol all along lasts as long as a turn: so many seconds at least, with a margin for small reels.
SHORTEST_TURN = 1.0


@dataclass(frozen=True)
class Ghost:
    """A faint copy.

    Parameters
    ----------
    span : Span
    late_seconds : float
        How long after the loud sound it is heard; negative where it is heard before.
    level_db : float
        Against the loud sound.
    """

    span: Span
    late_seconds: float
    level_db: float


def ghosts(symbols: Symbols) -> list[tuple[slice, Ghost]]:
    """Find print-through, and where it stands among the symbols.

    Parameters
    ----------
    symbols : Symbols
        Of a whole recording.

    Returns
    -------
    list of (slice, Ghost)
        In order of time; most recordings have none.
    """
    if not len(symbols):
        return []
    is_faint = np.zeros(len(symbols), np.bool_)
    nearby = _loudest_nearby(symbols)
    for part in pieces(len(symbols)):
        loud = nearby[_bins(symbols, part)]
        is_faint[part] = (symbols.index[part] != GAP) & (symbols.level[part] < FAINT * loud)
    gaps = np.flatnonzero(symbols.index[1:-1] == GAP) + 1
    seconds = symbols.end_seconds[gaps] - symbols.start_seconds[gaps]
    is_faint[gaps] = is_faint[gaps - 1] & is_faint[gaps + 1] & (seconds < SAME_GHOST_SECONDS)
    found: list[tuple[slice, Ghost]] = []
    for first, last in runs_of(is_faint):
        ghost = _ghost(symbols, first, last) or _steady_ghost(symbols, first, last)
        if ghost is not None:
            found.append((slice(first, last), ghost))
    return found


def without(
    symbols: Symbols, found: list[tuple[slice, Ghost]], usual_seconds: float, seconds: float
) -> Symbols:
    """Leave ghosts out: where they were, nothing was heard.

    Parameters
    ----------
    symbols : Symbols
    found : list of (slice, Ghost)
        From :func:`ghosts`.
    usual_seconds, seconds : float
        Length of a symbol, and of the recording.
    """
    if not found:
        return symbols
    kept = Gathering(symbols.names, usual_seconds)
    ends = [0, *(part.stop for part, _ in found)]
    begins = [*(part.start for part, _ in found), len(symbols)]
    for end, begin in zip(ends, begins, strict=True):
        for here in pieces(begin - end):
            part = symbols.at(slice(end + here.start, end + here.stop))
            kept.add(picked(part, part.index != GAP))
    return kept.finish(seconds)


def _bins(symbols: Symbols, part: slice) -> npt.NDArray[np.int64]:
    return (symbols.start_seconds[part] / BIN_SECONDS).astype(np.int64)


def _loudest_nearby(symbols: Symbols) -> npt.NDArray[np.float32]:
    """Give the loudest level within reach of each bin."""
    reach = round(REACH_SECONDS / BIN_SECONDS)
    loudest = np.zeros(int(symbols.start_seconds[-1] / BIN_SECONDS) + 1 + 2 * reach, np.float32)
    for part in pieces(len(symbols)):
        bins = _bins(symbols, part)
        begins = np.flatnonzero(np.diff(bins, prepend=-1))
        here = reach + bins[begins]
        loudest[here] = np.maximum(loudest[here], np.maximum.reduceat(symbols.level[part], begins))
    return np.asarray(np.lib.stride_tricks.sliding_window_view(loudest, 2 * reach + 1).max(axis=1))


def _ghost(symbols: Symbols, first: int, last: int) -> Ghost | None:
    """Look for what a faint stretch says in the loud sound around it."""
    start, end = float(symbols.start_seconds[first]), float(symbols.end_seconds[last - 1])
    around = slice(
        int(np.searchsorted(symbols.start_seconds, start - REACH_SECONDS)),
        int(np.searchsorted(symbols.start_seconds, end + REACH_SECONDS)),
    )
    level = float(np.median(symbols.level[first:last]))
    is_loud = symbols.level[around] > level / FAINT
    text = np.where(is_loud, symbols.index[around], GAP).astype(np.int16).tobytes()
    width = np.dtype(np.int16).itemsize
    distances: Counter[int] = Counter()
    looked_for = 0
    for k in range(first, last - PIECE + 1, PIECE):
        piece = symbols.index[k : k + PIECE]
        values, counts = np.unique(piece, return_counts=True)
        if len(values) < 2 or counts.min() < FEWEST_OF_ONE:
            continue
        looked_for += 1
        for place in _places(text, piece.astype(np.int16).tobytes(), width):
            late = symbols.start_seconds[k] - symbols.start_seconds[around.start + place]
            distances[round(late / SAME_SECONDS)] += 1
    if not distances:
        return None
    # one distance may fall on either side of a boundary
    late = max(distances, key=lambda d: distances[d - 1] + distances[d] + distances[d + 1])
    alike = distances[late - 1] + distances[late] + distances[late + 1]
    if alike < max(FEWEST_PIECES, LEAST_SHARE * looked_for):
        return None
    loud = float(np.median(symbols.level[around][is_loud]))
    return Ghost(Span(start, end), late * SAME_SECONDS, 20 * float(np.log10(level / loud)))


def _steady_ghost(symbols: Symbols, first: int, last: int) -> Ghost | None:
    """Tell a faint piece of a leader before the loud one, or of a trailer after it.

    Between loud sound and loud sound it is a leader whose level dropped.
    """
    span = Span(float(symbols.start_seconds[first]), float(symbols.end_seconds[last - 1]))
    if not SHORTEST_TURN <= span.seconds <= REACH_SECONDS:
        return None
    said = symbols.index[first:last]
    said = said[said != GAP]
    level = float(np.median(symbols.level[first:last]))
    beside = [
        _loud_beside(symbols, level / FAINT, span.start_seconds, -1),
        _loud_beside(symbols, level / FAINT, span.end_seconds, 1),
    ]
    is_before = not len(beside[0])
    loud = beside[1] if is_before else beside[0]
    if (len(beside[0]) and len(beside[1])) or len(loud) < PIECE:
        return None
    if np.any(said != said[0]) or np.any(symbols.index[loud] != said[0]):
        return None
    louder = 20 * float(np.log10(level / np.median(symbols.level[loud])))
    return Ghost(span, -span.seconds if is_before else span.seconds, louder)


def _loud_beside(symbols: Symbols, loud: float, seconds: float, side: int) -> npt.NDArray[np.int64]:
    """Give the first loud symbols next to a place, before it or after it; none where there is a pause."""
    at = int(np.searchsorted(symbols.start_seconds, seconds - 1e-9))
    some = np.arange(at, min(at + LOUD_REACH, len(symbols)))
    if side < 0:
        some = np.arange(at - 1, max(at - 1 - LOUD_REACH, -1), -1)
    is_loud = (symbols.index[some] != GAP) & (symbols.level[some] > loud)
    found = np.asarray(some[is_loud][:PIECE])
    edges = (symbols.start_seconds if side > 0 else symbols.end_seconds)[found[:1]]
    return found if np.any(np.abs(edges - seconds) < SAME_GHOST_SECONDS) else np.empty(0, np.int64)


def _places(text: bytes, piece: bytes, width: int) -> list[int]:
    """Where a piece stands in a text of numbers of so many bytes."""
    places = []
    at = text.find(piece)
    while at >= 0:
        if at % width == 0:
            places.append(at // width)
        at = text.find(piece, at + 1)
    return places
