"""Sound files written piece by piece, exactly, and whole or not at all."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import numpy.typing as npt
import soundfile

from tapewright.audio.sndfile import library_name
from tapewright.files import check_output, write_whole
from tapewright.model import OutputError, SignalError, UsageError
from tapewright.model.recording import check_finite, check_format

__all__ = ["AudioWriter", "check_audio_output", "create_audio"]

StrPath = str | os.PathLike[str]

_FORMATS = {".wav": "WAV", ".flac": "FLAC"}
_SUBTYPES = {"pcm16": "PCM_16", "pcm24": "PCM_24", "float32": "FLOAT"}
_BITS = {"pcm16": 16, "pcm24": 24}
_BYTES_PER_SAMPLE = {"pcm16": 2, "pcm24": 3, "float32": 4}
#: Sizes in a WAV file are 32 bits wide; 4 KiB are left for its header.
_MOST_WAV_BYTES = 2**32 - 4096
_CAN_WRITE = "name it .wav (pcm16, pcm24 or float32) or .flac (pcm16 or pcm24)"


class AudioWriter:
    """A sound file being written; made by :func:`create_audio`.

    Parameters
    ----------
    path : str
        The file as the user named it, for messages.
    file : soundfile.SoundFile
        Open for writing.
    encoding : str
    """

    def __init__(self, path: str, file: soundfile.SoundFile, encoding: str) -> None:
        self.path = path
        self.rate_hz = float(file.samplerate)
        self.channels = int(file.channels)
        self.encoding = encoding
        self._file = file
        self._position = 0
        self._most_frames = (
            _MOST_WAV_BYTES // (self.channels * _BYTES_PER_SAMPLE[encoding]) if file.format == "WAV" else None
        )

    @property
    def seconds(self) -> float:
        """Length of what was written so far."""
        return self._position / self.rate_hz

    def write(self, samples: npt.ArrayLike) -> None:
        """Add samples at the end.

        PCM takes each to the nearest of its steps, without dither: steps of 2**-15 (16 bits) or 2**-23
        (24 bits) of full scale. The topmost step stands for +1.0, which lies one step above it.

        Parameters
        ----------
        samples : array_like of float, shape (n,) or (n, channels)
            Full scale +-1.

        Raises
        ------
        SignalError
            If a sample is not finite or, in PCM, beyond +-1 (the message names the first by number and
            second), or the shape does not fit the channels.
        OutputError
            If a WAV file would pass 4 GiB, or the disk is full.
        """
        block = np.asarray(samples)
        if block.dtype.kind != "f":
            raise SignalError(f"{self.path}: samples are {block.dtype}; give floating point, full scale +-1")
        if block.ndim == 1:
            block = block[:, np.newaxis]
        if block.ndim != 2 or block.shape[1] != self.channels:
            raise SignalError(
                f"{self.path}: samples have shape {np.shape(samples)}; give (n, {self.channels})"
                " or, for one channel, (n,)"
            )
        if self.encoding == "float32":
            with np.errstate(over="ignore"):  # what is beyond float32 becomes infinite, which is refused next
                block = block.astype(np.float32)
        with np.errstate(invalid="ignore"):  # infinities of both signs; the check itself reports them
            check_finite(block, self._position, self.rate_hz, self.path)
        if self._most_frames is not None and self._position + len(block) > self._most_frames:
            raise OutputError(
                f"{self.path} would pass 4 GiB, the most a WAV file can hold; write a .flac or several files"
            )
        encoded = block if self.encoding == "float32" else self._to_pcm(block)
        try:
            self._file.write(encoded)
        except (soundfile.SoundFileError, AssertionError, RuntimeError, OSError) as error:
            raise _cannot_write(self.path) from error
        self._position += len(block)

    def _to_pcm(self, block: npt.NDArray[np.floating]) -> npt.NDArray[np.int32]:
        beyond = np.flatnonzero((np.abs(block) > 1.0).any(axis=1))
        if beyond.size:
            sample = self._position + int(beyond[0])
            raise SignalError(
                f"{self.path}: sample {sample} (at {sample / self.rate_hz:.6f} s) is beyond full scale;"
                " lower the level or write float32"
            )
        bits = _BITS[self.encoding]
        full_scale = 2 ** (bits - 1)
        steps = np.minimum(np.rint(block.astype(np.float64) * full_scale), full_scale - 1).astype(np.int32)
        # libsndfile takes the bits of a narrower file from the top of 32.
        encoded: npt.NDArray[np.int32] = steps << np.int32(32 - bits)
        return encoded


def check_audio_output(
    path: StrPath, rate_hz: float, channels: int = 1, encoding: str = "pcm16", *, force: bool = False
) -> None:
    """Say now, before any work is done, if such a sound file cannot be written.

    Raises
    ------
    OutputError, SignalError, UsageError
        As :func:`create_audio`.
    """
    name = os.fspath(path)
    suffix = Path(name).suffix.lower()
    if suffix not in _FORMATS:
        raise OutputError(f"{name}: cannot write audio named {suffix or 'without a suffix'}; {_CAN_WRITE}")
    if encoding not in _SUBTYPES:
        raise UsageError(f"{name}: no encoding {encoding!r}; give one of {', '.join(_SUBTYPES)}")
    if suffix == ".flac" and encoding == "float32":
        raise OutputError(f"{name}: FLAC cannot hold float32; give pcm24, or name the file .wav")
    check_format(rate_hz, channels, name)
    if rate_hz != round(rate_hz):
        raise OutputError(f"{name}: a sound file holds whole hertz only, not {rate_hz!r}; give whole ones")
    check_output(name, force=force)


@contextmanager
def create_audio(
    path: StrPath, rate_hz: float, channels: int = 1, encoding: str = "pcm16", *, force: bool = False
) -> Iterator[AudioWriter]:
    """Write a sound file: whole at the end of the ``with`` block, or not at all.

    Parameters
    ----------
    path : str or path-like
        Ends in ``.wav`` or ``.flac``.
    rate_hz : float
        Sample rate, a whole number of hertz, 4 kHz to 400 kHz.
    channels : int
        1 to 8.
    encoding : {"pcm16", "pcm24", "float32"}
        ``float32`` in WAV only.
    force : bool
        Whether an existing file may be replaced.

    Yields
    ------
    AudioWriter

    Raises
    ------
    OutputError
        If the file is there already, its folder is missing or not to be written to, its suffix or rate is
        none we can write, or nothing was written into it.
    SignalError
        If the rate or the number of channels is out of range.
    UsageError
        If there is no such encoding.
    """
    check_audio_output(path, rate_hz, channels, encoding, force=force)
    name = os.fspath(path)
    container = _FORMATS[Path(name).suffix.lower()]
    with write_whole(name, force=force) as part:
        try:
            file = soundfile.SoundFile(
                library_name(os.fspath(part)),
                "w",
                samplerate=round(rate_hz),
                channels=channels,
                format=container,
                subtype=_SUBTYPES[encoding],
            )
        except (soundfile.SoundFileError, RuntimeError, OSError) as error:
            raise _cannot_write(name) from error
        try:
            writer = AudioWriter(name, file, encoding)
            yield writer
            if writer.seconds == 0:
                raise OutputError(f"{name} was not made: there are no samples to put in it")
        finally:
            _close(file, name)
        if encoding == "float32":
            _clear_peak_time(part)


def _close(file: soundfile.SoundFile, name: str) -> None:
    try:
        file.close()
    except (soundfile.SoundFileError, RuntimeError, OSError) as error:
        raise _cannot_write(name) from error


def _clear_peak_time(part: Path) -> None:
    """Zero the time of day libsndfile puts in a float file's PEAK chunk: same input, same file."""
    with part.open("rb+") as file:
        head = file.read(256)
        peak = head.find(b"PEAK", 0, head.find(b"data"))
        if peak >= 0:
            file.seek(peak + 12)  # after name, size and version, four bytes each
            file.write(bytes(4))


def _cannot_write(name: str) -> OutputError:
    return OutputError(f"{name} cannot be written: the disk may be full; make room or choose another folder")
