"""Sound files are written exactly, and whole or not at all."""

from __future__ import annotations

import os
import tracemalloc

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from tapewright.audio import check_audio_output, create_audio, load, open_audio, writer
from tapewright.model import OutputError, SignalError, UsageError

KINDS = [
    ("wav", "pcm16", "WAV", "PCM_16"),
    ("wav", "pcm24", "WAV", "PCM_24"),
    ("wav", "float32", "WAV", "FLOAT"),
    ("flac", "pcm16", "FLAC", "PCM_16"),
    ("flac", "pcm24", "FLAC", "PCM_24"),
]


def write(path, samples, rate_hz=48_000, channels=1, encoding="pcm16", force=False):
    with create_audio(path, rate_hz, channels, encoding, force=force) as out:
        out.write(samples)
    return path


@pytest.mark.parametrize("suffix, encoding, container, subtype", KINDS)
def test_file_is_what_was_asked_for(tmp_path, suffix, encoding, container, subtype):
    path = write(tmp_path / f"a.{suffix}", np.zeros((100, 2)), 44_100, 2, encoding)
    info = soundfile.info(path)
    assert (info.format, info.subtype, info.samplerate, info.channels, info.frames) == (
        container,
        subtype,
        44_100,
        2,
        100,
    )


def test_default_is_one_channel_of_16_bits_and_the_suffix_in_any_case(tmp_path):
    with create_audio(tmp_path / "A.WAV", 8_000) as out:
        out.write(np.zeros(10))
    info = soundfile.info(tmp_path / "A.WAV")
    assert (info.subtype, info.channels) == ("PCM_16", 1)


@pytest.mark.parametrize(
    "suffix, encoding, bits", [("wav", "pcm16", 16), ("wav", "pcm24", 24), ("flac", "pcm24", 24)]
)
def test_pcm_is_rounded_to_the_nearest_step(tmp_path, suffix, encoding, bits):
    full = 2 ** (bits - 1)
    steps = np.array(
        [0, 0.49, 0.51, -0.49, -0.51, 1.5, 2.5, -1.5, full - 1, full - 0.6, full, 0.6 - full, -full]
    )
    # Worked out by hand: halves go to the even neighbour, and +1.0 is given the topmost step.
    expected = [0, 0, 1, 0, -1, 2, 2, -2, full - 1, full - 1, full - 1, 1 - full, -full]
    path = write(tmp_path / f"a.{suffix}", steps / full, encoding=encoding)
    got = soundfile.read(path, dtype="int32")[0] >> (32 - bits)
    assert got.tolist() == expected


@settings(max_examples=40)
@given(
    steps=hnp.arrays(
        np.int32, st.tuples(st.integers(1, 200), st.just(2)), elements=st.integers(-(2**23), 2**23 - 1)
    )
)
def test_every_step_comes_back(tmp_path_factory, steps):
    folder = tmp_path_factory.mktemp("steps")
    for bits, encoding in ((16, "pcm16"), (24, "pcm24")):
        samples = (steps >> (24 - bits)) / 2 ** (bits - 1)
        for suffix in ("wav", "flac"):
            path = write(folder / f"a.{suffix}", samples, 48_000, 2, encoding, force=True)
            np.testing.assert_array_equal(load(path).samples, samples)


@given(samples=hnp.arrays(np.float32, st.integers(1, 200), elements=st.floats(-1e6, 1e6, width=32)))
def test_float_comes_back_unchanged(tmp_path_factory, samples):
    path = write(tmp_path_factory.mktemp("float") / "a.wav", samples, encoding="float32")
    np.testing.assert_array_equal(load(path).samples[:, 0], samples)


def test_pieces_follow_one_another(tmp_path):
    samples = np.linspace(-1, 1, 10_001)
    whole = write(tmp_path / "whole.wav", samples)
    with create_audio(tmp_path / "pieces.wav", 48_000) as out:
        for piece in np.array_split(samples, 7):
            out.write(piece)
        out.write(np.zeros(0))
        assert out.seconds == 10_001 / 48_000
    assert (tmp_path / "pieces.wav").read_bytes() == whole.read_bytes()


@pytest.mark.parametrize("suffix, encoding, container, subtype", KINDS)
def test_same_samples_give_the_same_bytes_at_any_time(tmp_path, suffix, encoding, container, subtype):
    samples = np.linspace(-1, 1, 1_000)
    path = write(tmp_path / f"a.{suffix}", samples, encoding=encoding)
    data = path.read_bytes()
    if encoding == "float32":  # libsndfile notes the time of day in a PEAK chunk
        peak = data.index(b"PEAK")
        assert data[peak + 12 : peak + 16] == bytes(4)
        assert b"PEAK" in data[:100]
    write(path, samples, encoding=encoding, force=True)
    assert path.read_bytes() == data


def test_input_is_not_changed(tmp_path):
    samples = np.linspace(-1, 1, 100, dtype=np.float32)
    before = samples.copy()
    write(tmp_path / "a.wav", samples)
    np.testing.assert_array_equal(samples, before)


def test_ten_minutes_are_written_in_constant_memory(tmp_path):
    second = np.zeros(8_000, np.float32)
    tracemalloc.start()
    with create_audio(tmp_path / "a.flac", 8_000) as out:
        for _ in range(600):
            out.write(second)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert open_audio(tmp_path / "a.flac").seconds == 600  # 19.2 MB as float32
    assert peak < 2e6


# What is refused; and after each refusal there is no file


def check_refused(tmp_path, kind, text, name="a.wav", samples=None, **options):
    with pytest.raises(kind, match=text) as caught:
        write(tmp_path / name, np.zeros(10) if samples is None else samples, **options)
    assert str(tmp_path / name) in str(caught.value)
    assert "\n" not in str(caught.value)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("value", [1.0001, -1.0001, 7.0])
@pytest.mark.parametrize("name, encoding", [("a.wav", "pcm16"), ("a.wav", "pcm24"), ("a.flac", "pcm24")])
def test_sample_beyond_full_scale_is_named(tmp_path, value, name, encoding):
    def work():
        with create_audio(tmp_path / name, 48_000, 2, encoding) as out:
            out.write(np.zeros((1_000, 2)))
            block = np.zeros((1_000, 2))
            block[440, 1] = value
            out.write(block)

    with pytest.raises(SignalError, match=r"sample 1440 \(at 0\.030000 s\) is beyond full scale"):
        work()
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("encoding", ["pcm16", "pcm24", "float32"])
def test_sample_that_is_not_finite_is_named(tmp_path, value, encoding):
    samples = np.array([0.0, value, -value])
    check_refused(tmp_path, SignalError, "sample 1 .*not a finite", samples=samples, encoding=encoding)


def test_double_beyond_float32_is_refused(tmp_path):
    samples = np.array([0.0, 1e300])
    check_refused(tmp_path, SignalError, "sample 1 .*not a finite", samples=samples, encoding="float32")


@pytest.mark.parametrize("samples", [np.zeros((10, 2)), np.zeros((2, 5, 1)), np.float64(0.5)])
def test_shape_that_does_not_fit(tmp_path, samples):
    check_refused(tmp_path, SignalError, r"give \(n, 1\)", samples=samples)


def test_whole_numbers_are_not_taken_for_full_scale(tmp_path):
    check_refused(tmp_path, SignalError, "samples are int16", samples=np.zeros(10, np.int16))


def test_nothing_written_makes_no_file(tmp_path):
    check_refused(tmp_path, OutputError, "no samples", samples=np.zeros(0))


@pytest.mark.parametrize("name", ["a.mp3", "a", "a.wav.txt", ".wav"])
def test_unknown_suffix_lists_what_can_be_written(tmp_path, name):
    check_refused(tmp_path, OutputError, r"\.wav \(pcm16, pcm24 or float32\) or \.flac", name=name)


def test_unknown_encoding(tmp_path):
    check_refused(tmp_path, UsageError, "pcm16, pcm24, float32", encoding="pcm8")


def test_float_in_flac(tmp_path):
    check_refused(tmp_path, OutputError, "FLAC cannot hold float32", name="a.flac", encoding="float32")


def test_rate_that_is_not_whole(tmp_path):
    check_refused(tmp_path, OutputError, "44100.5", rate_hz=44_100.5)


@pytest.mark.parametrize("rate_hz", [0, -8_000, 655_350, float("nan"), float("inf")])
def test_absurd_rate(tmp_path, rate_hz):
    check_refused(tmp_path, SignalError, "sample rate", name="a.flac", rate_hz=rate_hz)


@pytest.mark.parametrize("channels", [0, 9])
def test_absurd_channels(tmp_path, channels):
    check_refused(tmp_path, SignalError, "channels", channels=channels)


@pytest.mark.parametrize("name", ["a.wav", "a.flac"])
def test_highest_rate_and_most_channels_are_written(tmp_path, name):
    samples = np.arange(80).reshape(10, 8) / 2**15
    path = write(tmp_path / name, samples, 400_000, 8)
    np.testing.assert_array_equal(load(path).samples, samples)
    assert load(path).rate_hz == 400_000


def test_missing_folder(tmp_path):
    with pytest.raises(OutputError, match="there is no folder"):
        check_audio_output(tmp_path / "none" / "a.wav", 48_000)


def test_existing_file_is_kept_unless_forced(tmp_path):
    path = write(tmp_path / "a.wav", np.zeros(10))
    before = path.read_bytes()
    with pytest.raises(OutputError, match="--force"):
        write(path, np.zeros(20))
    assert path.read_bytes() == before
    write(path, np.zeros(20), force=True)
    assert soundfile.info(path).frames == 20


def test_file_that_appears_meanwhile_is_kept(tmp_path):
    path = tmp_path / "a.wav"

    def race():
        with create_audio(path, 48_000) as out:
            out.write(np.zeros(10))
            path.write_bytes(b"mine")

    with pytest.raises(OutputError, match="--force"):
        race()
    assert path.read_bytes() == b"mine"
    assert list(tmp_path.iterdir()) == [path]


def test_interruption_leaves_nothing(tmp_path):
    def work():
        with create_audio(tmp_path / "a.flac", 48_000) as out:
            out.write(np.zeros(100_000))
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        work()
    assert list(tmp_path.iterdir()) == []


def test_wav_over_4_gib_is_refused_before_it_breaks(tmp_path, monkeypatch):
    assert writer._MOST_WAV_BYTES + 4_000 < 2**32
    monkeypatch.setattr(writer, "_MOST_WAV_BYTES", 600)  # 100 frames of two 24-bit channels

    def work(path, frames):
        with create_audio(path, 48_000, 2, "pcm24") as out:
            out.write(np.zeros((frames - 1, 2)))
            out.write(np.zeros((1, 2)))

    work(tmp_path / "fits.wav", 100)
    work(tmp_path / "long.flac", 101)
    with pytest.raises(OutputError, match=r"4 GiB.*\.flac"):
        work(tmp_path / "long.wav", 101)
    assert not (tmp_path / "long.wav").exists()


@pytest.mark.skipif(os.name != "posix", reason="limits of POSIX systems")
@pytest.mark.parametrize("name", ["a.wav", "a.flac"])
def test_full_disk_is_one_sentence_and_leaves_nothing(tmp_path, name, capfd):
    import resource

    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, before[1]))  # the system's word is "file too large"
    try:
        samples = np.random.default_rng(3).uniform(-1, 1, 100_000)
        check_refused(tmp_path, OutputError, "disk may be full", name=name, samples=samples)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert capfd.readouterr() == ("", "")


@pytest.mark.skipif(os.name != "posix", reason="names are bytes on POSIX only")
def test_name_that_is_not_utf8(tmp_path):
    path = write(tmp_path / os.fsdecode(b"caf\xe9.wav"), np.zeros(10))
    assert load(path).seconds == 10 / 48_000
