"""Recording: audio that came from, or is meant for, a tape."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
import numpy.typing as npt

from tapewright.model.errors import SignalError

__all__ = [
    "HIGHEST_RATE_HZ",
    "LOWEST_RATE_HZ",
    "MOST_CHANNELS",
    "AudioSource",
    "Recording",
    "Samples",
]

Samples = npt.NDArray[np.float32]

#: Sample rates a recording may have. Below 4 kHz no tape tone survives; above 400 kHz no sound card goes.
LOWEST_RATE_HZ = 4_000.0
HIGHEST_RATE_HZ = 400_000.0
#: A tape has at most four tracks; eight leaves room for a multi-track transfer.
MOST_CHANNELS = 8


class AudioSource(Protocol):
    """What every stage that hears audio accepts: a recording in memory or a file read piece by piece.

    ``chunks`` may be called any number of times; each call starts again at the beginning.
    """

    @property
    def rate_hz(self) -> float:
        """Samples per second of each channel."""

    @property
    def channels(self) -> int:
        """Channels side by side in every chunk."""

    @property
    def path(self) -> str | None:
        """Where the audio came from, if from a file."""

    @property
    def sha256(self) -> str | None:
        """Checksum of that file's bytes."""

    def chunks(self, seconds: float = 1.0) -> Iterator[Samples]:
        """Yield float32 arrays of shape (n, channels), full scale +-1, none of them empty."""


@dataclass(frozen=True, eq=False)
class Recording:
    """Audio in memory, exactly as it was captured.

    Nothing here is resampled, normalised or mixed; a step that changed the samples says so in `history`.

    Parameters
    ----------
    samples : ndarray of float32, shape (n,) or (n, channels)
        Full scale +-1.
    rate_hz : float
        Samples per second, 4 kHz to 400 kHz.
    path, sha256 : str, optional
        The file it came from and the SHA-256 of that file's bytes.
    history : tuple of str
        What was done to the samples, oldest first.

    Raises
    ------
    SignalError
        If a sample is not finite (the message names the first, by sample and second), the rate is out of
        range, or there are more than eight channels.
    """

    samples: Samples
    rate_hz: float
    path: str | None = None
    sha256: str | None = None
    history: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        samples = np.asarray(self.samples, dtype=np.float32)
        if samples.ndim == 1:
            samples = samples[:, np.newaxis]
        if samples.ndim != 2:
            raise SignalError(
                f"samples have {samples.ndim} dimensions; give an array of shape (n,) or (n, channels)"
            )
        check_format(self.rate_hz, samples.shape[1], self.path)
        check_finite(samples, 0, self.rate_hz, self.path)
        object.__setattr__(self, "samples", samples)

    @property
    def channels(self) -> int:
        """Number of channels."""
        return int(self.samples.shape[1])

    @property
    def seconds(self) -> float:
        """Length in seconds."""
        return len(self.samples) / self.rate_hz

    def chunks(self, seconds: float = 1.0) -> Iterator[Samples]:
        """Yield the samples piece by piece, shape (n, channels)."""
        step = max(1, round(seconds * self.rate_hz))
        for first in range(0, len(self.samples), step):
            yield self.samples[first : first + step]

    def with_samples(self, samples: Samples, step: str, *, rate_hz: float | None = None) -> Recording:
        """Return a recording with other samples and `step` added to its history."""
        return replace(
            self,
            samples=samples,
            rate_hz=rate_hz or self.rate_hz,
            history=(*self.history, step),
        )

    def __repr__(self) -> str:
        where = f" from {self.path}" if self.path else ""
        return f"<Recording {self.seconds:.2f} s, {self.rate_hz:g} Hz, {self.channels} channel(s){where}>"


def check_format(rate_hz: float, channels: int, path: str | None) -> None:
    """Refuse a sample rate or channel count no recording of a tape has.

    Raises
    ------
    SignalError
        The message names the value, the limits and the file.
    """
    where = f"{path}: " if path else ""
    if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
        raise SignalError(
            f"{where}the sample rate is {rate_hz:g} Hz; use one of {LOWEST_RATE_HZ:g} to"
            f" {HIGHEST_RATE_HZ:g} Hz",
            path=path,
        )
    if not 1 <= channels <= MOST_CHANNELS:
        raise SignalError(
            f"{where}it has {channels} channels; give a recording with 1 to {MOST_CHANNELS}",
            path=path,
        )


def check_finite(samples: Samples, first_sample: int, rate_hz: float, path: str | None) -> None:
    """Refuse samples that are not finite numbers.

    Parameters
    ----------
    samples : ndarray of float32, shape (n, channels)
    first_sample : int
        Where `samples` starts in the recording.

    Raises
    ------
    SignalError
        The message names the first such sample by number and by second.
    """
    if np.isfinite(np.sum(samples, dtype=np.float64)):  # one NaN or infinity spoils the sum
        return
    bad = np.flatnonzero(~np.isfinite(samples).all(axis=1))
    if bad.size:
        sample = first_sample + int(bad[0])
        where = f"{path}: " if path else ""
        raise SignalError(
            f"{where}sample {sample} (at {sample / rate_hz:.6f} s) is not a finite number;"
            " export the recording again without processing",
            path=path,
        )
