"""The beginning of a recording, as a recording of its own."""

from __future__ import annotations

import math
from collections.abc import Iterator

from tapewright.chain.derived import Derived
from tapewright.model import AudioSource, Samples

__all__ = ["Beginning"]


class Beginning(Derived):
    """The first seconds of a recording; an :class:`~tapewright.model.AudioSource`.

    Parameters
    ----------
    source : AudioSource
    seconds : float
        Infinite for all of it.
    """

    def __init__(self, source: AudioSource, seconds: float) -> None:
        super().__init__(source)
        self._samples = math.inf if math.isinf(seconds) else round(seconds * source.rate_hz)
        #: Whether the recording, as far as it was read, turned out to be no longer.
        self.is_whole = False

    def chunks(self, seconds: float = 1.0) -> Iterator[Samples]:
        """Yield the same pieces; the last one may be cut."""
        left = self._samples
        for chunk in self._source.chunks(seconds):
            if len(chunk) > left:
                if left > 0:
                    yield chunk[: int(left)]
                return
            left -= len(chunk)
            yield chunk
        self.is_whole = True
