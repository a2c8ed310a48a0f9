"""Lossy audio codecs: what a recording suffers on its way through a music file or a telephone."""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import Any

import av
import numpy as np
import numpy.typing as npt
import soxr

from tapewright.model import Recording, Samples, UsageError

__all__ = ["CODECS", "Codec", "available_codecs", "through_codec"]


@dataclass(frozen=True)
class Codec:
    """How one codec is reached.

    Parameters
    ----------
    encoder : str
        FFmpeg's name of it.
    container : str
        File format that carries its delay, so that the decoder can take it off.
    rates_hz : tuple of int
        Sample rates it works at, rising.
    channels : int
        Most channels it takes together.
    sample_format : str
        What its encoder is fed with.
    has_bit_rate : bool
        Whether a bit rate can be chosen.
    delay_samples : int
        Delay its container does not report, at `rates_hz`.
    """

    encoder: str
    container: str
    rates_hz: tuple[int, ...]
    channels: int
    sample_format: str
    has_bit_rate: bool = True
    delay_samples: int = 0


CODECS = {
    "mp3": Codec(
        "libmp3lame", "mp3", (8000, 11025, 12000, 16000, 22050, 24000, 32000, 44100, 48000), 2, "fltp"
    ),
    "aac": Codec(
        "aac", "mp4", (8000, 11025, 12000, 16000, 22050, 24000, 32000, 44100, 48000, 96000), 2, "fltp"
    ),
    "opus": Codec("libopus", "ogg", (48000,), 2, "flt"),
    "mulaw": Codec("pcm_mulaw", "wav", (8000,), 2, "s16", has_bit_rate=False),
    "alaw": Codec("pcm_alaw", "wav", (8000,), 2, "s16", has_bit_rate=False),
    "gsm": Codec("libgsm", "gsm", (8000,), 1, "s16", has_bit_rate=False),
    # 40 samples: the 5 ms its encoder looks ahead (3GPP TS 26.071, from memory; measured here as 5.0 ms).
    "amr": Codec("libopencore_amrnb", "amr", (8000,), 1, "s16", delay_samples=40),
}


def available_codecs() -> list[str]:
    """Names of the codecs whose encoder this installation has."""
    return [name for name, codec in CODECS.items() if _has_encoder(codec)]


def _has_encoder(codec: Codec) -> bool:
    try:
        av.codec.Codec(codec.encoder, "w")
    except av.codec.codec.UnknownCodecError:
        return False
    return True


def through_codec(recording: Recording, codec: str, bit_rate_bps: int | None = None) -> Recording:
    """Encode a recording and decode it again, in memory.

    The codec works at the lowest of its sample rates that carries the recording (or its highest); the result
    is brought back to the recording's own rate and length. The encoder's delay is taken off as far as the
    file format reports it, or as it is known. Levels are the encoder's own: the mp3 encoder, for one, makes
    everything 0.45 dB weaker.

    Parameters
    ----------
    recording : Recording
    codec : str
        A key of `CODECS`: ``mp3``, ``aac``, ``opus`` (music files); ``mulaw``, ``alaw`` (ITU-T G.711
        telephony, 8 kHz), ``gsm``, ``amr`` (mobile telephony, 8 kHz).
    bit_rate_bps : int, optional
        Bits per second for all channels; the encoder's own choice if left out.

    Returns
    -------
    Recording

    Raises
    ------
    UsageError
        If there is no such codec or this installation lacks its encoder, the codec takes fewer channels, has
        no choice of bit rate, or refuses the one given.
    """
    chosen = _choose(codec, recording, bit_rate_bps)
    rate_hz = next((hz for hz in chosen.rates_hz if hz >= recording.rate_hz), chosen.rates_hz[-1])
    samples = _resample(recording.samples, recording.rate_hz, rate_hz)
    length = len(samples)
    if chosen.delay_samples:
        samples = _fit(samples, length + chosen.delay_samples)
    try:
        decoded = _decode(_encode(samples, rate_hz, chosen, bit_rate_bps), recording.channels)
    except av.error.FFmpegError as error:
        raise UsageError(
            f"the {codec} encoder refused {rate_hz} Hz at"
            f" {'its own bit rate' if bit_rate_bps is None else f'{bit_rate_bps} bit/s'}"
            f" ({error.strerror}); give another bit rate"
        ) from error
    decoded = _resample(_fit(decoded[chosen.delay_samples :], length), rate_hz, recording.rate_hz)
    step = f"through {codec} at {rate_hz} Hz" + (f", {bit_rate_bps} bit/s" if bit_rate_bps else "")
    return recording.with_samples(_fit(decoded, len(recording.samples)), step)


def _choose(name: str, recording: Recording, bit_rate_bps: int | None) -> Codec:
    chosen = CODECS.get(name)
    if chosen is None:
        raise UsageError(f'there is no codec "{name}"; give one of {", ".join(CODECS)}')
    if not _has_encoder(chosen):
        raise UsageError(
            f"this installation has no {name} encoder; give one of {', '.join(available_codecs())}"
        )
    if recording.channels > chosen.channels:
        raise UsageError(
            f"{name} takes {chosen.channels} channel(s) and the recording has {recording.channels};"
            " pick fewer first"
        )
    if bit_rate_bps is not None and not chosen.has_bit_rate:
        raise UsageError(f"{name} has a fixed bit rate; leave the bit rate out")
    if bit_rate_bps is not None and bit_rate_bps <= 0:
        raise UsageError(f"the bit rate is {bit_rate_bps} bit/s; give one above 0")
    if not len(recording.samples):
        raise UsageError("the recording is empty, so there is nothing to encode; give one with samples")
    return chosen


def _resample(samples: Samples, from_hz: float, to_hz: float) -> Samples:
    return samples if from_hz == to_hz else soxr.resample(samples, from_hz, to_hz, quality="VHQ")


def _fit(samples: Samples, length: int) -> Samples:
    """Cut or lengthen with silence, at the end."""
    return np.pad(samples[:length], ((0, max(0, length - len(samples))), (0, 0)))


def _encode(samples: Samples, rate_hz: int, codec: Codec, bit_rate_bps: int | None) -> io.BytesIO:
    file = io.BytesIO()
    layout = "mono" if samples.shape[1] == 1 else "stereo"
    with av.open(file, "w", format=codec.container) as container:
        stream: Any = container.add_stream(
            codec.encoder, rate=rate_hz, layout=layout, format=codec.sample_format
        )
        if bit_rate_bps is not None:
            stream.bit_rate = bit_rate_bps
        for first in range(0, len(samples), rate_hz):
            piece = _to_format(samples[first : first + rate_hz], codec.sample_format)
            frame = av.AudioFrame.from_ndarray(piece, format=codec.sample_format, layout=layout)
            frame.sample_rate = rate_hz
            frame.pts = first
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    file.seek(0)
    return file


def _to_format(samples: Samples, sample_format: str) -> npt.NDArray[Any]:
    if sample_format == "fltp":
        return np.ascontiguousarray(samples.T)
    interleaved = np.ascontiguousarray(samples).reshape(1, -1)
    if sample_format == "s16":
        return np.clip(np.rint(interleaved * 32768), -32768, 32767).astype(np.int16)
    return interleaved


def _decode(file: io.BytesIO, channels: int) -> Samples:
    pieces = [np.zeros((0, channels), np.float32)]
    with av.open(file, "r") as container:
        for frame in container.decode(audio=0):
            piece = frame.to_ndarray()
            if not frame.format.is_planar:
                piece = piece.reshape(-1, channels).T
            scale = {"s16": 2.0**-15, "s32": 2.0**-31}.get(frame.format.packed.name, 1.0)
            pieces.append((piece.T * scale).astype(np.float32))
    return np.concatenate(pieces)
