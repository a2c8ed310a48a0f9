"""Bytes of a program, as they stand on tape and back."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapewright.learn.known import CODINGS, as_held, as_sent


@pytest.mark.parametrize("coding", CODINGS)
@given(data=st.binary())
def test_what_is_sent_is_held_again(coding: str, data: bytes) -> None:
    assert as_held(as_sent(data, coding), coding) == data


def test_hexadecimal_characters_are_two_digits_each_high_one_first() -> None:
    assert as_sent(b"\x0a\xf1", "hex") == b"0AF1"


@pytest.mark.parametrize("sent, held", [(b"41\r", b"\x41"), (b"41F", b"\x41"), (b"\r41", b""), (b"4a", b"")])
def test_characters_are_taken_for_bytes_as_far_as_they_are_whole_ones(sent: bytes, held: bytes) -> None:
    assert as_held(sent, "hex") == held
