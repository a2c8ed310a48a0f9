"""A part of a recording, as a recording of its own."""

from __future__ import annotations

import math
from collections.abc import Iterator

from tapewright.chain.derived import Derived
from tapewright.model import AudioSource, Samples

__all__ = ["Excerpt"]


class Excerpt(Derived):
    """Some seconds of a recording; an :class:`~tapewright.model.AudioSource`.

    Parameters
    ----------
    source : AudioSource
    start_seconds : float
        Where it begins in the recording; its own time begins there.
    seconds : float
        Infinite for all that follows.
    """

    def __init__(self, source: AudioSource, start_seconds: float, seconds: float) -> None:
        super().__init__(source)
        self._first = round(start_seconds * source.rate_hz)
        self._end = math.inf if math.isinf(seconds) else self._first + round(seconds * source.rate_hz)
        #: Whether the recording, as far as it was read, turned out to go on no further.
        self.reaches_end = False

    @property
    def is_whole(self) -> bool:
        """Whether it turned out to be all of the recording."""
        return self.reaches_end and self._first == 0

    def chunks(self, seconds: float = 1.0) -> Iterator[Samples]:
        """Yield the same pieces; the first and the last one may be cut."""
        at = 0
        for chunk in self._source.chunks(seconds):
            begin, at = at, at + len(chunk)
            first, end = max(self._first - begin, 0), min(self._end - begin, len(chunk))
            if first < end:
                yield chunk[first : int(end)]
            if at > self._end:
                return
        self.reaches_end = True
