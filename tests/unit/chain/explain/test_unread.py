"""The format's own symbols that become no block: a leader alone, no leader, no sync, no bytes."""

from __future__ import annotations

import re

import numpy as np
import pytest

import sounds_of_nothing as sounds
import tapewright as tw
from command_line import BARE_CARD, PROGRAM
from explained import (
    DATA_SECONDS,
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


def test_a_leader_at_which_the_recording_ends():
    stretches = explained(tape()[: place(1.45)])
    assert kinds(stretches) == ["silence", "leader"]
    leader = stretches[1]
    assert leader.stage == "symbols"
    assert leader.span.start_seconds == pytest.approx(LEADER_SECONDS, abs=0.02)
    assert leader.evidence["leader_seconds"] == pytest.approx(0.95, abs=0.02)
    assert "there the recording ends" in leader.text
    assert "record on" in leader.remedy


def test_a_leader_with_nothing_after_it():
    leader = only(explained(np.concatenate((tape()[: place(1.45)], np.zeros(place(0.3))))), "leader")
    assert leader.span.end_seconds == pytest.approx(1.45, abs=0.02)
    assert "no start of a block after it" in leader.text


def test_a_leader_that_was_cut_off_together_with_the_sync():
    stretches = explained(tape()[place(1.6) :])
    assert kinds(stretches) == ["no-leader", "silence"]
    lost = stretches[0]
    assert lost.stage == "bytes"  # they have their start and stop bits, but nobody knows what they are
    assert "no leader" in lost.text
    assert "bytes" in lost.text
    assert lost.span.end_seconds == pytest.approx(END_SECONDS - 1.6, abs=0.02)
    assert "from before the leader" in lost.remedy


def test_a_sync_that_was_recorded_over():
    def tone(samples: np.ndarray) -> None:
        samples[:] = 0.6 * np.sin(2 * np.pi * 2400 * np.arange(len(samples)) / RATE_HZ)

    stretches = explained(changed(tone, DATA_SECONDS - 0.01, DATA_SECONDS + 0.03))
    assert kinds(stretches) == ["silence", "no-sync", "silence"]
    lost = stretches[1]
    assert lost.stage == "bytes"
    assert "sync not found: sync AA 0F" in lost.text
    assert lost.span.start_seconds == pytest.approx(LEADER_SECONDS, abs=0.02)
    assert lost.span.end_seconds == pytest.approx(END_SECONDS, abs=0.02)


def test_framing_that_is_lost_says_when():
    chance = np.random.default_rng(7).choice([1200.0, 2400.0], 600)  # bits of the same tones, and no bytes
    tones = np.repeat(chance, round(RATE_HZ / 1200))
    bits = 0.6 * np.sin(2 * np.pi * np.cumsum(tones) / RATE_HZ)
    # the leader, then bytes from the middle of the block, so without the sync
    lost = only(
        explained(np.concatenate((tape()[: place(1.49)], tape()[place(1.6) : place(2.3)], bits))), "no-sync"
    )
    assert lost.stage == "bytes"
    assert re.search(r"after it 8\d bytes, until framing is lost at 2\.[12]\d s", lost.text)


def test_a_steady_sound_of_one_symbol_is_no_leader():
    stretches = explained(sounds.tone(2.0, 1200))
    assert kinds(stretches) == ["no-leader"]
    assert stretches[0].stage == "symbols"
    assert "steady sound" in stretches[0].text


def test_another_format_of_the_same_tones():
    recording = tw.synthesize(PROGRAM[:40], format="kcs-1200")
    stretches = explained(recording.samples[:, 0])
    lost = only(stretches, "no-sync")
    assert lost.span.seconds > 5  # the leader alone lasts 5 s
    assert "sync not found" in lost.text


def test_idle_tone_after_a_block_is_no_fault():
    tone = 0.6 * np.sin(2 * np.pi * 2400 * np.arange(place(6.0)) / RATE_HZ)
    samples = np.concatenate((tape()[: place(END_SECONDS)], tone))
    stretches = explained(samples)
    assert kinds(stretches) == ["silence", "good", "idle"]
    assert stretches[-1].remedy is None


def test_bytes_too_few_to_be_told_from_chance():
    recording = tw.synthesize(b"\x5a", format=card(BARE_CARD))
    stretches = explained(recording.samples[:, 0], format=card(BARE_CARD))
    assert kinds(stretches)[1] in ("no-block", "leader")
    assert "a leader of 1" in stretches[1].text
