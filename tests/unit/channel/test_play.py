"""The whole channel: what a caller may count on, whatever the settings."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapewright.channel import CassetteChannel, FlutterTone, LevelStep, describe, play
from tapewright.model import Recording, UsageError

RATE_HZ = 16_000
PRESETS = [
    CassetteChannel.GOOD_DECK,
    CassetteChannel.PORTABLE,
    CassetteChannel.WORN,
    CassetteChannel.TRANSPARENT,
]


def tone(
    seconds: float = 1.0, *, peak: float = 0.3, channels: int = 1, rate_hz: float = RATE_HZ
) -> Recording:
    wave = peak * np.sin(2 * np.pi * 1000 * np.arange(round(seconds * rate_hz)) / rate_hz)
    return Recording(np.repeat(wave[:, np.newaxis], channels, axis=1), rate_hz, history=("made",))


@pytest.mark.parametrize("channel", PRESETS)
def test_same_seed_same_samples_and_the_given_recording_stays(channel):
    given_recording = tone()
    before = given_recording.samples.copy()
    first, again = play(given_recording, channel, 7), play(given_recording, channel, 7)
    np.testing.assert_array_equal(first.samples, again.samples)
    np.testing.assert_array_equal(given_recording.samples, before)
    assert first.rate_hz == RATE_HZ
    assert first.history[0] == "made"
    assert len(first.history) == 2
    assert "seed 7" in first.history[1]


def test_another_seed_gives_other_noise():
    first = play(tone(), CassetteChannel.PORTABLE, 1).samples
    assert not np.array_equal(first, play(tone(), CassetteChannel.PORTABLE, 2).samples)


def test_a_transparent_channel_changes_no_sample():
    np.testing.assert_array_equal(play(tone(), CassetteChannel.TRANSPARENT, 0).samples, tone().samples)


def test_switching_one_stage_off_leaves_the_chances_of_the_others():
    noisy = replace(CassetteChannel.TRANSPARENT, hiss_snr_db=30.0)
    hummed = replace(noisy, hum_level_db=-20.0, dropouts_per_minute=600.0, dropout_depth_db=0.0)
    hum = replace(hummed, hiss_snr_db=None)
    both = play(tone(), hummed, 3).samples
    apart = play(tone(), noisy, 3).samples + play(tone(), hum, 3).samples - tone().samples
    np.testing.assert_allclose(both, apart, atol=1e-6)


def test_a_mono_head_plays_the_sum_of_two_tracks():
    left = tone().samples[:, 0]
    two = Recording(np.stack([left, -0.5 * left], axis=1), RATE_HZ)
    replayed = play(two, CassetteChannel.TRANSPARENT, 0)
    assert replayed.channels == 1
    np.testing.assert_allclose(replayed.samples[:, 0], 0.25 * left, atol=1e-7)


def test_a_stereo_head_plays_a_mono_recording_on_both_channels():
    replayed = play(tone(), replace(CassetteChannel.TRANSPARENT, head="stereo"), 0)
    np.testing.assert_allclose(replayed.samples, tone(channels=2).samples, atol=1e-6)


def test_two_channels_hiss_apart_and_hum_together():
    channel = replace(CassetteChannel.TRANSPARENT, head="stereo", hiss_snr_db=30.0)
    silence = Recording(np.zeros(RATE_HZ * 2), RATE_HZ)
    hiss = play(silence, channel, 1).samples
    assert abs(np.corrcoef(hiss.T)[0, 1]) < 0.05
    hum = play(silence, replace(channel, hiss_snr_db=None, hum_level_db=-20.0), 1).samples
    np.testing.assert_array_equal(hum[:, 0], hum[:, 1])


def test_a_bad_channel_is_weak_but_hisses_as_before():
    channel = replace(CassetteChannel.TRANSPARENT, head="stereo", bad_channel=1, bad_channel_level_db=-20.0)
    replayed = play(tone(), channel, 1).samples
    np.testing.assert_allclose(replayed[:, 1], 0.1 * replayed[:, 0], atol=1e-6)
    noisy = play(Recording(np.zeros(RATE_HZ), RATE_HZ), replace(channel, hiss_snr_db=30.0), 1).samples
    assert np.std(noisy[:, 1]) == pytest.approx(np.std(noisy[:, 0]), rel=0.05)


def test_polarity_offset_clipping_and_word_length():
    channel = replace(
        CassetteChannel.TRANSPARENT,
        is_inverted=True,
        dc_offset_full_scale=0.1,
        capture_clip_level_dbfs=-12.0,
        capture_bits=8,
    )
    captured = play(tone(), channel, 0).samples[:, 0]
    limit = round(10 ** (-12 / 20) * 128) / 128
    expected = np.clip(0.1 - tone().samples[:, 0], -limit, limit)
    np.testing.assert_allclose(captured, expected, atol=0.51 / 128)
    np.testing.assert_array_equal(captured * 128, np.rint(captured * 128))
    assert captured.max() == limit


def test_level_steps_add_up():
    steps = (LevelStep(0.25, -6.0), LevelStep(0.5, 12.0))
    flat = Recording(np.full(RATE_HZ, 0.2), RATE_HZ)
    stepped = play(flat, replace(CassetteChannel.TRANSPARENT, level_steps=steps), 0).samples[:, 0]
    found = 20 * np.log10(stepped[[100, RATE_HZ // 4 + 1, RATE_HZ // 2 + 1]] / 0.2)
    np.testing.assert_allclose(found, (0, -6, 6), atol=1e-4)


def test_level_drift_swings_as_far_as_asked_for():
    flat = Recording(np.full(5 * RATE_HZ, 0.2), RATE_HZ)
    channel = replace(CassetteChannel.TRANSPARENT, level_drift_db=4.0, level_drift_hz=0.5)
    level_db = 20 * np.log10(play(flat, channel, 0).samples[:, 0] / 0.2)
    assert level_db.max() == pytest.approx(4.0, abs=1e-3)
    assert level_db.min() == pytest.approx(-4.0, abs=1e-3)
    turns = np.count_nonzero(np.diff(np.signbit(level_db)))
    assert turns == 5  # 2.5 swings


@pytest.mark.parametrize("samples", [1, 2, 5, 100])
@pytest.mark.parametrize("rate_hz", [4_000.0, 11_025.0, 96_000.0])
def test_the_shortest_recordings_pass(samples, rate_hz):
    replayed = play(Recording(np.full(samples, 0.1), rate_hz), CassetteChannel.PORTABLE, 0)
    assert abs(len(replayed.samples) - samples) <= 1 + 0.02 * samples


@pytest.mark.parametrize(
    "recording, channel, seed, message",
    [
        (Recording(np.zeros(0), RATE_HZ), CassetteChannel.PORTABLE, 0, "empty"),
        (tone(channels=3), CassetteChannel.PORTABLE, 0, "3 channels"),
        (tone(), CassetteChannel.PORTABLE, -1, "seed is -1"),
        (tone(0.1), CassetteChannel.WORN, 0, "too short for start and stop glides"),
    ],
)
def test_what_cannot_be_played_is_refused_in_a_sentence(recording, channel, seed, message):
    with pytest.raises(UsageError, match=message):
        play(recording, channel, seed)


def test_flutter_that_would_stop_the_tape_is_refused():
    slow = replace(CassetteChannel.TRANSPARENT, flutter_tones=(FlutterTone(0.1, 1.0),))
    with pytest.raises(UsageError, match="add up to 251 %"):  # 48 dB of weighting at 0.1 Hz
        play(tone(), slow, 0)


@pytest.mark.parametrize(
    "settings_, message",
    [
        ({"gap_um": -1.0}, "gap_um is -1"),
        ({"head": "four"}, "head is"),
        ({"bad_channel": 1}, "bad_channel needs two channels"),
        ({"bad_channel": 2, "head": "stereo"}, "give 0, 1 or None"),
        ({"low_pass_order": 5}, "low_pass_order is 5"),
        ({"capture_bits": 40}, "capture_bits is 40"),
        ({"low_pass_hz": 0.0}, "low_pass_hz is 0"),
        ({"hiss_snr_db": float("nan")}, "hiss_snr_db holds nan"),
        ({"dropout_at_seconds": (1.0, float("inf"))}, "dropout_at_seconds holds inf"),
        ({"flutter_tones": (FlutterTone(4.0, float("nan")),)}, "flutter_tones holds nan"),
        ({"flutter_tones": (FlutterTone(900.0, 0.1),)}, "flutter_tones holds a rate outside"),
        ({"random_flutter_band_hz": (1.0, 900.0)}, "random_flutter_band_hz ends at 900"),
        ({"hiss_band_hz": (3000.0, 300.0)}, "lower frequency first"),
        ({"speed_error_percent": -95.0}, "speed_error_percent is -95"),
        ({"automatic_least_gain_db": 30.0}, "swap them"),
    ],
)
def test_settings_out_of_range_are_named(settings_, message):
    with pytest.raises(UsageError, match=message):
        replace(CassetteChannel(), **settings_)


@given(
    st.floats(-5, 5),
    st.floats(0, 5),
    st.floats(0, 15),
    st.sampled_from(["mono", "stereo"]),
    st.integers(0, 2**32),
)
@settings(max_examples=25, deadline=None)
def test_any_channel_gives_finite_samples_of_a_plausible_length(speed, gap, azimuth, head, seed):
    channel = replace(
        CassetteChannel.WORN,
        speed_error_percent=speed,
        gap_um=gap,
        azimuth_error_arcmin=azimuth,
        head=head,
        dropouts_per_minute=300.0,
    )
    replayed = play(tone(0.6), channel, seed)
    assert np.all(np.abs(replayed.samples) <= 1.0)
    expected_seconds = 0.6 / (1 + speed / 100) + (0.25 + 0.15) / 2
    assert replayed.seconds == pytest.approx(expected_seconds, abs=0.02)


def test_the_description_tells_what_is_on_and_nothing_else():
    assert describe(CassetteChannel.TRANSPARENT) == ["nothing is changed"]
    one = replace(CassetteChannel.TRANSPARENT, speed_error_percent=-2.5)
    assert describe(one) == ["tape 2.5 % slow"]
    worn = describe(CassetteChannel.WORN)
    for words in ("3 um", "120 us", "70 us", "6 dropouts a minute", "0.5 % peak", "hum", "inverted"):
        assert any(words in line for line in worn), words


def test_the_worn_recorder_is_worse_than_the_portable_and_the_deck_better():
    deck, portable, worn = (
        CassetteChannel.GOOD_DECK,
        CassetteChannel.PORTABLE,
        CassetteChannel.WORN,
    )
    for name in (
        "gap_um",
        "azimuth_error_arcmin",
        "spacing_um",
        "random_flutter_two_sigma_percent",
        "hum_level_db",
    ):
        assert getattr(deck, name) < getattr(portable, name) < getattr(worn, name), name
    assert deck.hiss_snr_db > portable.hiss_snr_db > worn.hiss_snr_db
