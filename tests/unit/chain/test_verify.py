"""The verdict before the switch is turned off, on tapes with several copies and with parts missing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from command_line import BARE_CARD, QUICK_CARD
from tapewright.cards import FormatCard, parse_card
from tapewright.chain import compare_with, synthesize, verify
from tapewright.model import Image, ImageError, Range, Recording

PROGRAM = np.random.default_rng(51).integers(0, 256, 60).astype(np.uint8).tobytes()
IMAGE = Image.from_bytes(PROGRAM, 0x200)
#: The same with a header, then blocks.
CUT_CARD = """
[[block]]
kind = "header"
load = "start"
layout = [
  { lead = "1", seconds = 1.0, at_least = 0.2 },
  { sync = "aa 0f" },
  { field = "start", type = "u16-le" },
  { field = "total", type = "u16-le" },
  { check = "sum8", over = ["start", "total"] },
  { lead = "1", seconds = 0.1 },
]
[[block]]
kind = "data"
after = "header"
size = 20
total = "total"
layout = [
  { lead = "1", seconds = 0.3, at_least = 0.1 },
  { sync = "aa f0" },
  { field = "length", type = "u8" },
  { data = "length" },
  { check = "sum8", over = ["length", "data"] },
  { lead = "1", seconds = 0.1 },
]
"""


@pytest.fixture(scope="module")
def quick() -> FormatCard:
    return parse_card(QUICK_CARD, FormatCard, "quick.toml")


@pytest.fixture(scope="module")
def cut() -> FormatCard:
    text = QUICK_CARD[: QUICK_CARD.index("[[block]]")] + CUT_CARD
    return parse_card(text.replace("quick-test", "cut-test"), FormatCard, "cut.toml")


def silenced(tape: Recording, *stretches: tuple[float, float]) -> Recording:
    samples = tape.samples.copy()
    for start, end in stretches:
        samples[round(start * tape.rate_hz) : round(end * tape.rate_hz)] = 0
    return Recording(samples, tape.rate_hz)


def test_a_bad_copy_does_not_matter_where_a_good_one_vouches_for_every_byte(quick: FormatCard) -> None:
    tape = synthesize(IMAGE, format=quick, copies=2)
    verdict = verify(silenced(tape, (1.80, 1.85)), IMAGE, format=quick)
    assert [block.check for block in verdict.reading.blocks] == ["bad", "ok"]
    assert verdict.safe
    assert verdict.sentence.startswith("All 60 bytes are on the tape, and its own check agrees")


def test_two_bad_copies_are_safe_where_together_they_pass_the_check(quick: FormatCard) -> None:
    tape = synthesize(IMAGE, format=quick, copies=2)
    second = tape.seconds / 2 + 0.75  # the second copy is the first, moved by half of all but the silence
    verdict = verify(silenced(tape, (1.80, 1.85), (second + 1.4, second + 1.44)), IMAGE, format=quick)
    assert sorted(block.check for block in verdict.reading.blocks) == ["bad", "repaired"]
    assert verdict.safe


def test_a_check_that_fails_over_good_bytes_is_not_said_to_be_about_no_bytes(quick: FormatCard) -> None:
    tape = synthesize(IMAGE, format=quick)
    last = verify(tape, IMAGE, format=quick).reading.blocks[0].byte_seconds[-1]
    # the check alone is silent: it stands after the last byte, and a byte takes 10 bits of 1/1200 s
    verdict = verify(silenced(tape, (last + 0.0095, last + 0.0155)), IMAGE, format=quick)
    assert not verdict.safe
    assert verdict.comparison.equal
    assert "do NOT switch the machine off" in verdict.sentence
    assert " 0 bytes" not in verdict.sentence


def test_a_block_that_is_gone_makes_the_tape_unsafe(cut: FormatCard) -> None:
    tape = synthesize(IMAGE, format=cut)
    whole = verify(tape, IMAGE, format=cut)
    assert whole.safe
    for lost in whole.reading.blocks:
        span = lost.span
        verdict = verify(silenced(tape, (span.start_seconds, span.end_seconds)), IMAGE, format=cut)
        assert not verdict.safe
        assert not verdict.reading.verified
        assert verdict.reading.damaged
        assert "do NOT switch the machine off" in verdict.sentence
        assert " 0 bytes" not in verdict.sentence
        if lost.data:
            assert verdict.sentence.startswith("20 bytes of the program could not be found on the tape: ")


def test_a_recording_without_addresses_is_called_so() -> None:
    bare = parse_card(BARE_CARD, FormatCard, "bare.toml")
    tape = synthesize(IMAGE, format=bare)
    verdict = verify(tape, IMAGE, format=bare)
    assert verdict.safe
    assert verdict.comparison.notes == (
        "the recording has no address; taken to start at 0200 like the program file",
    )
    two = Image.of([Range(0x200, PROGRAM[:20]), Range(0x300, PROGRAM[20:])])
    with pytest.raises(ImageError, match="the recording has no address and the program file has 2 ranges"):
        verify(tape, two, format=bare)


def test_a_program_file_without_addresses_is_called_so(quick: FormatCard) -> None:
    verdict = verify(synthesize(IMAGE, format=quick), PROGRAM, format=quick)
    assert verdict.safe
    assert verdict.comparison.notes == (
        "the program file has no address; taken to start at 0200 like the recording",
    )


def test_bytes_that_lost_their_address_are_left_out_and_told(quick: FormatCard) -> None:
    reading = verify(synthesize(IMAGE, format=quick), IMAGE, format=quick).reading
    torn = replace(
        reading,
        image=Image((Range(0x200, PROGRAM[:40]), Range(None, PROGRAM[40:]))),
        image_confidence=(np.ones(40), np.ones(20)),
    )
    found = compare_with(IMAGE, torn)
    assert found.only_a == (Range(0x200 + 40, PROGRAM[40:]),)
    assert not found.equal
    assert found.notes == (
        "what says where 20 bytes of the recording belong was not found, so they were left out",
    )


@pytest.mark.parametrize("address", [0x200, None])
def test_bytes_nobody_heard_neither_differ_nor_agree(quick: FormatCard, address: int | None) -> None:
    program = Image.from_bytes(PROGRAM[:20] + bytes(10) + PROGRAM[30:], 0x200)
    reading = verify(synthesize(program, format=quick), program, format=quick).reading
    # of the last of the zeros to some bytes after them nothing was heard: they are 00 to keep their places
    unheard = PROGRAM[:20] + bytes(15) + PROGRAM[35:]
    sure = np.ones(60)
    sure[28:35] = 0
    torn = replace(reading, image=Image.from_bytes(unheard, address), image_confidence=(sure,))
    found = compare_with(program, torn)
    assert not found.differences
    assert found.common_bytes == 53
    assert found.only_a == (Range(0x200 + 28, bytes(2) + PROGRAM[30:35]),)
    assert not found.only_b


def test_a_dropout_is_told_as_bytes_not_found_and_not_as_zeros_on_the_tape(quick: FormatCard) -> None:
    zeros = Image.from_bytes(bytes(60), 0x200)
    tape = synthesize(zeros, format=quick)
    verdict = verify(silenced(tape, (1.60, 1.70)), zeros, format=quick)
    assert not verdict.safe
    assert not verdict.comparison.equal  # though what stands in for the bytes is what should be there
    assert "could not be found on the tape" in verdict.sentence


def test_doubtful_bytes_are_told_where_the_program_belongs_though_the_tape_has_no_address() -> None:
    bare = parse_card(BARE_CARD, FormatCard, "bare.toml")
    tape = synthesize(IMAGE, format=bare)
    middle = 0.5 + 1.0 + 30 * 10 / 1200  # byte 30 begins there
    verdict = verify(silenced(tape, (middle, middle + 0.02)), IMAGE, format=bare)
    assert verdict.doubtful
    assert set(verdict.doubtful) <= set(range(0x200 + 28, 0x200 + 34))


def test_bytes_the_program_does_not_have_are_not_called_differing_ones(quick: FormatCard) -> None:
    longer = Image.from_bytes(PROGRAM + b"\x01\x02", 0x200)
    sentence = verify(synthesize(longer, format=quick), IMAGE, format=quick).sentence
    assert sentence.startswith("The tape has 2 bytes where the program has none: do NOT switch")
    moved = Image.from_bytes(PROGRAM[10:] + b"\x01\x02", 0x20A)
    sentence = verify(synthesize(moved, format=quick), IMAGE, format=quick).sentence
    assert (
        "has 2 bytes where the program has none, and 10 bytes of the program could not be found" in sentence
    )
