"""Sound that is not of the format: what it is said to be, and at which speed it would be the format."""

from __future__ import annotations

import numpy as np
import pytest

import sounds_of_nothing as sounds
import tapewright as tw
from command_line import BARE_CARD, PROGRAM
from explained import RATE_HZ, assert_tiled, card, explained, kinds, only, place, tape
from tapewright.chain import explain

RNG = np.random.default_rng(11)


@pytest.mark.parametrize(
    "sound, kind, word, stage",
    [
        (sounds.silence(3.0), "silence", "silence", "silence"),
        (sounds.white_noise(3.0), "noise", "noise", "sound"),
        (sounds.hum(3.0), "hum", "mains hum: 50 Hz", "sound"),
        (sounds.music(3.0), "other", "speech or music", "sound"),
        (sounds.speech(2.7), "other", "speech or music", "sound"),
        (sounds.tone(3.0, 1000), "tone", "a steady tone of 1000 Hz", "sound"),
        (5e-3 * sounds.white_noise(3.0), "quiet", "too faint", "sound"),
        (np.clip(30 * sounds.music(3.0), -1, 1), "clipped", "overdriven", "sound"),
    ],
    ids=["silence", "noise", "hum", "music", "speech", "tone", "faint noise", "overdriven music"],
)
def test_what_holds_no_program_is_called_what_it_is(sound, kind, word, stage):
    (stretch,) = explained(sound)
    assert (stretch.kind, stretch.stage) == (kind, stage)
    assert word in stretch.text
    assert (stretch.remedy is None) == (kind == "silence")


def test_hum_of_60_hz_is_told_from_hum_of_50_hz():
    now = np.arange(place(2.0)) / RATE_HZ
    hum = 0.1 * np.sin(2 * np.pi * 60 * now) + 0.03 * np.sin(2 * np.pi * 180 * now)
    (stretch,) = explained(hum + 0.002 * RNG.standard_normal(len(now)))
    assert "60 Hz" in stretch.text
    assert stretch.evidence["hum_hz"] == 60


def test_sounds_one_after_another_are_told_apart_and_where():
    joined = np.concatenate(
        (sounds.white_noise(2.0), np.zeros(place(1.0)), sounds.hum(2.0), sounds.music(2.0))
    )
    stretches = explained(joined)
    assert kinds(stretches) == ["noise", "silence", "hum", "other"]
    assert [stretch.span.end_seconds for stretch in stretches] == pytest.approx([2, 3, 5, 7], abs=0.3)
    assert stretches[0].span.end_seconds == pytest.approx(2, abs=0.01)  # silence has sharp edges


@pytest.mark.parametrize("speed", [1.3, 0.72])
def test_a_tape_far_off_speed_is_called_that_with_its_speed(speed):
    stretches = explained(tape(), rate_hz=RATE_HZ * speed)
    assert kinds(stretches) == ["silence", "speed", "silence"]
    wrong = stretches[1]
    assert wrong.evidence["speed"] == pytest.approx(speed, rel=0.01)
    percent = round(100 * abs(speed - 1))
    assert f"{percent} % too {'fast' if speed > 1 else 'slow'}" in wrong.text
    assert wrong.span.start_seconds == pytest.approx(0.5 / speed, abs=0.03)
    assert "speed" in wrong.remedy


def test_what_the_reading_passed_over_is_told_all_the_same():
    """However it came to be passed over: here the reading is one of nothing but silence."""
    recording = tw.Recording(tape().astype(np.float32), RATE_HZ)
    silence = tw.read(tw.Recording(np.zeros_like(recording.samples), RATE_HZ), format=card())
    stretches = explain(recording, card(), silence)
    assert kinds(stretches) == ["silence", "passed-over", "silence"]
    assert stretches[1].evidence["speed"] == pytest.approx(1.0, abs=0.005)
    assert "passed over" in stretches[1].text
    assert "a sound file of its own" in stretches[1].remedy


def test_a_steady_tone_says_at_which_speed_it_would_be_the_leader():
    (stretch,) = explained(sounds.tone(2.0, 1.3 * 2400))
    assert stretch.kind == "tone"
    assert "3120 Hz: this format's leader (2400 Hz) if the tape ran 30 % too fast" in stretch.text
    assert stretch.evidence["speed"] == pytest.approx(1.3, abs=0.005)


def test_data_of_another_format_is_not_called_speech():
    recording = tw.synthesize(PROGRAM * 2, format="v21-300")
    stretches = explained(recording.samples[:, 0])
    assert kinds(stretches)[:3] == ["silence", "tone", "other"]
    assert "980 Hz" in stretches[1].text  # the mark of V.21, channel 1, in which the leader is sent
    assert "most likely data of another one" in stretches[2].text


def test_noise_beside_a_program_is_silence_to_an_owner():
    hiss = 0.005 * RNG.standard_normal(len(tape()))
    stretches = explained(tape() + hiss)
    assert kinds(stretches) == ["silence", "good", "silence"]
    assert "noise 46 dB below full scale" in stretches[0].text  # 20 log 0.005


def test_of_two_channels_without_a_program_the_one_with_sound_is_explained():
    samples = np.stack((np.zeros(place(2.0)), sounds.hum(2.0)), axis=1)
    recording = tw.Recording(samples.astype(np.float32), RATE_HZ)
    (stretch,) = explain(recording, card(), tw.read(recording, format=card()))
    assert stretch.kind == "hum"


@pytest.mark.parametrize("count", [1, 3, 200, 3000])
def test_recordings_too_short_for_anything(count):
    stretches = explained(0.5 * RNG.standard_normal(count))
    assert len(stretches) == 1


def test_an_empty_recording_has_no_stretches():
    recording = tw.Recording(np.zeros((0, 1), np.float32), RATE_HZ)
    assert explain(recording, card(), tw.read(recording, format=card())) == ()


def test_where_no_format_fits_none_is_spoken_of():
    recording = tw.Recording(sounds.tone(2.0, 700).astype(np.float32), RATE_HZ)
    reading = tw.read(recording, format=[card(), card(BARE_CARD)])
    stretches = explain(recording, card(), reading)
    assert_tiled(stretches, recording.seconds)
    assert only(stretches, "tone").text == "a steady tone of 700 Hz"
