"""Decoding with libsndfile: WAV, FLAC, AIFF, Ogg Vorbis and the other formats of sound libraries."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Iterator

import numpy as np
import soundfile

from tapewright.audio.decoder import (
    NOT_AUDIO,
    RefusedError,
    Report,
    StreamInfo,
    cut_short,
    damaged,
    ends_early,
)
from tapewright.model import Fault, Samples
from tapewright.model.recording import check_format

__all__ = ["SndfileDecoder", "library_name", "open_sndfile"]

#: Samples (of all channels together) in one call of the library: 256 KiB of float32. Measured: with
#: fewer the calls cost something, more do not stay in the processor's cache.
_BLOCK_SAMPLES = 1 << 16
#: libsndfile's word for "length unknown" (SF_COUNT_MAX of its API documentation).
_UNKNOWN_FRAMES = 2**63 - 1
_DAMAGED = "is damaged; copy or download it again"
#: How libsndfile's log says that a chunk of audio claims more bytes than the file has.
_SHORT_CHUNK = re.compile(r"^\s*(?:data|SSND|Data Size|riff)\s*: (\d+) \(should be (\d+)\)", re.MULTILINE)
#: Recorders that write to a pipe cannot know the length and claim about 2 or 4 GiB (common practice).
_OPEN_ENDED = (range(0x7FFF_F000, 0x8000_1000), range(0xFFFF_F000, 0x1_0000_0000))


class SndfileDecoder:
    """One file as libsndfile reads it.

    Parameters
    ----------
    path : str
    info : StreamInfo
    """

    def __init__(self, path: str, info: StreamInfo) -> None:
        self.path = path
        self.info = info

    def blocks(self, report: Report) -> Iterator[Samples]:
        """Yield the samples; after damage libsndfile cannot pass, go on with FFmpeg."""
        channels, rate_hz = self.info.channels, self.info.rate_hz
        position = 0
        with _open(self.path) as file:
            while True:
                block = np.full((max(1, _BLOCK_SAMPLES // channels), channels), np.nan, np.float32)
                try:
                    got = len(file.read(out=block))
                except (soundfile.SoundFileError, RuntimeError):
                    # The error hides how many samples came before it: those no longer NaN.
                    missing = np.isnan(block).any(axis=1)
                    got = int(np.argmax(missing)) if missing.any() else len(block)
                    if got:
                        yield block[:got]
                    yield from self._after_damage(position + got, report)
                    return
                if got == 0:
                    break
                yield block[:got]
                position += got
        promised = self.info.seconds
        if promised is not None and self.info.is_length_firm and position < round(promised * rate_hz):
            report(ends_early(position / rate_hz, promised))

    def _after_damage(self, position: int, report: Report) -> Iterator[Samples]:
        from tapewright.audio.ffmpeg import open_ffmpeg

        seconds = position / self.info.rate_hz
        rest = 0

        def report_later(fault: Fault) -> None:
            if fault.span is not None and fault.span.start_seconds > seconds:
                report(fault)

        try:
            decoder = open_ffmpeg(self.path)
            if (decoder.info.rate_hz, decoder.info.channels) == (self.info.rate_hz, self.info.channels):
                skip = position
                for block in decoder.blocks(report_later):
                    dropped = min(skip, len(block))
                    skip -= dropped
                    if dropped < len(block):
                        if rest == 0:
                            report(damaged(seconds))
                        rest += len(block) - dropped
                        yield block[dropped:]
        except RefusedError:
            pass
        if rest == 0:
            report(ends_early(seconds, self.info.seconds))


def open_sndfile(path: str) -> SndfileDecoder:
    """Open a file with libsndfile.

    Raises
    ------
    RefusedError
        If libsndfile cannot read it.
    SignalError
        If its rate or number of channels is beyond what a recording may have.
    """
    with _open(path) as file:
        if file.format == "RAW":  # it knows nothing but the name, and would make noise of any file so named
            raise RefusedError(NOT_AUDIO)
        check_format(file.samplerate, file.channels, path)
        frames, rate_hz = file.frames, float(file.samplerate)
        faults = []
        for claimed, there in _SHORT_CHUNK.findall(file.extra_info):
            if int(claimed) > int(there) and not any(int(claimed) in sizes for sizes in _OPEN_ENDED):
                what = f"it promises {claimed} bytes of audio and {there} are there"
                faults.append(cut_short(frames / rate_hz, what))
        try:
            if frames == 0 or len(file.read(1)) == 0:
                raise RefusedError("holds no audio; give another file")
        except (soundfile.SoundFileError, RuntimeError) as error:
            raise RefusedError(_DAMAGED) from error
    seconds = None if frames >= _UNKNOWN_FRAMES else frames / rate_hz
    return SndfileDecoder(path, StreamInfo(rate_hz, file.channels, seconds, faults=tuple(faults[:1])))


def library_name(path: str) -> str | bytes:
    """Return a file's name as the library takes it: bytes, as it cannot encode a name that is not UTF-8."""
    return path if sys.platform == "win32" else os.fsencode(path)


def _open(path: str) -> soundfile.SoundFile:
    try:
        return soundfile.SoundFile(library_name(path))
    except soundfile.LibsndfileError as error:
        raise RefusedError(_DAMAGED if "malformed" in str(error) else NOT_AUDIO) from error
    except (TypeError, RuntimeError, OSError) as error:  # TypeError: a name ending in .raw wants a rate
        raise RefusedError(NOT_AUDIO) from error
