"""Hex listings: what people type is understood, and what could mean two things is refused."""

import pytest

from tapewright.image import from_listing, show_text, to_listing
from tapewright.model import Image, ImageError, Range, UsageError

PROGRAM = bytes.fromhex("A9008D20034C")


@pytest.mark.parametrize(
    "text",
    [
        "0300: A9 00 8D 20  03 4C",
        "0300- A9 00 8D 20 03 4C",
        "0300 A9 00 8D 20 03 4C",
        "$0300 A9 00 8D 20 03 4C",
        "0x0300 a9 00 8d 20 03 4c",
        "0300h A9 00 8D 20 03 4C",
        "0300H: A9 00 8D 20 03 4C",
        "$300: A9 00 8D 20 03 4C",
        "0300:A9008D20034C",
        "0300 : A900 8D20 034C",
        "000300: A9008D 20034C",
        "\t0300:\tA9 00\t8D 20 03 4C\r\n",
        "; a title\n\n0300: A9 00 ; load\n   8D 20 03 # store\n\n4C",
        "0300:\nA9008D20034C",
        "0300: A9 00\n0302: 8D 20 03 4C",
        "0303: 20 03 4C\n0300: A9 00 8D",
        "0300 A9 00 8D\n20 03 4C",
    ],
)
def test_ways_to_type_the_same(text: str) -> None:
    assert from_listing(text).ranges == (Range(0x300, PROGRAM),)


@pytest.mark.parametrize("text", ["A9 00 8D 20 03 4C", "A9008D20034C", "A900\n8D20\n034C", "A9 008D 20034C"])
def test_listing_without_addresses(text: str) -> None:
    assert from_listing(text).ranges == (Range(None, PROGRAM),)


def test_gaps_are_kept() -> None:
    assert from_listing("0300: 01 02\n0400: 03").ranges == (Range(0x300, b"\1\2"), Range(0x400, b"\3"))


@pytest.mark.parametrize("line", ["run 0310", "RUN: $0310", "run 0310h ; go"])
def test_run_address(line: str) -> None:
    assert from_listing(f"{line}\n0300: 00").run == 0x310


# 0300: 41 42 43 44 45 has the check 092: worked by hand in tests/truth/test_image_row_check.py
@pytest.mark.parametrize("check", ["=092", "=92", "  = 092", "=092 ; [x]"])
def test_right_row_check(check: str) -> None:
    assert from_listing(f"0300: 41 42 43 44 45{check}").ranges == (Range(0x300, b"ABCDE"),)


@pytest.mark.parametrize(
    "row", ["0300: 42 41 43 44 45", "0300: 41 42 43 44 46", "0301: 41 42 43 44 45", "0300: 41"]
)
def test_wrong_row_check(row: str) -> None:
    with pytest.raises(
        ImageError, match=r"^line 2: the row check is 092, address 030\d and the bytes make \w{3};"
    ):
        from_listing(f"0200: 00\n{row} =092")


def test_row_check_of_a_continued_line_counts_its_own_address() -> None:
    # 1*03 + 2*02 + 3*43 (hex) = 3 + 4 + 201 = 208 = D0h
    assert len(from_listing("0300: 41 42\n43 =0D0")) == 3


@pytest.mark.parametrize(
    "text, message",
    [
        ("", "there are no bytes in this listing; check the file"),
        ("; only a comment\n0300:\n", "there are no bytes in this listing"),
        ("0300: A9 OO", "line 1: 'OO' is not hexadecimal; is the letter O a 0\\?"),
        ("0300: A9 l0", "line 1: 'l0' is not hexadecimal; is the letter l a 1\\?"),
        ("0300: A9 G0", "line 1: 'G0' is not hexadecimal; correct it"),
        ("0300: A9 0", "line 1: '0' has an odd number of digits; write each byte with two"),
        ("300 A9", "line 1: '300' may be an address or bytes"),
        ("A900 8D20 034C", "line 1: 'A900' may be an address or bytes; put a colon after it"),
        ("000300 A9 00", "line 1: '000300' may be an address or bytes"),
        ("A9:00", "line 1: 'A9:' is not clearly an address"),
        ("A9-00-8D", "line 1: 'A9-' is not clearly an address"),
        ("$A9 $00", "line 1: '\\$A9' is not clearly an address"),
        ("123456789: 00", "line 1: '123456789:' is not clearly an address"),
        ("0300: A9\n0301 00", "line 2: 0301 may be an address or two bytes, as line 1 marks its address"),
        ("0300 A9\nA900", "line 2: 'A900' may be an address or two bytes"),
        ("A9 00\n0302: 8D", "line 1: these bytes have no address although line 2 has the address 0302"),
        ("0300: A9 00\n0301: 8D", "line 2: address 0301h is already in line 1"),
        ("FFFFFFFF: A9 00", "line 1: 2 bytes from address FFFFFFFFh on reach beyond"),
        ("run 1\nrun 2\n0300: 00", "line 2: the run address is given twice"),
        ("run fast\n0300: 00", "line 1: 'run' is not hexadecimal"),
        ("0300-0302: A9 00 8D", "line 1: '0302:' is not hexadecimal"),
        ("0300: A9 =1", "line 1: '=1' is not hexadecimal"),
    ],
)
def test_refused(text: str, message: str) -> None:
    with pytest.raises(ImageError, match=f"^{message}"):
        from_listing(text)


def test_written_rows_are_aligned() -> None:
    image = Image.of([Range(0x306, bytes(range(12))), Range(0x1_0000, b"\xff")], run=0x306, name="two\nlines")
    assert to_listing(image, bytes_per_row=8) == (
        "; two lines\n"
        "run 0306\n"
        "000306: 00 01\n"
        "000308: 02 03 04 05  06 07 08 09\n"
        "000310: 0A 0B\n"
        "\n"
        "010000: FF\n"
    )


def test_rows_of_other_lengths_are_refused() -> None:
    with pytest.raises(UsageError, match="12 bytes a row are not possible; choose 8 or 16"):
        to_listing(Image.from_bytes(b"x", 0), bytes_per_row=12)


def test_ranges_with_and_without_address_are_refused() -> None:
    with pytest.raises(ImageError, match="some ranges of the image have an address and some have none"):
        to_listing(Image.of([Range(0, b"a"), Range(None, b"b")]))


def test_shown_characters_stand_beside_their_bytes() -> None:
    image = Image.of([Range(0x300, b"Hi; \x00\x7f\x80~"), Range(0x400, b"!")], run=0x300, name="demo")
    shown = show_text(image, bytes_per_row=8)
    assert shown == (
        "; demo\n"
        "; 8 bytes at 0300..0307\n"
        "0300: 48 69 3B 20  00 7F 80 7E  ; Hi; ...~\n"
        "\n"
        "; 1 byte at 0400..0400\n"
        "0400: 21                        ; !\n"
        "\n"
        "run 0300\n"
    )
    assert from_listing(shown) == Image(image.ranges, image.run)


def test_shown_offsets_have_a_plus_sign() -> None:
    assert "+0010: 10" in show_text(Image.from_bytes(bytes(range(17))))
    assert show_text(Image()) == "; no bytes\n"
