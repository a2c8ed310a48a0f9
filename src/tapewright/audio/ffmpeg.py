"""Decoding with FFmpeg (through PyAV): AAC, Opus, MP3, the sound of videos, and everything else it knows."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from av.audio.frame import AudioFrame
from av.audio.stream import AudioStream
from av.container import InputContainer

from tapewright.audio.decoder import NOT_AUDIO, RefusedError, Report, StreamInfo, damaged, ends_early
from tapewright.model import Fault, Samples, Span
from tapewright.model.recording import check_format

__all__ = ["FfmpegDecoder", "open_ffmpeg"]

#: FFmpeg's sample formats: type, value of zero, full scale.
_SAMPLE_FORMATS: dict[str, tuple[str, float, float]] = {
    "u8": ("u1", 128.0, 2.0**7),
    "s16": ("i2", 0.0, 2.0**15),
    "s32": ("i4", 0.0, 2.0**31),
    "s64": ("i8", 0.0, 2.0**63),
    "flt": ("f4", 0.0, 1.0),
    "dbl": ("f8", 0.0, 1.0),
}
#: Containers that are lists of other files: what they name is not what the user gave us.
_PLAYLISTS = frozenset({"concat", "dash", "hls", "imf", "sdp"})
#: Formats whose length FFmpeg works out from the bit rate, unless a header says better.
_GUESSED_LENGTH = frozenset({"aac", "ac3", "dts", "eac3", "loas", "mp3"})
#: Names of the header of an MP3 file that tells its length (common practice of MP3 encoders).
_MP3_LENGTH_MARKS = (b"Xing", b"Info", b"VBRI")
#: A lossy stream may end this much before the promised length, by its padding: two frames of the longest
#: codec frame in use (2048 samples at 16 kHz). Chosen; plain truncation loses far more.
_PADDING_SECONDS = 0.256


class FfmpegDecoder:
    """The first audio stream of one file as FFmpeg reads it.

    Parameters
    ----------
    path : str
    info : StreamInfo
    """

    def __init__(self, path: str, info: StreamInfo) -> None:
        self.path = path
        self.info = info

    def blocks(self, report: Report) -> Iterator[Samples]:
        """Yield the samples; damaged packets are passed over and reported."""
        channels, rate_hz = self.info.channels, self.info.rate_hz
        position = 0
        for frame in _frames(self.path):
            seconds = position / rate_hz
            if frame is None:
                report(damaged(seconds))
                continue
            if frame.sample_rate != rate_hz or frame.layout.nb_channels != channels:
                report(_changes(seconds, frame))
                return
            if frame.samples:
                yield _to_float(frame)
                position += frame.samples
        promised = self.info.seconds
        if promised is not None and self.info.is_length_firm:
            seconds = position / rate_hz
            if seconds < promised - _PADDING_SECONDS:
                report(ends_early(seconds, promised))


def open_ffmpeg(path: str) -> FfmpegDecoder:
    """Open a file with FFmpeg and decode its first samples, which alone say what rate it really has.

    Raises
    ------
    RefusedError
        If FFmpeg cannot read it.
    SignalError
        If its rate or number of channels is beyond what a recording may have.
    """
    with _open(path) as container:
        seconds, firm = _promised(container, _audio_stream(container), path)
    for frame in _frames(path):
        if isinstance(frame, AudioFrame) and frame.samples:
            check_format(frame.sample_rate, frame.layout.nb_channels, path)
            _sample_format(frame)
            info = StreamInfo(float(frame.sample_rate), frame.layout.nb_channels, seconds, firm)
            return FfmpegDecoder(path, info)
    raise RefusedError("holds no audio that can be decoded; give another file")


def _open(path: str) -> InputContainer:
    try:
        # "file:" keeps a name with a colon from being taken for an address, and the whitelist keeps a file
        # from sending us to the network.
        options = {"protocol_whitelist": "file"}
        container = av.open("file:" + path, metadata_errors="replace", options=options)
    except (av.FFmpegError, OSError, ValueError) as error:
        raise RefusedError(NOT_AUDIO) from error
    if container.format.name in _PLAYLISTS:
        container.close()
        raise RefusedError("is a list of other files; give one of those")
    return container


def _audio_stream(container: InputContainer) -> AudioStream:
    if not container.streams.audio:
        raise RefusedError("has no audio stream; give a file with sound")
    return container.streams.audio[0]


def _promised(container: InputContainer, stream: AudioStream, path: str) -> tuple[float | None, bool]:
    """Return the length the file promises, in seconds or None, and whether it can be relied on."""
    firm = container.format.name not in _GUESSED_LENGTH
    if container.format.name == "mp3":
        with Path(path).open("rb") as file:
            head = file.read(1 << 16)
        firm = any(mark in head for mark in _MP3_LENGTH_MARKS)
    if stream.duration is not None and stream.time_base is not None:
        return float(stream.duration * stream.time_base), firm
    if container.duration is not None and len(container.streams) == 1:
        return float(Fraction(container.duration, av.time_base)), firm
    return None, False


def _frames(path: str) -> Iterator[AudioFrame | None]:
    """Yield the decoded frames, and None in place of each run of packets that cannot be decoded."""
    with _open(path) as container:
        stream = _audio_stream(container)
        packets = container.demux(stream)
        was_damaged = False
        while True:
            try:
                packet = next(packets, None)
                if packet is None:
                    return
            except (av.FFmpegError, OSError, ValueError):
                yield None
                return
            try:
                frames = packet.decode()
            except (av.FFmpegError, OSError, ValueError):
                if not was_damaged:
                    yield None
                was_damaged = True
                continue
            for frame in frames:
                was_damaged = False
                if isinstance(frame, AudioFrame):
                    yield frame


def _sample_format(frame: AudioFrame) -> tuple[str, float, float]:
    name = frame.format.packed.name
    if name not in _SAMPLE_FORMATS:
        raise RefusedError(f"has samples of an unknown kind ({name}); convert it to WAV or FLAC")
    return _SAMPLE_FORMATS[name]


def _to_float(frame: AudioFrame) -> Samples:
    """Convert a frame of any sample format to float32 of shape (n, channels), full scale +-1."""
    dtype, zero, full_scale = _sample_format(frame)
    n, channels = frame.samples, frame.layout.nb_channels
    planes = [np.frombuffer(memoryview(plane), dtype) for plane in frame.planes]
    if frame.format.is_planar:
        raw = np.stack([plane[:n] for plane in planes], axis=1)
    else:
        raw = planes[0][: n * channels].reshape(n, channels)
    with np.errstate(over="ignore"):  # a double beyond float32 becomes infinite, which the reader refuses
        samples = raw.astype(np.float32)
    # Powers of two: exact, so the value is the nearest float32 to the file's own.
    return (samples - np.float32(zero)) / np.float32(full_scale)


def _changes(seconds: float, frame: AudioFrame) -> Fault:
    return Fault(
        "format-change",
        f"at {seconds:.3f} s the file goes on with {frame.sample_rate} Hz and {frame.layout.nb_channels}"
        " channel(s); only what comes before was read",
        Span(seconds, seconds),
        "split the file there and read the parts one by one",
    )
