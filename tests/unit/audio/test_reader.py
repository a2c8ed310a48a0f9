"""Sound files are read as they are, and every way a file can be bad is one plain sentence."""

from __future__ import annotations

import hashlib
import os
import re
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from tapewright.audio import load, open_audio
from tapewright.model import AudioError, AudioSource, SignalError

RATE_HZ = 48_000


def noise(frames: int, channels: int = 1) -> np.ndarray:
    """Noise that is exact in 16 bits, so that every container gives it back bit by bit."""
    steps = np.random.default_rng(1976).integers(-20_000, 20_000, (frames, channels))
    return (steps / 2**15).astype(np.float32)


def write(path: Path, samples: np.ndarray, rate_hz: int = RATE_HZ, subtype: str = "PCM_16") -> Path:
    soundfile.write(path, samples, rate_hz, subtype=subtype)
    return path


def cut(path: Path, fraction: float) -> Path:
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * fraction)])
    return path


def read(path: Path) -> np.ndarray:
    return np.concatenate(list(open_audio(path).chunks()))


# What is read


@pytest.mark.parametrize("name", ["a.wav", "a.flac", "a.aiff", "a.caf", "a.au", "a.w64", "A.WAV", "a.raw"])
def test_samples_come_as_they_are(tmp_path, name):
    samples = noise(60_000, 2)
    suffix = "wav" if name == "a.raw" else Path(name).suffix[1:]  # a name does not decide what a file is
    made = write(tmp_path / f"made.{suffix}", samples, 44_100)
    path = made.rename(tmp_path / name)
    source = open_audio(path)
    assert (source.rate_hz, source.channels, source.path) == (44_100.0, 2, str(path))
    assert source.seconds == 60_000 / 44_100
    np.testing.assert_array_equal(np.concatenate(list(source.chunks(0.25))), samples)
    assert source.faults == ()


def test_audio_file_is_an_audio_source(tmp_path):
    source: AudioSource = open_audio(write(tmp_path / "a.wav", noise(10)))
    assert next(source.chunks()).dtype == np.float32


@given(seconds=st.floats(0, 3), channels=st.integers(1, 8))
def test_chunks_have_the_length_asked_for(tmp_path_factory, seconds, channels):
    path = tmp_path_factory.mktemp("chunks") / "a.wav"
    samples = noise(9_001, channels)
    source = open_audio(write(path, samples, 8_000))
    step = max(1, round(seconds * 8_000))
    pieces = list(source.chunks(max(seconds, 0.01)))
    step = max(step, 80)
    assert [len(piece) for piece in pieces[:-1]] == [step] * (len(pieces) - 1)
    assert 0 < len(pieces[-1]) <= step
    np.testing.assert_array_equal(np.concatenate(pieces), samples)


def test_each_call_starts_again_even_while_another_runs(tmp_path):
    samples = noise(50_000)
    source = open_audio(write(tmp_path / "a.flac", samples))
    first = source.chunks(0.1)
    next(first)
    np.testing.assert_array_equal(np.concatenate(list(source.chunks(0.3))), samples)
    np.testing.assert_array_equal(np.concatenate(list(first)), samples[4_800:])


def test_chunks_are_the_callers_to_change(tmp_path):
    samples = noise(50_000)
    source = open_audio(write(tmp_path / "a.wav", samples))
    for piece in source.chunks(0.1):
        piece[:] = 0
    np.testing.assert_array_equal(np.concatenate(list(source.chunks(0.1))), samples)


def test_sha256_is_of_the_bytes_of_the_file(tmp_path):
    path = write(tmp_path / "a.wav", noise(10_000))
    source = open_audio(path)
    expected = hashlib.sha256(path.read_bytes()).hexdigest()
    assert source.sha256 == expected
    path.unlink()
    assert source.sha256 == expected  # computed once


def test_load_holds_everything_in_memory(tmp_path):
    samples = noise(30_000, 2)
    path = write(tmp_path / "a.wav", samples)
    recording = load(path)
    np.testing.assert_array_equal(recording.samples, samples)
    assert (recording.rate_hz, recording.path, recording.history) == (RATE_HZ, str(path), ())
    assert recording.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


def test_float_samples_beyond_full_scale_are_kept(tmp_path):
    samples = np.array([[0.5], [-3.25], [2.0]], np.float32)
    np.testing.assert_array_equal(read(write(tmp_path / "a.wav", samples, subtype="FLOAT")), samples)


@pytest.mark.skipif(os.name != "posix", reason="names are bytes on POSIX only")
def test_name_that_is_not_utf8(tmp_path):
    made = write(tmp_path / "a.wav", noise(100))
    odd = made.rename(tmp_path / os.fsdecode(b"caf\xe9.wav"))
    assert len(read(odd)) == 100


def test_name_that_looks_like_an_address(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    write(tmp_path / "a.wav", noise(100)).rename(tmp_path / "http:a.raw")  # .raw is left to FFmpeg
    assert len(read(Path("http:a.raw"))) == 100


@pytest.mark.parametrize("suffix", ["wav", "flac"])
def test_ten_minutes_are_read_in_constant_memory(tmp_path, suffix):
    path = tmp_path / f"long.{suffix}"
    with soundfile.SoundFile(path, "w", 8_000, 1, "PCM_16") as file:
        for _ in range(600):
            file.write(noise(8_000))
    source = open_audio(path)
    tracemalloc.start()
    frames = sum(len(piece) for piece in source.chunks(1.0))
    assert source.sha256
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert frames == 600 * 8_000  # 19.2 MB as float32
    assert peak < 6e6


# Files that are damaged but still sound


@pytest.mark.parametrize("name", ["a.wav", "a.aiff", "a.au", "a.w64"])
def test_cut_pcm_gives_what_is_there_and_says_so(tmp_path, name):
    samples = noise(60_000)
    source = open_audio(cut(write(tmp_path / name, samples), 0.6))
    got = np.concatenate(list(source.chunks()))
    assert 35_000 < len(got) < 36_100
    np.testing.assert_array_equal(got, samples[: len(got)])
    (fault,) = source.faults
    assert fault.kind == "truncated"
    assert "cut short" in fault.text
    assert fault.span.start_seconds == pytest.approx(len(got) / RATE_HZ)
    assert source.seconds == len(got) / RATE_HZ


def test_cut_flac_gives_what_is_there_and_says_so(tmp_path):
    samples = noise(60_000)
    source = open_audio(cut(write(tmp_path / "a.flac", samples), 0.6))
    assert source.seconds == 60_000 / RATE_HZ  # what its header promises
    got = np.concatenate(list(source.chunks()))
    assert 28_000 < len(got) < 36_100
    np.testing.assert_array_equal(got, samples[: len(got)])
    (fault,) = source.faults
    assert (fault.kind, fault.span.start_seconds) == ("truncated", len(got) / RATE_HZ)
    assert f"ends at {len(got) / RATE_HZ:.3f} s and its header promises 1.250 s" in fault.text
    assert source.seconds == len(got) / RATE_HZ
    list(source.chunks())
    assert len(source.faults) == 1  # told once, however often the file is read


def test_flac_damaged_in_the_middle_is_read_on_after_it(tmp_path):
    samples = noise(200_000)
    path = write(tmp_path / "a.flac", samples)
    data = bytearray(path.read_bytes())
    data[len(data) // 2 : len(data) // 2 + 300] = bytes(300)
    path.write_bytes(data)
    source = open_audio(path)
    got = np.concatenate(list(source.chunks()))
    assert [fault.kind for fault in source.faults] == ["damage"]
    start = round(source.faults[0].span.start_seconds * RATE_HZ)
    lost = len(samples) - len(got)
    assert 0 < lost <= 2 * 4_096  # the frames that were hit; libsndfile writes 4096 samples a frame
    np.testing.assert_array_equal(got[:start], samples[:start])
    np.testing.assert_array_equal(got[start:], samples[start + lost :])


def test_cut_ogg_says_so(tmp_path):
    source = open_audio(cut(write(tmp_path / "a.ogg", noise(200_000), subtype="VORBIS"), 0.6))
    frames = sum(len(piece) for piece in source.chunks())
    assert 0 < frames < 200_000
    assert [fault.kind for fault in source.faults] == ["truncated"]


@pytest.mark.parametrize("place", [0.5, 0.95])
def test_damaged_ogg_says_so(tmp_path, place):
    path = write(tmp_path / "a.ogg", noise(200_000), subtype="VORBIS")
    data = bytearray(path.read_bytes())
    data[int(place * len(data))] ^= 0x55
    path.write_bytes(data)
    source = open_audio(path)
    assert sum(len(piece) for piece in source.chunks()) > 0
    assert "damage" in [fault.kind for fault in source.faults]


def test_load_tells_faults_in_the_history(tmp_path):
    recording = load(cut(write(tmp_path / "a.wav", noise(60_000)), 0.6))
    assert len(recording.history) == 1
    assert "cut short" in recording.history[0]


@pytest.mark.parametrize("claim", [0xFFFF_FFFF, 0x7FFF_FFFF, 0x8000_0000, 0x7FFF_F000])
def test_wav_from_a_pipe_with_an_unknown_length_is_no_fault(tmp_path, claim):
    path = write(tmp_path / "a.wav", noise(1_000))
    data = bytearray(path.read_bytes())
    assert data[36:40] == b"data"
    data[40:44] = claim.to_bytes(4, "little")
    path.write_bytes(data)
    source = open_audio(path)
    assert sum(len(piece) for piece in source.chunks()) == 1_000
    assert source.faults == ()


# Files that are no use


def check_refused(path: Path, text: str, kind: type[Exception] = AudioError) -> None:
    with pytest.raises(kind, match=text) as caught:
        list(open_audio(path).chunks())
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)
    assert caught.value.path == str(path)


def test_missing_file(tmp_path):
    check_refused(tmp_path / "none.wav", "no such file")
    (tmp_path / "file").write_bytes(b"x")
    check_refused(tmp_path / "file" / "a.wav", "no such file")


def test_folder(tmp_path):
    check_refused(tmp_path, "is a folder")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_pipe_is_refused_rather_than_waited_for(tmp_path):
    os.mkfifo(tmp_path / "a.wav")
    check_refused(tmp_path / "a.wav", "device or pipe")


def test_empty_file(tmp_path):
    (tmp_path / "a.wav").write_bytes(b"")
    check_refused(tmp_path / "a.wav", "is empty")


def test_permission_denied(tmp_path, monkeypatch):
    path = write(tmp_path / "a.wav", noise(10))

    def refuse(self, *_args, **_options):  # the tests may run as root, whom no permission stops
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(Path, "open", refuse)
    check_refused(path, "may not read")


def test_broken_disk(tmp_path, monkeypatch):
    path = write(tmp_path / "a.wav", noise(10))

    def fail(self, *_args, **_options):
        raise OSError(5, "Input/output error", str(self))

    monkeypatch.setattr(Path, "open", fail)
    check_refused(path, "cannot be read: Input/output error")


def test_impossible_name():
    with pytest.raises(AudioError, match="not the name of a file"):
        open_audio("nul\0inside.wav")


@pytest.mark.parametrize(
    "content",
    [
        b"this is a letter, not a sound\n" * 50,
        b"RIFF",
        b"RIFF\x24\x00\x00\x00WAVE",
        b"fLaC",
        b"OggS",
        b"ID3\x04\x00\x00\x00\x00\x00\x00",
        b"\xff\xfb\x90\x00",
        b"\x00" * 5_000,
        np.random.default_rng(5).bytes(20_000),
        b"<html><body>404</body></html>",
        b"#EXTM3U\n#EXT-X-TARGETDURATION:2\n#EXTINF:2,\na.mp3\n#EXT-X-ENDLIST\n",
    ],
    ids=["text", "riff", "no-fmt", "flac", "ogg", "id3", "mp3", "zeros", "noise", "html", "playlist"],
)
@pytest.mark.parametrize("suffix", ["wav", "mp3", "raw", "au", "vox", "m3u8"])
def test_what_is_not_audio(tmp_path, capfd, content, suffix):
    path = tmp_path / f"a.{suffix}"
    path.write_bytes(content)
    check_refused(path, "; (give|copy)")
    assert capfd.readouterr() == ("", "")


def test_list_of_other_files_is_not_followed(tmp_path):
    write(tmp_path / "a.wav", noise(1_000))
    (tmp_path / "list.wav").write_text("ffconcat version 1.0\nfile a.wav\n")
    check_refused(tmp_path / "list.wav", "list of other files")


@pytest.mark.parametrize("name", ["a.wav", "a.aiff", "a.caf", "a.ogg"])
def test_file_without_samples(tmp_path, name):
    subtype = "VORBIS" if name == "a.ogg" else "PCM_16"
    check_refused(write(tmp_path / name, noise(0), subtype=subtype), "; (give|copy)")


def test_flac_cut_in_its_header_and_first_frame(tmp_path):
    data = write(tmp_path / "a.flac", noise(60_000)).read_bytes()
    for length in (10, 42, 60, 120, 4_000):
        (tmp_path / "a.flac").write_bytes(data[:length])
        check_refused(tmp_path / "a.flac", "; (give|copy)")


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("subtype", ["FLOAT", "DOUBLE"])
def test_sample_that_is_not_finite_is_named(tmp_path, bad, subtype):
    samples = noise(150_000)
    samples[100_000] = bad
    samples[100_001] = -bad
    path = write(tmp_path / "a.wav", samples, subtype=subtype)
    check_refused(path, r"sample 100000 \(at 2\.083333 s\) is not a finite number", SignalError)
    with pytest.raises(SignalError, match="sample 100000"):
        load(path)


def test_double_beyond_float32_is_not_finite(tmp_path):
    check_refused(
        write(tmp_path / "a.wav", np.array([0.0, 1e300]), subtype="DOUBLE"), "sample 1 .*finite", SignalError
    )


@pytest.mark.parametrize("rate_hz", [1, 3_999, 400_001, 2_000_000_000])
def test_absurd_rate(tmp_path, rate_hz):
    check_refused(
        write(tmp_path / "a.wav", noise(10), rate_hz),
        re.escape(f"sample rate is {rate_hz:g} Hz"),
        SignalError,
    )


def test_too_many_channels(tmp_path):
    check_refused(write(tmp_path / "a.wav", noise(10, 9)), "9 channels", SignalError)


def test_file_that_goes_away_after_it_was_opened(tmp_path):
    path = write(tmp_path / "a.wav", noise(10))
    source = open_audio(path)
    path.unlink()
    with pytest.raises(AudioError, match="no such file"):
        next(source.chunks())
    with pytest.raises(AudioError, match="no such file"):
        _ = source.sha256


@given(data=st.data())
def test_any_damage_gives_samples_or_one_plain_error(tmp_path_factory, data):
    name = data.draw(st.sampled_from(["a.wav", "a.flac", "a.aiff", "a.caf"]))
    path = write(tmp_path_factory.mktemp("damage") / name, noise(3_000))
    content = bytearray(path.read_bytes())
    for _ in range(data.draw(st.integers(1, 6))):
        content[data.draw(st.integers(0, len(content) - 1))] = data.draw(st.integers(0, 255))
    path.write_bytes(content[: data.draw(st.integers(1, len(content)))])
    message = ""
    frames = 0
    try:
        frames = sum(len(piece) for piece in open_audio(path).chunks(0.01))
    except (AudioError, SignalError) as error:
        message = str(error)
    assert frames > 0 or str(path) in message
