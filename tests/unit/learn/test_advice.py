"""What to record next: a recording on which the descriptions that are left really differ."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from made_up_saves import findings, framing_of, program, trainer
from tapewright.learn.advice import advise
from tapewright.learn.known import Known
from tapewright.learn.predict import block_numbers, part_bytes
from tapewright.learn.programs import Program

ONE = [Known(program(1, 100), 0x0243)]
TWO = [*ONE, Known(program(2, 61), 0x1357)]
THREE = [*TWO, Known(program(3, 300), 0x2468)]


def test_nothing_is_asked_for_where_nothing_is_open() -> None:
    assert advise(findings(THREE, trainer)) == ()


def test_a_length_that_may_be_one_byte_asks_for_more_than_255() -> None:
    (suggestion,) = advise(findings(TWO, trainer))
    assert suggestion.program is not None
    assert len(suggestion.program.data) > 255
    assert f"{len(suggestion.program.data)} bytes" in suggestion.words
    assert set(suggestion.settles) == {"header field length", "blocks", "check"}


def test_an_address_of_two_equal_bytes_asks_for_one_of_two_different_ones() -> None:
    first = advise(findings([Known(program(1, 300), 0x0303)], trainer))[0]
    assert "header field start" in first.settles
    assert first.program is not None
    assert first.program.start is not None
    assert first.program.start >> 8 != first.program.start & 0xFF
    assert f"{first.program.start:04X}" in first.words


def test_bytes_below_80_ask_for_bytes_above_where_seven_bits_may_do() -> None:
    texts = [Known(b"ALL OF THIS IS TEXT, EVERY BYTE OF IT " * 8, 0x0243)]
    seven = framing_of(1, bits=7, start="0", stop="11")
    suggestions = advise(findings(texts, trainer, [framing_of(1, start="0", stop="1"), seven]))
    settling = [one for one in suggestions if "framing" in one.settles]
    assert settling
    assert settling[0].program is not None
    assert max(settling[0].program.data) > 0x7F


def test_the_length_of_a_name_asks_for_a_long_one() -> None:
    def write(known: Known) -> tuple[bytes, bytes]:
        head, tail = trainer(known)
        assert known.name is not None
        return head + known.name.encode().ljust(8), tail

    named = [replace(known, name=name) for known, name in zip(THREE, ["LAMP", "STAR", "MOON"], strict=True)]
    suggestions = advise(findings(named, write))
    settling = [one for one in suggestions if "header field name" in one.settles]
    assert settling
    assert settling[0].program is not None
    assert settling[0].program.name is not None
    assert len(settling[0].program.name) >= 8


def test_a_name_nobody_said_is_asked_for_before_anything_is_recorded() -> None:
    def write(known: Known) -> tuple[bytes, bytes]:
        head, tail = trainer(known)
        return head + b"LAMP    ", tail

    first = advise(findings(TWO, write))[0]
    assert "--name" in first.words
    assert first.program is None


def test_addresses_nobody_said_are_asked_for() -> None:
    found = findings(TWO, trainer)
    unsaid = [replace(known, start=None) for known in TWO]
    first = advise(replace(found, knowns=unsaid, starts_lead_bits=3.0))[0]
    assert "--start" in first.words
    assert first.settles == ("addresses",)


def test_a_check_heard_once_asks_for_a_program_whose_check_is_another() -> None:
    known = Known(program(4, 300), 0x0243)
    suggestions = advise(findings([known], trainer))
    settling = [one for one in suggestions if "check" in one.settles]
    assert settling
    proposed = settling[0].program
    assert proposed is not None
    again = Known(proposed.data, proposed.start)
    assert trainer(again)[1] != trainer(known)[1]


def test_rivals_of_a_check_ask_for_a_program_on_which_they_differ() -> None:
    """An address whose bytes add up to 256 hides whether the sum covers it."""
    known = [Known(program(5, 300), 0x01FF), Known(program(6, 300), 0x02FE)]

    def write(save: Known) -> tuple[bytes, bytes]:
        assert save.start is not None
        return b"\xa6\x1c" + save.start.to_bytes(2, "little") + b"\x2c\x01", bytes([sum(save.data) % 256])

    suggestions = advise(findings(known, write))
    settling = [one for one in suggestions if "check" in one.settles]
    assert settling
    proposed = settling[0].program
    assert proposed is not None
    assert proposed.start is not None
    fields = proposed.start.to_bytes(2, "little") + len(proposed.data).to_bytes(2, "little")
    # both recorded addresses add up to 256 or 0, and 012Ch to 2Dh
    assert (sum(fields) - 0x2D) % 256 != 0


def test_a_check_that_may_be_wider_asks_for_a_program_with_a_larger_sum() -> None:
    """One whose sum begins with another upper byte than all that were heard."""

    def summed(save: Known) -> int:
        return 0x4610 + sum(address(save))

    def address(save: Known) -> bytes:
        assert save.start is not None
        return save.start.to_bytes(2, "little")

    found = findings(THREE, lambda save: (b"\xa6" + address(save) + summed(save).to_bytes(2, "big"), b""))
    assert {summed(known) >> 8 for known in THREE} == {0x46}
    settling = [one for one in advise(found) if "check" in one.settles]
    assert settling
    proposed = settling[0].program
    assert proposed is not None
    assert summed(Known(proposed.data, proposed.start)) >> 8 != 0x46


@given(
    length=st.integers(1, 700),
    start=st.integers(0, 0xFFFF - 700),
    name=st.text(st.characters(min_codepoint=0x20, max_codepoint=0x7E), min_size=3, max_size=6),
    seed=st.integers(0, 1000),
)
@settings(max_examples=25, deadline=None)
def test_what_is_predicted_of_a_program_is_what_its_machine_writes(
    length: int, start: int, name: str, seed: int
) -> None:
    def write(known: Known) -> tuple[bytes, bytes]:
        assert known.start is not None
        assert known.name is not None
        end = known.start + len(known.data) - 1
        fields = known.start.to_bytes(2, "big") + end.to_bytes(2, "big")
        return b"\x16\x16\x2a" + known.name.encode().ljust(6) + fields, b""

    named = [replace(known, name=name) for known, name in zip(THREE, ["LAMP", "STAR", "MOON"], strict=True)]
    (kind,) = findings(named, write).kinds
    data = np.random.default_rng(seed).integers(0, 256, length).astype(np.uint8).tobytes()
    saved = Program(data, start, name)
    (numbers,) = block_numbers(saved, None, has_data=True)
    predicted = b"".join(part_bytes(item.part, numbers, saved) for item in kind.head)
    assert predicted == write(Known(data, start, name))[0]


@pytest.mark.parametrize("size, counts", [(None, [300]), (128, [128, 128, 44]), (300, [300])])
def test_programs_are_cut_as_the_rules_say(size: int | None, counts: list[int]) -> None:
    numbers = block_numbers(Program(program(1, 300), 0x0200), size, has_data=True)
    assert [known["length"] for known in numbers] == counts
    assert [known["start"] for known in numbers] == [0x0200 + sum(counts[:k]) for k in range(len(counts))]
    assert [known["is_last"] for known in numbers] == [0] * (len(counts) - 1) + [1]
    assert [known["remaining"] for known in numbers] == [sum(counts[k + 1 :]) for k in range(len(counts))]
