"""Comparing images, checked against plain dictionaries of address and byte."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapewright.image import compare
from tapewright.model import Image, ImageError, Range

memories = st.dictionaries(st.integers(0x2F0, 0x320), st.integers(0, 3), max_size=40)


def image_of(memory: dict[int, int]) -> Image:
    return Image.of([Range(address, bytes([value])) for address, value in memory.items()])


def places(ranges: tuple[Range, ...]) -> dict[int, int]:
    return {(r.address or 0) + offset: value for r in ranges for offset, value in enumerate(r.data)}


@given(memories, memories)
def test_against_dictionaries(a: dict[int, int], b: dict[int, int]) -> None:
    found = compare(image_of(a), image_of(b))
    common = a.keys() & b.keys()
    differing = {address: (a[address], b[address]) for address in common if a[address] != b[address]}
    told = {
        d.address + offset: pair
        for d in found.differences
        for offset, pair in enumerate(zip(d.a, d.b, strict=True))
    }
    assert told == differing
    assert found.differing_bytes == len(differing)
    assert found.common_bytes == len(common)
    assert places(found.only_a) == {address: a[address] for address in a.keys() - b.keys()}
    assert places(found.only_b) == {address: b[address] for address in b.keys() - a.keys()}
    assert found.equal == (a == b)
    for starts_and_lengths in (  # as few runs as possible, in order
        [(d.address, len(d)) for d in found.differences],
        [(r.address or 0, len(r)) for r in found.only_a],
        [(r.address or 0, len(r)) for r in found.only_b],
    ):
        for (start, length), (next_start, _) in pairwise(starts_and_lengths):
            assert start + length < next_start


def test_said_in_plain_text() -> None:
    a = Image.of([Range(0x300, b"ABCDEFGHIJKLM"), Range(0x400, b"xy")], run=0x300)
    b = Image.of([Range(0x300, b"AbCdefghijklm"), Range(0x500, b"z")], run=0x301)
    assert compare(a, b, names=("tape.hex", "disk.hex")).lines() == [
        "run address 0300 in tape.hex, 0301 in disk.hex",
        "11 of 13 bytes differ",
        "0301: 42 in tape.hex, 62 in disk.hex",
        "0303..030C: 44 45 46 47 48 49 4A 4B ... in tape.hex, 64 65 66 67 68 69 6A 6B ... in disk.hex",
        "0400..0401: 2 bytes only in tape.hex",
        "0500: 1 byte only in disk.hex",
    ]


def test_equal_images() -> None:
    image = Image.of([Range(0x300, b"A"), Range(0x400, b"x")], run=0x300)
    found = compare(image, Image(image.ranges, name="other name"))
    assert found.equal
    assert found.lines() == ["equal: 2 bytes"]


def test_a_program_without_address_is_laid_on_the_other() -> None:
    placed, loose = Image.from_bytes(b"ABCD", 0x300), Image.of([Range(None, b"AB"), Range(None, b"xDE")])
    found = compare(placed, loose)
    assert [(d.address, d.a, d.b) for d in found.differences] == [(0x302, b"C", b"x")]
    assert found.only_b == (Range(0x304, b"E"),)
    assert found.notes == (
        "the second program has no address; taken to start at 0300 like the first program",
    )
    (note,) = compare(loose, placed, names=("a.bin", "b.hex")).notes
    assert note == "a.bin has no address; taken to start at 0300 like b.hex"


def test_two_programs_without_address_are_compared_by_offset() -> None:
    found = compare(Image.from_bytes(b"AB"), Image.from_bytes(b"Ab"))
    assert found.differences[0].address == 1
    assert found.lines()[0].startswith(
        "neither the first program nor the second program has addresses; compared from the first byte on"
    )


def test_a_program_without_address_beside_several_ranges_is_refused() -> None:
    several = Image.of([Range(0x300, b"a"), Range(0x400, b"b")])
    with pytest.raises(
        ImageError, match=r"the first program has no address and the second program has 2 ranges"
    ):
        compare(Image.from_bytes(b"a"), several)
    with pytest.raises(ImageError, match=r"some ranges of the second program have an address and some"):
        compare(several, Image.of([Range(0x300, b"a"), Range(None, b"b")]))


def test_empty_images() -> None:
    full = Image.from_bytes(b"ab", 0x300)
    assert compare(Image(), Image()).lines() == ["equal: 0 bytes"]
    assert compare(full, Image()).lines() == ["0300..0301: 2 bytes only in the first program"]
    assert compare(Image(), Image.from_bytes(b"ab")).only_b == (Range(0, b"ab"),)
