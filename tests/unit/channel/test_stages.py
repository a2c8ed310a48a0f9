"""Single stages of the channel against closed formulas."""

from dataclasses import replace

import numpy as np
import pytest
import scipy.signal

from tapewright.channel import CassetteChannel, FlutterTone, add_noise, digitise, play, through_codec
from tapewright.channel.codec import CODECS, Codec
from tapewright.channel.faults import apply_dropouts, draw_dropouts
from tapewright.channel.response import filter_centred
from tapewright.model import Recording, UsageError

RATE_HZ = 8_000
QUIET = CassetteChannel.TRANSPARENT


def test_automatic_level_rises_and_falls_with_its_time_constants():
    # A diode and a capacitor fed with a square wave of peak p reach p (1 - e^(-t/attack)); the gain is
    # target / level. After the level drops by 20 dB they follow q + (p - q) e^(-t/release).
    channel = replace(
        QUIET,
        automatic_level_db=0.0,
        automatic_attack_seconds=0.05,
        automatic_release_seconds=0.5,
        automatic_most_gain_db=40.0,
        automatic_least_gain_db=-40.0,
    )
    half_seconds = RATE_HZ
    square = np.where(np.arange(2 * half_seconds) % 8 < 4, 1.0, -1.0)
    square[:half_seconds] *= 0.8
    square[half_seconds:] *= 0.08
    gain = play(Recording(square, RATE_HZ), channel, 0).samples[:, 0] / square
    target = 10 ** (-6 / 20)
    after = round(0.05 * RATE_HZ) - 1
    assert target / gain[after] == pytest.approx(0.8 * (1 - np.exp(-1)), rel=1e-3)
    after = half_seconds + round(0.5 * RATE_HZ) - 1
    assert target / gain[after] == pytest.approx(0.08 + 0.72 * np.exp(-1), rel=1e-3)


def test_automatic_level_evens_out_loud_and_soft_within_its_range():
    channel = replace(QUIET, automatic_level_db=-3.0, automatic_attack_seconds=0.005)
    now = np.arange(3 * RATE_HZ) / RATE_HZ
    peaks = []
    for peak in (0.005, 0.1, 0.9):
        wave = Recording(peak * np.sin(2 * np.pi * 1000.3 * now), RATE_HZ)
        peaks.append(np.abs(play(wave, channel, 0).samples[2 * RATE_HZ :]).max())
    assert peaks[0] == pytest.approx(0.005 * 10, rel=1e-3)  # out of range: the whole 20 dB and no more
    assert peaks[1] == pytest.approx(10 ** (-9 / 20), rel=0.02)
    assert peaks[2] == pytest.approx(peaks[1], rel=0.02)


def test_record_clipping_cuts_at_its_level():
    channel = replace(QUIET, record_clip_level_db=-6.0)
    clipped = play(Recording(np.linspace(-1, 1, 1000), RATE_HZ), channel, 0).samples
    assert clipped.max() == pytest.approx(10 ** (-12 / 20), rel=1e-6)
    assert clipped.min() == -clipped.max()


@pytest.mark.parametrize("share", [0.05, 0.4, 0.8])
def test_time_warp_is_80_db_clean_up_to_0_8_of_the_band_and_does_not_drift(share):
    # 100 s at a speed error: every sample against the sine it must be, so a drift of 1e-8 would show.
    hz = share * RATE_HZ / 2
    speed = 1.017
    tape = Recording(0.5 * np.sin(2 * np.pi * hz * np.arange(100 * RATE_HZ) / RATE_HZ), RATE_HZ)
    replayed = play(tape, replace(QUIET, speed_error_percent=1.7), 0).samples[:, 0]
    ideal = 0.5 * np.sin(2 * np.pi * hz * speed * np.arange(len(replayed)) / RATE_HZ)
    error = (replayed - ideal)[100:-100]
    assert 20 * np.log10(np.abs(error).max() / 0.5) < -80


def test_flutter_moves_no_more_than_its_integral():
    # A place that wanders as A/(2 pi f): 0.5 % at 2 Hz is 398 us; the end of the tape stays where it was.
    channel = replace(QUIET, flutter_tones=(FlutterTone(2.0, 0.5),), flutter_is_weighted=False)
    clicks = np.zeros(60 * RATE_HZ)
    clicks[RATE_HZ :: RATE_HZ // 8] = 1.0
    replayed = play(Recording(clicks, RATE_HZ), channel, 3).samples[:, 0]
    found, _ = scipy.signal.find_peaks(replayed, height=0.5, distance=100)
    wander = (found - np.flatnonzero(clicks)) / RATE_HZ
    assert np.ptp(wander) / 2 == pytest.approx(0.005 / (2 * np.pi * 2), abs=1.1 / RATE_HZ)
    assert abs(len(replayed) - len(clicks)) / RATE_HZ < 2 * 0.005 / (2 * np.pi * 2) + 1 / RATE_HZ


def test_glides_start_and_end_at_rest_and_take_their_time():
    channel = replace(QUIET, start_glide_seconds=0.4, stop_glide_seconds=0.2)
    now = np.arange(2 * RATE_HZ) / RATE_HZ
    replayed = play(Recording(0.5 * np.sin(2 * np.pi * 1000 * now), RATE_HZ), channel, 0)
    # A raised cosine covers half the tape that full speed would.
    assert replayed.seconds == pytest.approx(2.0 + (0.4 + 0.2) / 2, abs=0.001)
    phase = np.unwrap(np.angle(scipy.signal.hilbert(replayed.samples[:, 0].astype(np.float64))))
    speed = np.gradient(phase) * RATE_HZ / (2 * np.pi * 1000)
    assert speed[round(0.2 * RATE_HZ)] == pytest.approx(0.5, abs=0.02)
    assert speed[round(1.0 * RATE_HZ)] == pytest.approx(1.0, abs=0.001)
    assert speed[-round(0.1 * RATE_HZ)] == pytest.approx(0.5, abs=0.02)


def test_print_through_echoes_before_and_after():
    channel = replace(QUIET, print_pre_echo_db=-40.0, print_post_echo_db=-46.0, print_layer_seconds=0.5)
    click = np.zeros(2 * RATE_HZ)
    click[RATE_HZ] = 0.8
    heard = play(Recording(click, RATE_HZ), channel, 0).samples[:, 0]
    assert np.flatnonzero(heard).tolist() == [RATE_HZ // 2, RATE_HZ, RATE_HZ + RATE_HZ // 2]
    echoes_db = 20 * np.log10(heard[[RATE_HZ // 2, RATE_HZ + RATE_HZ // 2]] / 0.8)
    np.testing.assert_allclose(echoes_db, (-40, -46), atol=1e-4)


def test_tilt_is_straight_and_turns_about_1_khz():
    channel = replace(QUIET, tilt_db_per_octave=-3.0)
    now = np.arange(2 * RATE_HZ) / RATE_HZ
    wave = sum(0.1 * np.sin(2 * np.pi * hz * now) for hz in (500, 1000, 2000))
    lines = np.abs(np.fft.rfft(play(Recording(wave, RATE_HZ), channel, 0).samples[4000:12000, 0]))
    gains_db = 20 * np.log10(lines[[500, 1000, 2000]] / (0.1 * RATE_HZ / 2))
    np.testing.assert_allclose(gains_db, (3, 0, -3), atol=0.02)


def test_dropouts_come_at_their_average_rate():
    channel = replace(QUIET, dropouts_per_minute=30.0)
    places = draw_dropouts(3600.0, channel, np.random.default_rng(1))
    assert len(places) == pytest.approx(1800, abs=4 * np.sqrt(1800))  # Poisson
    assert np.all(np.diff(places) >= 0)
    assert places[0] >= 0
    assert places[-1] <= 3600


def test_overlapping_dropouts_are_no_deeper_and_those_off_the_tape_do_nothing():
    channel = replace(QUIET, dropout_depth_db=20.0, dropout_seconds=0.02)
    flat = np.ones((1, RATE_HZ), np.float32)
    faded = apply_dropouts(flat, RATE_HZ, [-1.0, 0.0, 0.5, 0.505, 0.51, 1.5], channel)
    assert faded.min() == pytest.approx(0.1, rel=1e-5)
    assert faded[0, 0] == pytest.approx(0.1, rel=1e-5)
    deep = np.flatnonzero(faded[0, 1000:] < 0.11) + 1000
    assert np.ptp(deep) + 1 == len(deep)  # one stretch
    assert len(deep) / RATE_HZ == pytest.approx(0.03, abs=0.0015)


@pytest.mark.parametrize("length", [1, 10, 700, 600_000])
def test_centred_filter_in_blocks_is_plain_convolution(length):
    rng = np.random.default_rng(0)
    samples = rng.standard_normal(length).astype(np.float32)
    taps = rng.standard_normal(101).astype(np.float32)
    whole = np.convolve(samples.astype(np.float64), taps.astype(np.float64))[50 : 50 + length]
    np.testing.assert_allclose(filter_centred(samples, taps), whole, atol=1e-4)


def test_digitise_changes_rate_and_word_and_says_so():
    now = np.arange(RATE_HZ) / RATE_HZ
    captured = digitise(Recording(0.5 * np.sin(2 * np.pi * 440 * now), RATE_HZ), rate_hz=6000, bits=8)
    assert captured.rate_hz == 6000
    assert len(captured.samples) == 6000
    np.testing.assert_array_equal(captured.samples * 128, np.rint(captured.samples * 128))
    assert captured.history == ("resampled to 6000 Hz", "rounded to 8 bits")
    clipped = digitise(captured, clip_level_dbfs=-20.0)
    assert np.abs(clipped.samples).max() == pytest.approx(0.1)
    with pytest.raises(UsageError, match="word length is 1"):
        digitise(captured, bits=1)


def test_noise_cannot_be_measured_against_silence_or_outside_the_band():
    with pytest.raises(UsageError, match="silent"):
        add_noise(Recording(np.zeros(100), RATE_HZ), 10.0, band_hz=(0, 1000), seed=0)
    with pytest.raises(UsageError, match="does not lie within 0 to 4000 Hz"):
        add_noise(Recording(np.ones(100), RATE_HZ), 10.0, band_hz=(0, 5000), seed=0)
    with pytest.raises(UsageError, match="finite"):
        add_noise(Recording(np.ones(100), RATE_HZ), float("nan"), band_hz=(0, 1000), seed=0)


def test_codecs_refuse_in_a_sentence(monkeypatch):
    sound = Recording(np.full((400, 2), 0.1), RATE_HZ)
    monkeypatch.setitem(CODECS, "lost", Codec("no_such_encoder", "wav", (8000,), 2, "s16"))
    for name, bit_rate_bps, message in [
        ("wax", None, 'no codec "wax"'),
        ("lost", None, "no lost encoder"),
        ("mulaw", 64_000, "fixed bit rate"),
        ("mp3", -5, "above 0"),
    ]:
        with pytest.raises(UsageError, match=message):
            through_codec(sound, name, bit_rate_bps)
    monkeypatch.setitem(CODECS, "single", Codec("pcm_mulaw", "wav", (8000,), 1, "s16"))
    with pytest.raises(UsageError, match="takes 1 channel"):
        through_codec(sound, "single")
    with pytest.raises(UsageError, match="empty"):
        through_codec(Recording(np.zeros((0, 1)), RATE_HZ), "mulaw")
