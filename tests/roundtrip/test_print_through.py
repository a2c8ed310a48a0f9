"""Faint copies from the next turn of tape are no programs; faint programs are."""

from __future__ import annotations

import numpy as np
import pytest

import tapewright as tw
from tapewright.chain.explain import explain

RATE_HZ = 44_100
#: Of one turn of tape.
TURN_SECONDS = 1.3
PROGRAM, OTHER = (np.random.default_rng(seed).integers(0, 256, 80, np.uint8).tobytes() for seed in (1, 2))


def tape(card: str, program: bytes = PROGRAM) -> np.ndarray:
    sound = tw.synthesize(program, format=card, start=0x9000, rate_hz=RATE_HZ).samples[:, 0]
    return np.pad(sound, RATE_HZ * 2)


def heard(sound: np.ndarray, card: str) -> tw.Reading:
    hiss = np.random.default_rng(3).standard_normal(len(sound))
    return tw.read(tw.Recording((sound + 0.006 * hiss).astype(np.float32), RATE_HZ), format=card)


def shifted(sound: np.ndarray, seconds: float, level_db: float) -> np.ndarray:
    return 10 ** (level_db / 20) * np.roll(sound, round(seconds * RATE_HZ))  # ends in silence


@pytest.mark.parametrize("card", ["kcs-300", "heron-cycle-1600", "sorrel-step-1200", "larch-biphase-l-2000"])
def test_print_through_30_db_down_is_passed_over(card):
    sound = tape(card)
    printed = sound + shifted(sound, TURN_SECONDS, -30.0) + shifted(sound, -TURN_SECONDS, -32.0)
    reading = heard(printed, card)
    assert [(piece.address, piece.data) for piece in reading.image] == [
        (piece.address, piece.data) for piece in heard(sound, card).image
    ]
    assert [piece.data for piece in reading.image] == [PROGRAM]
    assert not reading.damaged


def test_print_through_is_told_with_its_level_and_distance():
    sound = tape("kcs-300")
    reading = heard(sound + shifted(sound, TURN_SECONDS, -30.0), "kcs-300")
    (fault,) = [fault for fault in reading.faults if fault.kind == "print-through"]
    assert "heard 1.3 s before it" in fault.text
    end = heard(sound, "kcs-300").blocks[-1].span.end_seconds
    assert fault.span is not None
    assert end - 0.1 < fault.span.start_seconds < fault.span.end_seconds < end + TURN_SECONDS + 0.1


def test_explaining_tells_where_the_copy_was():
    sound = tape("heron-cycle-1600")
    recording = tw.Recording((sound + shifted(sound, TURN_SECONDS, -30.0)).astype(np.float32), RATE_HZ)
    card = tw.load_format("heron-cycle-1600")
    stretches = explain(recording, card, tw.read(recording, format=card))
    (printed,) = [one for one in stretches if one.kind == "print-through"]
    assert [one.kind for one in stretches if one.span.start_seconds < printed.span.start_seconds][
        -1
    ] == "good"


@pytest.mark.parametrize("card", ["kcs-300", "bell-202-1200", "reed-pwm-1500", "larch-biphase-l-2000"])
def test_a_leader_printed_through_before_it_began_is_told_and_no_part_of_its_block(card):
    sound = tape(card)
    printed = heard(sound + shifted(sound, -TURN_SECONDS, -30.0), card)
    (fault,) = [fault for fault in printed.faults if fault.kind == "print-through"]
    assert "heard 1.3 s after it" in fault.text
    leader = heard(sound, card).blocks[0].span.start_seconds
    assert fault.span is not None
    assert fault.span.start_seconds == pytest.approx(leader - TURN_SECONDS, abs=0.05)
    assert fault.span.end_seconds == pytest.approx(leader, abs=0.05)
    assert printed.blocks[0].span.start_seconds == pytest.approx(leader, abs=0.05)
    assert [piece.data for piece in printed.image] == [PROGRAM]


def test_explaining_tells_both_directions_alike():
    sound = tape("kcs-300")
    printed = sound + shifted(sound, TURN_SECONDS, -30.0) + shifted(sound, -TURN_SECONDS, -30.0)
    hiss = 0.0005 * np.random.default_rng(3).standard_normal(len(sound))
    recording = tw.Recording((printed + hiss).astype(np.float32), RATE_HZ)
    card = tw.load_format("kcs-300")
    kinds = [one.kind for one in explain(recording, card, tw.read(recording, format=card))]
    assert kinds == ["silence", "print-through", "unchecked", "print-through", "silence"]


def test_a_leader_whose_level_dropped_for_a_while_is_no_copy():
    sound = tape("kcs-300")
    sound[RATE_HZ * 4 : RATE_HZ * 11 // 2] *= 10 ** (-28 / 20)
    reading = heard(sound, "kcs-300")
    assert [piece.data for piece in reading.image] == [PROGRAM]
    assert "print-through" not in {fault.kind for fault in reading.faults}


def test_a_faint_program_of_its_own_right_after_a_loud_one_is_read():
    sound = np.concatenate((tape("kcs-300")[: -RATE_HZ * 3 // 2], 10 ** (-28 / 20) * tape("kcs-300", OTHER)))
    reading = heard(sound, "kcs-300")
    assert [block.data for block in reading.blocks] == [PROGRAM, OTHER]
    assert "print-through" not in {fault.kind for fault in reading.faults}
