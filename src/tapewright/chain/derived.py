"""What a recording made from another one has in common with it."""

from __future__ import annotations

from tapewright.model import AudioSource, Fault

__all__ = ["Derived"]


class Derived:
    """A recording with other samples; with ``chunks`` it is an :class:`~tapewright.model.AudioSource`.

    Parameters
    ----------
    source : AudioSource
    """

    def __init__(self, source: AudioSource) -> None:
        self._source = source

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
