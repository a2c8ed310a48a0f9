"""The beginning of a recording, as a recording of its own."""

from __future__ import annotations

import math
from collections.abc import Iterator

from tapewright.model import AudioSource, Fault, Samples

__all__ = ["Beginning"]


class Beginning:
    """The first seconds of a recording; an :class:`~tapewright.model.AudioSource`.

    Parameters
    ----------
    source : AudioSource
    seconds : float
        Infinite for all of it.
    """

    def __init__(self, source: AudioSource, seconds: float) -> None:
        self._source = source
        self._samples = math.inf if math.isinf(seconds) else round(seconds * source.rate_hz)
        #: Whether the recording, as far as it was read, turned out to be no longer.
        self.is_whole = False

    @property
    def rate_hz(self) -> float:
        """As in the recording."""
        return self._source.rate_hz

    @property
    def channels(self) -> int:
        """As in the recording."""
        return self._source.channels

    @property
    def path(self) -> str | None:
        """As in the recording."""
        return self._source.path

    @property
    def sha256(self) -> str | None:
        """Of the whole file."""
        return self._source.sha256

    @property
    def faults(self) -> tuple[Fault, ...]:
        """What was found wrong with the file so far."""
        return tuple(getattr(self._source, "faults", ()))

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
