"""Blocks, good and hurt: what became of them, where they were lost, and why."""

from __future__ import annotations

import re

import numpy as np
import pytest
from scipy import signal

import tapewright as tw
from command_line import BARE_CARD, PROGRAM, START
from explained import (
    END_SECONDS,
    LEADER_SECONDS,
    RATE_HZ,
    card,
    changed,
    explained,
    kinds,
    only,
    place,
    tape,
)
from tapewright import channel


def test_a_good_tape_is_silence_a_good_block_and_silence():
    stretches = explained(tape())
    assert kinds(stretches) == ["silence", "good", "silence"]
    good = stretches[1]
    assert good.stage == "block"
    assert good.span.start_seconds == pytest.approx(LEADER_SECONDS, abs=0.02)
    assert good.span.end_seconds == pytest.approx(END_SECONDS, abs=0.02)
    assert "'TEST'" in good.text
    assert "120 bytes at 0200..0277" in good.text
    assert "check agrees" in good.text
    assert good.remedy is None


def test_silence_within_a_block_is_a_dropout_with_its_length_and_its_bytes():
    def silence(samples: np.ndarray) -> None:
        samples[:] = 0

    stretches = explained(changed(silence, 1.90, 1.93))
    assert kinds(stretches) == ["silence", "check-failed", "dropout", "check-failed", "silence"]
    lost = only(stretches, "dropout")
    assert lost.span.start_seconds == pytest.approx(1.90, abs=0.006)
    assert lost.span.end_seconds == pytest.approx(1.93, abs=0.006)
    assert lost.stage == "silence"
    # 30 ms hold 36 symbols: three bytes and a half, so four or five are touched
    assert re.search(r"the level fell by more than 60 dB for 30 ms, where [45] bytes stood", lost.text)
    assert "clean the heads" in lost.remedy
    assert "check failed" in stretches[1].text
    assert stretches[1].evidence["doubtful_bytes"] in (4, 5)


def test_a_fall_in_level_is_told_in_decibels():
    rng = np.random.default_rng(1)
    hiss = 0.01 * rng.standard_normal(len(tape()))

    def fade(samples: np.ndarray) -> None:
        samples *= 0.0005  # below the hiss

    lost = only(explained(changed(fade, 2.10, 2.16) + 0.1 * hiss), "dropout")
    assert lost.span.start_seconds == pytest.approx(2.10, abs=0.01)
    assert lost.span.end_seconds == pytest.approx(2.16, abs=0.01)
    # down to the hiss, of which the symbols' band lets a part through: 20 log10(0.5 / sqrt(2) / 0.001) = 51
    assert 45 < lost.evidence["fall_db"] < 62
    assert lost.stage == "sound"


def test_a_dropout_of_a_tape_is_found_where_the_channel_put_it():
    image = tw.Image.from_bytes(np.random.default_rng(3).bytes(120), START)
    clean = tw.synthesize(image, format=card(), name="TEST")
    settings = channel.CassetteChannel(
        dropout_at_seconds=(2.2,), dropout_depth_db=30, dropout_seconds=0.03, dropouts_per_minute=0
    )
    played = channel.play(clean, settings, seed=3)
    stretches = explained(played.samples[:, 0])
    lost = only(stretches, "dropout")
    middle = 0.5 * (lost.span.start_seconds + lost.span.end_seconds)
    assert middle == pytest.approx(2.2 / (1 + settings.speed_error_percent / 100), abs=0.02)
    assert lost.evidence["fall_db"] == pytest.approx(30, abs=4)


def test_a_burst_of_noise_is_a_disturbance():
    rng = np.random.default_rng(0)

    def noise(samples: np.ndarray) -> None:
        samples[:] = rng.uniform(-1, 1, len(samples))

    lost = only(explained(changed(noise, 2.00, 2.05)), "disturbance")
    assert lost.span.start_seconds == pytest.approx(2.00, abs=0.015)
    assert lost.span.end_seconds == pytest.approx(2.05, abs=0.015)
    assert "noise" in lost.text
    assert "bytes stood" in lost.text


def at_another_speed(samples: np.ndarray, start: float, speed: float) -> np.ndarray:
    """Let the tape run at another speed from a time on."""
    later = signal.resample_poly(samples[place(start) :], 100, round(100 * speed))
    return np.concatenate((samples[: place(start)], later))


def test_a_jump_of_speed_is_told_with_both_speeds():
    stretches = explained(at_another_speed(tape(), 2.0, 1.08))
    jump = only(stretches, "speed-jump")
    assert jump.span.start_seconds == pytest.approx(2.0, abs=0.04)
    assert jump.evidence["speed_before"] == pytest.approx(1.0, abs=0.01)
    assert jump.evidence["speed_after"] == pytest.approx(1.08, abs=0.01)
    assert "the speed jumps from" in jump.text
    assert "belt" in jump.remedy


def test_another_sound_within_a_block_is_told_although_it_is_no_louder():
    samples = tape().copy()
    now = np.arange(len(samples) - place(2.0)) / RATE_HZ
    samples[place(2.0) :] = 0.6 * np.sin(2 * np.pi * 700 * now)
    stretches = explained(samples)
    assert kinds(stretches)[:3] == ["silence", "cut", "disturbance"]
    cut, other = stretches[1:3]
    assert "from 2.00 s on there is other sound" in cut.text
    assert other.span.start_seconds == pytest.approx(2.0, abs=0.02)
    assert "as loud as the signal" in other.text


def test_a_byte_of_another_program_fails_the_check_although_nothing_is_doubtful():
    other = bytearray(PROGRAM)
    other[60] ^= 0x21
    theirs = tape(bytes(other))
    (differs,) = (np.flatnonzero(tape() != theirs),)
    end = int(differs[differs < differs[0] + place(0.012)].max()) + 1  # that byte, and not the check
    samples = tape().copy()
    samples[:end] = theirs[:end]
    stretches = explained(samples)
    assert kinds(stretches) == ["silence", "check-failed", "silence"]
    assert "check failed, although no byte stands out" in stretches[1].text
    assert stretches[1].stage == "block"
    assert stretches[1].remedy is not None


def test_doubtful_bytes_are_told_with_their_addresses():
    def silence(samples: np.ndarray) -> None:
        samples[:] = 0

    (whole, _) = (s for s in explained(changed(silence, 2.0, 2.02)) if s.kind == "check-failed")
    first, last = re.search(r"doubtful, at (\w{4})\.\.(\w{4})", whole.text).groups()
    # the data starts after sync, name, start and length: 12 bytes of ten symbols
    byte = int((2.0 - 1.5) * 1200 / 10) - 12
    assert START + byte - 1 <= int(first, 16) <= START + byte + 1
    assert 1 <= int(last, 16) - int(first, 16) <= 3


def test_a_recording_that_ends_within_a_block_says_so():
    stretches = explained(tape()[: place(2.2)])
    assert kinds(stretches) == ["silence", "cut"]
    cut = stretches[-1]
    assert cut.stage == "bytes"
    assert "the recording ends at 2.20 s" in cut.text
    assert "record on" in cut.remedy


def test_a_block_whose_signal_goes_away_says_where_the_level_falls():
    samples = np.concatenate((tape()[: place(2.2)], np.zeros(RATE_HZ)))
    hiss = 1e-4 * np.random.default_rng(2).standard_normal(len(samples))
    stretches = explained(samples + hiss)
    assert kinds(stretches) == ["silence", "cut", "dropout"]
    assert re.search(r"the level falls by more than 60 dB at 2\.[12]\d s and does not", stretches[1].text)
    assert stretches[1].span.end_seconds == pytest.approx(2.2, abs=0.02)
    assert stretches[1].stage == "bytes"


def test_a_format_without_a_check_vouches_for_nothing():
    recording = tw.synthesize(PROGRAM, format=card(BARE_CARD))
    stretches = explained(recording.samples[:, 0], format=card(BARE_CARD))
    assert kinds(stretches) == ["silence", "unchecked", "silence"]
    assert "no check" in stretches[1].text


@pytest.mark.parametrize(
    "start, end, words",
    [(0.0, 2.0, "as the recording ends"), (1.8, 3.4, "the leader before the bytes")],
    ids=["end", "beginning"],
)
def test_where_nothing_counts_the_bytes_a_block_that_was_cut_says_so(start, end, words):
    samples = tw.synthesize(PROGRAM, format=card(BARE_CARD)).samples[:, 0]
    (block,) = (
        s for s in explained(samples[place(start) : place(end)], format=card(BARE_CARD)) if s.stage == "block"
    )
    # with its leader gone, a start bit is not sure to be one until the bytes after it agree
    assert block.kind in ("unchecked", "doubtful")
    assert words in block.text
    assert "bytes may be missing" in block.text
    assert block.remedy.startswith("record ")


def test_a_lost_symbol_makes_what_follows_doubtful_where_bytes_have_no_start():
    image = tw.Image.from_bytes(np.random.default_rng(3).bytes(200), START)
    samples = tw.synthesize(image, format="thistle-burst-320").samples[:, 0].astype(np.float64)
    samples[place(6.5) : place(6.53)] *= 0.02
    stretches = explained(samples, format="thistle-burst-320")
    lost = only(stretches, "dropout")
    assert lost.span.start_seconds == pytest.approx(6.5, abs=0.02)
    assert "from there on are doubtful" in lost.text


def test_a_block_that_must_have_been_there_is_missing():
    program = bytes(k % 251 for k in range(300))
    recording = tw.synthesize(tw.Image.from_bytes(program, START), format="mallow-fsk-600")
    gone = tw.read(recording, format="mallow-fsk-600").blocks[2].span
    samples = recording.samples[:, 0].copy()
    samples[place(gone.start_seconds) : place(gone.end_seconds)] = 0
    missing = only(explained(samples, format="mallow-fsk-600"), "missing")
    assert missing.span.start_seconds == pytest.approx(gone.start_seconds, abs=0.1)
    assert missing.span.end_seconds >= gone.end_seconds - 0.1
    assert "not heard" in missing.text
    assert "0280..02FF" in missing.text


def test_what_lies_between_two_blocks_is_part_of_neither():
    hum = 0.1 * np.sin(2 * np.pi * 50 * np.arange(place(2.0)) / RATE_HZ)
    stretches = explained(np.concatenate((tape(), hum, tape())))
    assert kinds(stretches) == ["silence", "good", "silence", "hum", "silence", "good", "silence"]
    assert stretches[3].span.start_seconds == pytest.approx(len(tape()) / RATE_HZ, abs=0.03)
    assert stretches[3].span.seconds == pytest.approx(2.0, abs=0.05)
