"""Whatever is written reads back the same, and whatever is read is either right or refused."""

import re
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapewright.image import (
    from_binary,
    from_intel_hex,
    from_listing,
    from_s_record,
    load_image,
    save_image,
    to_binary,
    to_intel_hex,
    to_listing,
    to_s_record,
)
from tapewright.model import Image, ImageError, Range


@st.composite
def images(draw: st.DrawFn) -> Image:
    """Images of one to five ranges in 16, 24 or 32 bits, some at the borders of 64 KiB and of all."""
    highest = draw(st.sampled_from([0xFFFF, 0xFF_FFFF, 0xFFFF_FFFF]))
    starts = st.integers(0, highest) | st.integers(max(0, highest - 40), highest) | st.just(0xFFFF - 3)
    ranges: list[Range] = []
    taken: set[int] = set()
    for _ in range(draw(st.integers(1, 5))):
        start = draw(starts)
        data = draw(st.binary(min_size=1, max_size=40))[: highest - start + 1]
        places = set(range(start, start + len(data)))
        if not places & taken:
            taken |= places
            ranges.append(Range(start, data))
    run = draw(st.none() | st.integers(1, highest))
    return Image.of(ranges, run=run)


#: Printable, and without blanks at the ends, which padded headers have and lose.
names = st.text(st.characters(min_codepoint=0x20, max_codepoint=0x7E), min_size=1, max_size=40).filter(
    lambda name: name == name.strip()
)


@given(images())
def test_intel_hex(image: Image) -> None:
    assert from_intel_hex(to_intel_hex(image)) == image


@given(
    images(),
    st.sampled_from([2, 3, 4]),
    st.none() | names,
)
def test_s_record(image: Image, address_bytes: int, name: str | None) -> None:
    named = Image(image.ranges, image.run, name)
    assert from_s_record(to_s_record(named, least_address_bytes=address_bytes)) == named


@given(images(), st.sampled_from([8, 16]), st.booleans())
def test_listing(image: Image, bytes_per_row: int, checks: bool) -> None:
    assert from_listing(to_listing(image, bytes_per_row=bytes_per_row, checks=checks)) == image


@given(st.binary(min_size=1, max_size=70), st.booleans())
def test_listing_without_addresses(data: bytes, checks: bool) -> None:
    image = Image.from_bytes(data)
    assert from_listing(to_listing(image, checks=checks)) == image


@given(st.binary(min_size=1, max_size=70), st.none() | st.integers(0, 0xFFFF))
def test_binary(data: bytes, address: int | None) -> None:
    image = from_binary(data, address=address)
    assert to_binary(image) == data
    assert image.ranges == (Range(address, data),)


@pytest.mark.parametrize("suffix", [".hex", ".ihx", ".s19", ".s28", ".s37", ".srec", ".mot", ".txt", ".HEX"])
def test_files(suffix: str, tmp_path: Path) -> None:
    image = Image.of([Range(0x0300, bytes(range(37))), Range(0x8000_0001, b"far")], run=0x0310)
    save_image(image, tmp_path / f"program{suffix}")
    assert load_image(tmp_path / f"program{suffix}") == image


@given(image=images(), data=st.data())
def test_any_wrong_digit_of_intel_hex_is_refused(image: Image, data: st.DataObject) -> None:
    check_wrong_digit_is_refused(to_intel_hex(image), data, from_intel_hex)


@given(image=images(), data=st.data())
def test_any_wrong_digit_of_an_s_record_is_refused(image: Image, data: st.DataObject) -> None:
    check_wrong_digit_is_refused(to_s_record(image), data, from_s_record)


def check_wrong_digit_is_refused(text: str, data: st.DataObject, read: Callable[[str], Image]) -> None:
    """Change one digit that the checksum covers; the type of an S-record is not among them."""
    places = [match.start() for match in re.finditer(r"(?<!S)[0-9A-F]", text)]
    place = data.draw(st.sampled_from(places))
    digit = data.draw(st.sampled_from(sorted(set("0123456789ABCDEF") - {text[place]})))
    line = text.count("\n", 0, place) + 1
    with pytest.raises(ImageError, match=f"^line {line}: "):
        read(text[:place] + digit + text[place + 1 :])


@given(st.text(alphabet="0123456789ABCDEFabcdef :-$xhS;#=\n\trunOl.\x00\u00e9", max_size=60))
@settings(max_examples=300)
def test_any_text_is_read_or_refused_in_a_sentence(text: str) -> None:
    for read in (from_intel_hex, from_s_record, from_listing):
        said = refusal(partial(read, text))
        assert said is None or ("\n" not in str(said) and re.search(r"[;,]", str(said)))


@pytest.mark.parametrize("suffix", [".hex", ".s19", ".txt"])
@given(data=st.binary(min_size=1, max_size=60))
def test_any_bytes_are_read_or_refused(
    suffix: str, data: bytes, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.getbasetemp() / f"noise{suffix}"
    path.write_bytes(data)
    said = refusal(partial(load_image, path))
    assert said is None or (said.path == str(path) and str(said).startswith(str(path)))


def refusal(read: Callable[[], Image]) -> ImageError | None:
    """Return the error of a refusal; None if something was read."""
    try:
        image = read()
    except ImageError as error:
        return error
    assert len(image) > 0
    return None
