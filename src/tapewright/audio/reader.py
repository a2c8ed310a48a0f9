"""Sound files as recordings: opened, checked, and read piece by piece."""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from tapewright.audio.decoder import NOT_AUDIO, Decoder, RefusedError
from tapewright.audio.ogg import ogg_faults
from tapewright.model import AudioError, Fault, Recording, Samples
from tapewright.model.recording import check_finite

__all__ = ["AudioFile", "load", "open_audio"]

StrPath = str | os.PathLike[str]

#: A file damaged all over would otherwise list faults without end.
_MOST_FAULTS = 100


class AudioFile:
    """A sound file read piece by piece in constant memory; an :class:`~tapewright.model.AudioSource`.

    Made by :func:`open_audio`. Keeps no file open between reads.

    Parameters
    ----------
    path : str
    decoder : Decoder
    """

    def __init__(self, path: str, decoder: Decoder) -> None:
        self._path = path
        self._decoder = decoder
        self._exact_seconds: float | None = None
        self._sha256: str | None = None
        self._faults = list(decoder.info.faults)

    @property
    def rate_hz(self) -> float:
        """Samples per second of each channel, as in the file."""
        return self._decoder.info.rate_hz

    @property
    def channels(self) -> int:
        """Channels side by side in every chunk."""
        return self._decoder.info.channels

    @property
    def path(self) -> str:
        """The file, as it was given."""
        return self._path

    @property
    def seconds(self) -> float | None:
        """Length: what the file promises (None if nothing), and exact once it has been read to its end."""
        return self._decoder.info.seconds if self._exact_seconds is None else self._exact_seconds

    @property
    def faults(self) -> tuple[Fault, ...]:
        """What is wrong with the file; complete once it has been read to its end."""
        return tuple(self._faults)

    @property
    def sha256(self) -> str:
        """SHA-256 of the file's bytes, in lower-case hex; computed when first asked for.

        Raises
        ------
        AudioError
            If the file can no longer be read.
        """
        if self._sha256 is None:
            try:
                with Path(self._path).open("rb") as file:
                    self._sha256 = hashlib.file_digest(file, "sha256").hexdigest()
            except OSError as error:
                raise _unreadable(self._path, error) from error
        return self._sha256

    def chunks(self, seconds: float = 1.0) -> Iterator[Samples]:
        """Yield the samples piece by piece, each call from the beginning.

        Parameters
        ----------
        seconds : float
            Length of each piece; the last may be shorter.

        Yields
        ------
        ndarray of float32, shape (n, channels)
            Full scale +-1, never empty; the caller's to keep.

        Raises
        ------
        AudioError
            If the file can no longer be read.
        SignalError
            If a sample is not finite; the message names it by number and second.
        """
        step = max(1, round(seconds * self.rate_hz))
        pending: list[Samples] = []
        held = 0
        for block in self._blocks():
            pending.append(block)
            held += len(block)
            if held < step:
                continue
            whole = np.concatenate(pending)
            used = held - held % step
            for first in range(0, used, step):
                yield whole[first : first + step]
            pending = [whole[used:].copy()]  # a copy, lest the view keep the whole block alive
            held -= used
        if held:
            yield np.concatenate(pending)

    def _blocks(self) -> Iterator[Samples]:
        _check_readable(self._path)
        position = 0
        try:
            for block in self._decoder.blocks(self._report):
                with np.errstate(invalid="ignore"):  # infinities of both signs; the check reports them
                    check_finite(block, position, self.rate_hz, self._path)
                position += len(block)
                yield block
            if position == 0:
                raise RefusedError("holds no audio; give another file")
            self._exact_seconds = position / self.rate_hz
            for fault in ogg_faults(self._path, self._exact_seconds):
                self._report(fault)
        except RefusedError as refusal:
            raise _refused(self._path, refusal) from refusal
        except OSError as error:
            raise _unreadable(self._path, error) from error

    def _report(self, fault: Fault) -> None:
        if fault in self._faults or len(self._faults) > _MOST_FAULTS:
            return
        if len(self._faults) == _MOST_FAULTS:
            fault = Fault("damage", "there are more faults than are listed here", remedy=fault.remedy)
        self._faults.append(fault)

    def __repr__(self) -> str:
        length = "unknown length" if self.seconds is None else f"{self.seconds:.2f} s"
        return f"<AudioFile {self._path}: {length}, {self.rate_hz:g} Hz, {self.channels} channel(s)>"


def open_audio(path: StrPath) -> AudioFile:
    """Open a sound file, or the first audio stream of a video, to be read piece by piece.

    libsndfile reads what it knows; FFmpeg reads the rest. Samples come as they are in the file, as float32:
    exactly for integers of up to 24 bits, rounded to the nearest for longer ones.

    Parameters
    ----------
    path : str or path-like

    Returns
    -------
    AudioFile

    Raises
    ------
    AudioError
        If the file is missing, a folder, empty, not to be read, or not audio.
    SignalError
        If its sample rate or number of channels is beyond what a recording may have.
    """
    name = os.fspath(path)
    head = _check_readable(name)
    reasons: list[RefusedError] = []
    for library in ("ffmpeg",) if _is_for_ffmpeg_alone(name, head) else ("sndfile", "ffmpeg"):
        try:
            return AudioFile(name, _open_with(library, name))
        except RefusedError as refusal:
            reasons.append(refusal)
        except OSError as error:
            raise _unreadable(name, error) from error
    # A library that knows what it is looking at has more to say than one that does not.
    told = [reason for reason in reasons if str(reason) != NOT_AUDIO]
    raise _refused(name, (told or reasons)[0])


def load(path: StrPath) -> Recording:
    """Read a whole sound file into memory.

    Parameters
    ----------
    path : str or path-like

    Returns
    -------
    Recording
        What is wrong with the file, if anything, is told in its history.

    Raises
    ------
    AudioError, SignalError
        As :func:`open_audio` and :meth:`AudioFile.chunks`.
    """
    source = open_audio(path)
    samples = np.concatenate(list(source.chunks(10.0)))
    history = tuple(f"{source.path}: {fault.text}" for fault in source.faults)
    return Recording(samples, source.rate_hz, source.path, source.sha256, history)


def _open_with(library: str, path: str) -> Decoder:
    # Imported late: FFmpeg is large, and most files need only one of the two.
    if library == "ffmpeg":
        from tapewright.audio.ffmpeg import open_ffmpeg

        return open_ffmpeg(path)
    from tapewright.audio.sndfile import open_sndfile

    return open_sndfile(path)


def _is_for_ffmpeg_alone(path: str, head: bytes) -> bool:
    """Whether libsndfile is to be left out: over MP3 it writes to stderr, and Opus it resamples."""
    is_mpeg = head[:3] == b"ID3" or (len(head) > 1 and head[0] == 0xFF and head[1] & 0xE0 == 0xE0)
    is_opus = head[:4] == b"OggS" and b"OpusHead" in head
    return is_mpeg or is_opus or Path(path).suffix.lower() == ".mp3"


def _check_readable(path: str) -> bytes:
    """Return the first bytes of a file, or say what keeps it from being read."""
    try:
        mode = Path(path).stat().st_mode
        if stat.S_ISDIR(mode):
            raise AudioError(f"{path} is a folder; give a sound file", path=path)
        if not stat.S_ISREG(mode):
            raise AudioError(f"{path} is a device or pipe; capture it to a sound file first", path=path)
        with Path(path).open("rb") as file:
            head = file.read(64)
    except (OSError, ValueError) as error:
        raise _unreadable(path, error) from error
    if not head:
        raise AudioError(f"{path} is empty; copy or download it again", path=path)
    return head


def _unreadable(path: str, error: OSError | ValueError) -> AudioError:
    match error:
        case FileNotFoundError() | NotADirectoryError():
            text = f"{path}: no such file; check the name"
        case PermissionError():
            text = f"{path}: you may not read this file; change its permissions"
        case OSError():
            text = f"{path} cannot be read: {error.strerror or error}; check the disk or copy the file again"
        case _:
            text = f"{path!r} is not the name of a file: {error}; give another"
    return AudioError(text, path=path)


def _refused(path: str, refusal: RefusedError) -> AudioError:
    return AudioError(f"{path} {refusal}", path=path)
