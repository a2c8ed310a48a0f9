"""Which bytes of a stretch are known ones: misread bytes, copies, programs that repeat themselves."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from made_up_saves import program
from tapewright.learn.matching import NOT_KNOWN, continued, known_offsets

DATA = program(20, 60)


def values_of(*pieces: bytes) -> np.ndarray:
    return np.frombuffer(b"".join(pieces), np.uint8).astype(np.int16)


def test_a_head_and_a_tail_are_not_known():
    which = known_offsets(values_of(b"\xa5\x5a", DATA, b"\x99"), DATA)
    assert which.tolist() == [NOT_KNOWN, NOT_KNOWN, *range(60), NOT_KNOWN]


@settings(max_examples=40, deadline=None)
@given(place=st.integers(0, 55), change=st.integers(1, 255))
def test_a_misread_byte_within_a_run_is_still_that_byte(place, change):
    heard = values_of(DATA)
    heard[place] ^= change
    which = known_offsets(heard, DATA).tolist()
    if place >= 3:  # fewer than three after it or before it would be no evidence
        assert which == list(range(60))
    else:
        assert which[3:] == list(range(3, 60))


def test_bytes_that_could_not_be_read_do_not_break_a_run():
    heard = values_of(DATA)
    heard[20:23] = -1
    assert known_offsets(heard, DATA).tolist() == list(range(60))


def test_many_misread_bytes_are_those_that_should_stand_there():
    heard = values_of(DATA)
    heard[20:30] = -1
    assert known_offsets(heard, DATA).tolist() == list(range(60))


def test_bytes_put_in_between_are_not_known():
    which = known_offsets(values_of(DATA[:30], b"\x01\x02\x03\x04", DATA[30:]), DATA)
    assert which.tolist() == [*range(30), *4 * [NOT_KNOWN], *range(30, 60)]


def test_of_a_program_that_repeats_itself_nothing_is_left_in_the_head():
    # What stands before the second copy of the table stands before the first on tape: by chance.
    table = program(21, 12)
    data = table * 2 + program(22, 20) + b"\x31\x32" + table + program(23, 20)
    which = known_offsets(values_of(b"\xa5\x31\x32", data), data)
    assert which.tolist() == [*3 * [NOT_KNOWN], *range(len(data))]


def test_both_of_two_copies_are_found():
    which = known_offsets(values_of(DATA, b"\x01\x02\x03", DATA), DATA)
    assert which.tolist() == [*range(60), *3 * [NOT_KNOWN], *range(60)]


def test_blocks_in_another_order_are_found_where_they_belong():
    which = known_offsets(values_of(DATA[30:], DATA[:30]), DATA)
    assert which.tolist() == [*range(30, 60), *range(30)]


def test_other_bytes_are_not_known():
    assert (known_offsets(values_of(program(21, 500)), DATA) == NOT_KNOWN).all()


def test_a_program_that_repeats_itself_has_no_run_that_stands_out():
    sent = bytes(range(8)) * 10
    assert (known_offsets(values_of(b"\xa5", sent), sent) == NOT_KNOWN).all()


def test_it_is_found_by_what_should_come_next():
    sent = bytes(range(8)) * 10
    heard = values_of(b"\xa5\xc3", sent[32:64], b"\xee")
    assert known_offsets(heard, sent).max() == NOT_KNOWN
    which = continued(heard, sent, 32, 2)
    assert which is not None
    assert which.tolist() == [NOT_KNOWN, NOT_KNOWN, *range(32, 64), NOT_KNOWN]


@pytest.mark.parametrize("usual_place, is_found", [(2, True), (3, False)])
def test_a_last_block_of_a_few_bytes_is_found_where_data_usually_begin(usual_place, is_found):
    heard = values_of(b"\xa5\xc3", DATA[57:], b"\xee")
    which = continued(heard, DATA, 57, usual_place)
    if is_found:
        assert which is not None
        assert which.tolist() == [NOT_KNOWN, NOT_KNOWN, 57, 58, 59, NOT_KNOWN]
    else:
        assert which is None


def test_nothing_continues_where_other_bytes_stand():
    assert continued(values_of(program(22, 40)), DATA, 30, 2) is None
