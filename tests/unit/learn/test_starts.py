"""Addresses nobody said, supposed where two numbers on tape bear each other out, and nowhere else."""

from __future__ import annotations

import pytest

from made_up_saves import program
from tapewright.learn.known import Known
from tapewright.learn.samples import Sample
from tapewright.learn.starts import possible_starts

STARTS, COUNTS = (0x9234, 0x8765), (300, 411)
UNKNOWN = [Known(program(50 + k, count)) for k, count in enumerate(COUNTS)]


def heads(number, *, order: str = "little", width: int = 2) -> list[Sample]:
    """A block a save: a constant, and two numbers made of the address and the number of bytes."""

    def head(start: int, count: int) -> bytes:
        return b"\xa5" + b"".join(value.to_bytes(width, order) for value in number(start, count))

    return [
        Sample(save, head(start, count), b"", 0, count)
        for save, (start, count) in enumerate(zip(STARTS, COUNTS, strict=True))
    ]


@pytest.mark.parametrize("order", ["little", "big"])
@pytest.mark.parametrize("width", [2, 3])
@pytest.mark.parametrize("more", [-1, 0])
def test_a_first_and_a_last_address_suppose_each_other(order, width, more):
    samples = heads(lambda start, count: (start, start + count + more), order=order, width=width)
    assert STARTS in list(possible_starts(samples, UNKNOWN))


def test_not_knowing_comes_first():
    samples = heads(lambda start, count: (start, start + count - 1))
    assert next(iter(possible_starts(samples, UNKNOWN))) == (None, None)


def test_a_header_supposes_them_as_well():
    samples = [
        sample
        for save, (start, count) in enumerate(zip(STARTS, COUNTS, strict=True))
        for sample in (
            Sample(save, start.to_bytes(2, "big") + (start + count - 1).to_bytes(2, "big"), b"", 0, 0),
            Sample(save, b"\xa5", b"", 0, count),
        )
    ]
    assert STARTS in list(possible_starts(samples, UNKNOWN))


def test_an_address_that_grows_from_block_to_block():
    samples = [
        Sample(save, b"\xa5" + (start + first).to_bytes(2, "little"), b"", first, min(first + 100, count))
        for save, (start, count) in enumerate(zip(STARTS, COUNTS, strict=True))
        for first in range(0, count, 100)
    ]
    assert STARTS in list(possible_starts(samples, UNKNOWN))


@pytest.mark.parametrize(
    "number",
    [
        lambda start, count: (start, count),
        lambda start, count: (start, start + count + 7),
        lambda start, count: (start, start),
        lambda start, count: (0x1234, 0x5678),
    ],
    ids=["no end", "not as far apart", "the same twice", "constants"],
)
def test_nothing_is_supposed_where_nothing_bears_it_out(number):
    assert list(possible_starts(heads(number), UNKNOWN)) == [(None, None)]


def test_nothing_is_supposed_where_only_one_recording_agrees():
    samples = heads(lambda start, count: (start, start + count - (1 if start == STARTS[0] else 2)))
    assert list(possible_starts(samples, UNKNOWN)) == [(None, None)]


def test_known_addresses_are_kept():
    samples = heads(lambda start, count: (start, start + count - 1))
    known = [Known(one.data, 0x4000 + save) for save, one in enumerate(UNKNOWN)]
    assert list(possible_starts(samples, known)) == [(0x4000, 0x4001)]
    mixed = [known[0], UNKNOWN[1]]
    assert (0x4000, STARTS[1]) in list(possible_starts(samples, mixed))
