"""Files made by FFmpeg's encoders are read with the rate, channels, length and tone they were made with."""

from __future__ import annotations

import av
import numpy as np
import pytest

from tapewright.audio import load, open_audio
from tapewright.model import AudioError

SECONDS = 2.0
LAYOUTS = {1: "mono", 2: "stereo"}
TONE_HZ = (1_200.0, 2_400.0)  # one for each channel: the tones of the Kansas City standard (BYTE, 1976)


def tones(rate_hz: int, channels: int) -> np.ndarray:
    time = np.arange(round(SECONDS * rate_hz)) / rate_hz
    return np.stack([0.5 * np.sin(2 * np.pi * TONE_HZ[c] * time) for c in range(channels)])


def encode(path, codec, rate_hz, channels, *, sound=None, video=False, options=None) -> None:
    """Encode tones (or `sound`) with FFmpeg; no sound if `codec` is None; a picture too with `video`."""
    with av.open(str(path), "w", options=options or {}) as container:
        # All streams before the first packet: FFmpeg writes the header then.
        picture = container.add_stream("mpeg4", rate=10) if video else None
        stream = None
        if codec is not None:
            stream = container.add_stream(codec, rate=rate_hz, layout=LAYOUTS[channels])
            stream.bit_rate = 64_000 * channels
        if picture is not None:
            picture.width = picture.height = 64
            picture.pix_fmt = "yuv420p"
            for _ in range(round(10 * SECONDS)):
                frame = av.VideoFrame.from_ndarray(np.zeros((64, 64, 3), np.uint8), format="rgb24")
                container.mux(picture.encode(frame))
            container.mux(picture.encode(None))
        if stream is not None:
            sound = tones(rate_hz, channels) if sound is None else sound
            frame = av.AudioFrame.from_ndarray(
                sound.astype(np.float32), format="fltp", layout=LAYOUTS[channels]
            )
            frame.sample_rate = rate_hz
            # Changes the sample format and the length of the frames to what the encoder takes, no rate.
            adapt = av.AudioResampler(stream.codec_context.format.name, LAYOUTS[channels], rate_hz)
            for piece in adapt.resample(frame):
                container.mux(stream.encode(piece))
            container.mux(stream.encode(None))


def check_tones(samples: np.ndarray, rate_hz: float) -> None:
    """Check that each channel holds its tone, to 1 Hz and 1 dB, and 30 dB above everything else."""
    middle = samples[len(samples) // 4 : -len(samples) // 4]
    window = np.hanning(len(middle))
    for channel in range(samples.shape[1]):
        spectrum = np.abs(np.fft.rfft(middle[:, channel] * window)) / (window.sum() / 2)
        frequency_hz = np.fft.rfftfreq(len(middle), 1 / rate_hz)
        top = int(np.argmax(spectrum))
        assert frequency_hz[top] == pytest.approx(TONE_HZ[channel], abs=1.5)
        near = np.abs(frequency_hz - TONE_HZ[channel]) < 25
        assert np.sqrt(np.sum(spectrum[near] ** 2) / 1.5) == pytest.approx(0.5, rel=0.12)
        assert spectrum[~near].max() < 0.5 * 10 ** (-30 / 20)


@pytest.mark.parametrize(
    "name, codec, rate_hz, channels",
    [
        ("a.mp3", "libmp3lame", 44_100, 2),
        ("a.mp3", "libmp3lame", 22_050, 1),
        ("a.m4a", "aac", 44_100, 1),
        ("a.m4a", "aac", 48_000, 2),
        ("a.aac", "aac", 32_000, 1),
        ("a.mka", "aac", 44_100, 2),
        ("a.opus", "libopus", 48_000, 2),
        ("a.ogg", "libopus", 48_000, 1),
        ("a.webm", "libopus", 48_000, 1),
        ("a.mkv", "libopus", 48_000, 2),
        ("a.wma", "wmav2", 44_100, 2),
        ("a.mp2", "mp2", 44_100, 1),
        ("a.mkv", "pcm_s16le", 44_100, 2),
        ("a.m4a", "alac", 96_000, 2),
        ("a.wv", "wavpack", 48_000, 2),
    ],
)
def test_compressed_sound_is_read(tmp_path, capfd, name, codec, rate_hz, channels):
    encode(tmp_path / name, codec, rate_hz, channels)
    source = open_audio(tmp_path / name)
    assert (source.rate_hz, source.channels) == (rate_hz, channels)
    samples = np.concatenate(list(source.chunks(0.3)))
    assert source.seconds == len(samples) / rate_hz
    # Codecs work in frames, and not every container says how much of the last is padding.
    assert source.seconds == pytest.approx(SECONDS, abs=0.12)
    check_tones(samples, rate_hz)
    assert source.faults == ()
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("name, codec", [("a.mp4", "aac"), ("a.mkv", "libopus"), ("a.avi", "libmp3lame")])
def test_sound_of_a_video(tmp_path, name, codec):
    encode(tmp_path / name, codec, 48_000, 2, video=True)
    recording = load(tmp_path / name)
    assert (recording.rate_hz, recording.channels) == (48_000, 2)
    check_tones(recording.samples, 48_000)


def test_video_without_sound(tmp_path):
    encode(tmp_path / "a.mp4", None, 0, 0, video=True)
    with pytest.raises(AudioError, match="no audio stream"):
        open_audio(tmp_path / "a.mp4")


@pytest.mark.parametrize(
    "name, codec, options",
    [
        ("a.mp3", "libmp3lame", {}),
        ("a.opus", "libopus", {}),
        ("a.mka", "aac", {}),
        ("a.m4a", "aac", {"movflags": "faststart"}),
    ],
)
def test_cut_compressed_sound_gives_what_is_there_and_says_so(tmp_path, capfd, name, codec, options):
    path = tmp_path / name
    encode(path, codec, 48_000, 1, options=options)
    data = path.read_bytes()
    path.write_bytes(data[: len(data) * 6 // 10])
    source = open_audio(path)
    samples = np.concatenate(list(source.chunks()))
    assert 0.3 * SECONDS < len(samples) / 48_000 < 0.8 * SECONDS
    check_tones(samples, 48_000)
    assert "truncated" in [fault.kind for fault in source.faults]
    assert capfd.readouterr() == ("", "")


def test_m4a_that_lost_its_index_at_the_end_is_refused(tmp_path):
    encode(tmp_path / "a.m4a", "aac", 48_000, 1)
    data = (tmp_path / "a.m4a").read_bytes()
    (tmp_path / "a.m4a").write_bytes(data[: len(data) * 6 // 10])
    with pytest.raises(AudioError, match=r"a\.m4a"):
        open_audio(tmp_path / "a.m4a")


def test_mp3_damaged_in_the_middle_is_read_on_after_it(tmp_path, capfd):
    # Noise at first, so that the bytes do not repeat and a wrong frame is not found again and again.
    sound = tones(48_000, 1)
    sound[:, :72_000] = np.random.default_rng(7).normal(0, 0.1, 72_000)
    encode(tmp_path / "a.mp3", "libmp3lame", 48_000, 1, sound=sound)
    data = bytearray((tmp_path / "a.mp3").read_bytes())
    middle = len(data) // 2
    data[middle : middle + 300] = bytes(300)
    (tmp_path / "a.mp3").write_bytes(data)
    source = open_audio(tmp_path / "a.mp3")
    samples = np.concatenate(list(source.chunks()))
    assert source.seconds == pytest.approx(SECONDS, abs=0.12)
    check_tones(samples[-20_000:], 48_000)
    assert [fault.kind for fault in source.faults] == ["damage"]
    assert source.faults[0].span.start_seconds == pytest.approx(SECONDS / 2, abs=0.1)
    assert capfd.readouterr() == ("", "")
