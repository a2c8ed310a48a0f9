"""What we write is what two independent decoders read: libsndfile and FFmpeg."""

from __future__ import annotations

from fractions import Fraction

import av
import numpy as np
import pytest
import soundfile

from tapewright.audio import create_audio, open_audio

#: Rates of sound cards; those of AES5 (32, 44.1, 48 kHz and their multiples; from memory) among them.
RATES_HZ = [8_000, 11_025, 16_000, 22_050, 32_000, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000]

BITS = {"pcm16": 16, "pcm24": 24}


def decode_with_ffmpeg(path) -> tuple[np.ndarray, int]:
    """Return a PCM or FLAC file as FFmpeg decodes it, as 32-bit whole numbers or floats, and its rate."""
    with av.open(str(path)) as container:
        frames = [frame.to_ndarray() for frame in container.decode(audio=0)]
        channels = container.streams.audio[0].codec_context.channels
        rate_hz = container.streams.audio[0].codec_context.sample_rate
    assert all(len(frame) == 1 for frame in frames)  # one packed row
    samples = np.concatenate([frame[0].reshape(-1, channels) for frame in frames])
    return (samples.astype(np.int32) << 16 if samples.dtype == np.int16 else samples), rate_hz


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize(
    "name, encoding", [("a.wav", "pcm16"), ("a.wav", "pcm24"), ("a.flac", "pcm16"), ("a.flac", "pcm24")]
)
def test_pcm_is_decoded_alike_and_is_what_was_meant(tmp_path, name, encoding, rate_hz):
    bits = BITS[encoding]
    steps = np.random.default_rng(rate_hz).integers(-(2 ** (bits - 1)), 2 ** (bits - 1), (5_000, 2))
    with create_audio(tmp_path / name, rate_hz, 2, encoding) as out:
        out.write(steps / 2 ** (bits - 1))
    by_sndfile, sndfile_rate_hz = soundfile.read(tmp_path / name, dtype="int32")
    by_ffmpeg, ffmpeg_rate_hz = decode_with_ffmpeg(tmp_path / name)
    assert sndfile_rate_hz == ffmpeg_rate_hz == rate_hz
    np.testing.assert_array_equal(by_sndfile >> (32 - bits), steps)
    np.testing.assert_array_equal(by_ffmpeg >> (32 - bits), steps)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_float_is_decoded_alike_and_is_what_was_meant(tmp_path, rate_hz):
    samples = np.random.default_rng(rate_hz).normal(size=(5_000, 2)).astype(np.float32)
    with create_audio(tmp_path / "a.wav", rate_hz, 2, "float32") as out:
        out.write(samples)
    by_sndfile, sndfile_rate_hz = soundfile.read(tmp_path / "a.wav", dtype="float32")
    by_ffmpeg, ffmpeg_rate_hz = decode_with_ffmpeg(tmp_path / "a.wav")
    assert sndfile_rate_hz == ffmpeg_rate_hz == rate_hz
    np.testing.assert_array_equal(by_sndfile, samples)
    np.testing.assert_array_equal(by_ffmpeg, samples)


# MD5 of the unencoded samples in STREAMINFO (RFC 9639, section 8.2), for three signals; the values were
# computed for this project's dossier of standards and matched against an encoder.
N = np.arange(48_000)
X = N % 1_000 - 500


@pytest.mark.parametrize(
    "steps, encoding, rate_hz, md5",
    [
        (X[:, np.newaxis], "pcm16", 48_000, "61c6c5ecacbcf9a728e8d7b440d525c6"),
        (np.stack([X, -X - 1], axis=1), "pcm16", 48_000, "e57b17c84e8e6b09ced9bb507e521a4d"),
        (X[:, np.newaxis] * 256, "pcm24", 96_000, "8a28b18e70bd8d68d643fce7c2e3f15e"),
    ],
    ids=["mono-16", "stereo-16", "mono-24"],
)
def test_flac_carries_the_checksum_of_the_samples(tmp_path, steps, encoding, rate_hz, md5):
    with create_audio(tmp_path / "a.flac", rate_hz, steps.shape[1], encoding) as out:
        for piece in np.array_split(steps / 2 ** (BITS[encoding] - 1), 5):
            out.write(piece)
    data = (tmp_path / "a.flac").read_bytes()
    # RFC 9639, sections 6 and 8: "fLaC", a block header of 4 bytes (type 0 = STREAMINFO), then 34 bytes
    # of which the last 16 are the checksum.
    assert data[:4] == b"fLaC"
    assert data[4] & 0x7F == 0
    assert data[8 + 18 : 8 + 34].hex() == md5
    # 20 bits of rate, 3 of channels - 1, 5 of bits - 1, 36 of length (RFC 9639, section 8.2).
    packed = int.from_bytes(data[8 + 10 : 8 + 18], "big")
    assert packed >> 44 == rate_hz
    assert (packed >> 41 & 7) + 1 == steps.shape[1]
    assert (packed >> 36 & 31) + 1 == BITS[encoding]
    assert packed & (2**36 - 1) == 48_000


def test_wav_header_is_the_plain_one(tmp_path):
    """RIFF, fmt of 16 bytes, data: the 44 bytes every player knows (multimedia RIFF, 1991; from memory)."""
    with create_audio(tmp_path / "a.wav", 44_100, 2) as out:
        out.write(np.array([[0.5, -1.0]]))
    assert (tmp_path / "a.wav").read_bytes() == (
        b"RIFF" + (40).to_bytes(4, "little") + b"WAVE"
        b"fmt "
        + (16).to_bytes(4, "little")
        + (1).to_bytes(2, "little")  # PCM
        + (2).to_bytes(2, "little")  # channels
        + (44_100).to_bytes(4, "little")
        + (176_400).to_bytes(4, "little")  # bytes a second
        + (4).to_bytes(2, "little")  # bytes a frame
        + (16).to_bytes(2, "little")  # bits a sample
        + b"data"
        + (4).to_bytes(4, "little")
        + b"\x00\x40\x00\x80"
    )


@pytest.mark.parametrize(
    "codec, dtype, full_scale",
    [
        ("pcm_u8", "u1", 2**7),
        ("pcm_s16le", "<i2", 2**15),
        ("pcm_s16be", ">i2", 2**15),
        ("pcm_s32le", "<i4", 2**31),
        ("pcm_s64le", "<i8", 2**63),
        ("pcm_f32le", "<f4", 1),
        ("pcm_f64le", "<f8", 1),
    ],
)
def test_every_sample_format_of_ffmpeg(tmp_path, codec, dtype, full_scale):
    """PCM in a Matroska-like container that libsndfile cannot open; values follow from the definition."""
    values = np.array([[0.0, 0.5], [-1.0, 0.25], [-0.5, -0.75]] * 400)
    raw = values * full_scale + (128 if codec == "pcm_u8" else 0)
    path = tmp_path / "a.nut"
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=48_000, layout="stereo")
        stream.time_base = Fraction(1, 48_000)
        packet = av.Packet(raw.astype(dtype).tobytes())
        packet.stream = stream
        packet.pts = packet.dts = 0
        packet.time_base = stream.time_base
        container.start_encoding()
        container.mux(packet)
    source = open_audio(path)
    assert (source.rate_hz, source.channels) == (48_000, 2)
    np.testing.assert_array_equal(np.concatenate(list(source.chunks())), values)
    assert source.faults == ()
