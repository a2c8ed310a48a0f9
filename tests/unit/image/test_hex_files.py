"""Intel HEX and S-record: what the rules say beyond the plain records, and every refusal."""

import logging

import pytest

from tapewright.image import from_intel_hex, from_s_record, to_intel_hex, to_s_record
from tapewright.model import Image, ImageError, Range

END = ":00000001FF\n"


def intel(kind: int, offset: int, data: str) -> str:
    """Make an Intel HEX record from its rule: the whole record sums to 00."""
    values = bytes.fromhex(data)
    body = bytes([len(values), offset >> 8, offset & 0xFF, kind]) + values
    return f":{body.hex()}{-sum(body) & 0xFF:02x}\n"


def motorola(kind: int, address: str, data: str = "") -> str:
    """Make an S-record from its rule: the complement of the sum of count, address and data."""
    values = bytes.fromhex(address + data)
    body = bytes([len(values) + 1]) + values
    return f"S{kind}{body.hex()}{~sum(body) & 0xFF:02x}\n"


def test_segment_base_is_shifted_by_four_and_linear_base_by_sixteen() -> None:
    text = intel(2, 0, "1200") + intel(0, 0x10, "AA") + intel(4, 0, "0001") + intel(0, 0x10, "BB") + END
    assert from_intel_hex(text).ranges == (Range(0x1_0010, b"\xbb"), Range(0x1_2010, b"\xaa"))


@pytest.mark.parametrize(
    "record, run",
    [
        (intel(5, 0, "00012345"), 0x12345),
        (intel(3, 0, "12340010"), 0x12350),  # segment 1234h, offset 0010h
        (intel(5, 0, "00000000"), 0),
        ("", None),
    ],
)
def test_intel_run_address(record: str, run: int | None) -> None:
    assert from_intel_hex(intel(0, 0, "AA") + record + END).run == run


def test_intel_end_record_may_carry_the_run_address() -> None:
    # common practice on early machines, from memory
    assert from_intel_hex(intel(0, 0x300, "AA") + intel(1, 0x300, "")).run == 0x300
    assert from_intel_hex(intel(0, 0x300, "AA") + intel(5, 0, "00000311") + intel(1, 0x300, "")).run == 0x311


def test_zero_run_address_survives_intel_hex() -> None:
    image = Image.of([Range(0, b"x")], run=0)
    assert from_intel_hex(to_intel_hex(image)) == image


@pytest.mark.parametrize(
    "text, message",
    [
        ("", "there are no data records in this Intel HEX text; check the file"),
        (END, "there are no data records"),
        ("hello\n", "line 1: an Intel HEX record starts with a colon"),
        ("\n\n:0G000001FF\n", "line 3: 'G' is not a hexadecimal digit"),
        (":00\n", "line 1: the record is cut short"),
        (":00000001FFF\n", "line 1: the record has an odd number of digits"),
        (intel(6, 0, ""), "line 1: record type 06 is unknown"),
        (intel(4, 0, "000001"), "line 1: a record of type 04 has 2 data bytes, this one 3"),
        (
            intel(0, 0, "AA") + END + intel(0, 1, "BB"),
            "line 3: there is a record after the end record in line 2",
        ),
        (
            intel(0, 4, "AABB") + intel(0, 8, "00") + intel(0, 5, "CC"),
            "line 3: address 0005h is already in line 1; remove one",
        ),
        (
            intel(0, 0xFFFF, "AABB"),
            "line 1: the record at offset FFFFh runs over the end of its 64 KiB segment",
        ),
        (
            intel(4, 0, "FFFF") + intel(0, 0xFFFF, "AABB"),
            "line 2: 2 bytes from address FFFFFFFFh on reach beyond",
        ),
    ],
)
def test_refused_intel_hex(text: str, message: str) -> None:
    with pytest.raises(ImageError, match=f"^{message}"):
        from_intel_hex(text)


def test_linear_record_may_run_into_the_next_64_kib() -> None:
    text = intel(4, 0, "0001") + intel(0, 0xFFFF, "AABB") + END
    assert from_intel_hex(text).ranges == (Range(0x1_FFFF, b"\xaa\xbb"),)


def test_records_in_any_order_are_joined() -> None:
    text = intel(0, 2, "CC") + intel(0, 0, "AABB") + END
    assert from_intel_hex(text).ranges == (Range(0, b"\xaa\xbb\xcc"),)


@pytest.mark.parametrize("ends", ["\n", "\r\n", "\r"])
def test_line_ends_and_padding(ends: str) -> None:
    text = (intel(0, 0, "AA") + "\n" + END).replace("\n", ends) + "\x1a\x1a"
    assert from_intel_hex(text).ranges == (Range(0, b"\xaa"),)
    with pytest.raises(ImageError, match=r"^line 2: "):
        from_intel_hex(f"{END.strip()}{ends}:00")


def test_missing_end_record_is_told(caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.WARNING):
        from_intel_hex(intel(0, 0, "AA"), path="game.hex")
        from_s_record(motorola(1, "0000", "AA"), path="game.s19")
    assert caplog.messages == [
        "game.hex: there is no end record, so the file may have been cut short",
        "game.s19: there is no end record, so the file may have been cut short",
    ]


def test_complete_files_pass_without_a_word(caplog: pytest.LogCaptureFixture) -> None:
    from_intel_hex(intel(0, 0, "AA") + END)
    from_s_record(motorola(1, "0000", "AA") + motorola(9, "0000"))
    assert not caplog.messages


@pytest.mark.parametrize(
    "end, run",
    [
        (motorola(9, "0310"), 0x310),
        (motorola(8, "012345"), 0x12345),
        (motorola(7, "80000000"), 0x8000_0000),
        (motorola(9, "0000"), None),
    ],
)
def test_s_record_run_address(end: str, run: int | None) -> None:
    assert from_s_record(motorola(1, "0300", "AA") + end).run == run


@pytest.mark.parametrize(
    "header, name",
    [("48454C4C4F0000", "HELLO"), ("FF80", None), ("", None), ("0102", None), ("C3A9", "\u00e9")],
)
def test_s_record_header(header: str, name: str | None) -> None:
    assert from_s_record(motorola(0, "0000", header) + motorola(1, "0300", "AA")).name == name


@pytest.mark.parametrize(
    "text, message",
    [
        ("", "there are no data records in this S-record text; check the file"),
        (":00000001FF\n", "line 1: an S-record starts with S and a digit"),
        ("S1QQ\n", "line 1: 'Q' is not a hexadecimal digit"),
        ("S4030000FC\n", "line 1: record type S4 is unknown"),
        ("S1\n", "line 1: the record is cut short"),
        ("S10300000\n", "line 1: the record has an odd number of digits"),
        ("S1040000FC\n", "line 1: the record says 4 bytes follow its count and has 3"),
        ("S107100041424344DF\n", "line 1: checksum is DF, the bytes add up to DE"),
        ("S10200FD\n", "line 1: the record is too short to hold its address"),
        (
            motorola(1, "0000", "AA") + motorola(5, "0002"),
            "line 2: the file says it has 2 data records and has 1",
        ),
        (
            motorola(1, "0000", "AA") + motorola(9, "0000") + motorola(1, "0001", "AA"),
            "line 3: there is a record after the end record in line 2",
        ),
        (
            motorola(1, "0000", "AABB") + motorola(1, "0001", "AA"),
            "line 2: address 0001h is already in line 1",
        ),
    ],
)
def test_refused_s_record(text: str, message: str) -> None:
    with pytest.raises(ImageError, match=f"^{message}"):
        from_s_record(text)


def test_long_names_are_cut_between_letters() -> None:
    name = "a" * 251 + "\u00e9"  # the last letter would take bytes 252 and 253 of 252
    assert from_s_record(to_s_record(Image.of([Range(0, b"x")], name=name))).name == "a" * 251


def test_run_address_widens_the_records() -> None:
    image = Image.of([Range(0, b"x")], run=0x1_0000)
    assert [line[:2] for line in to_s_record(image).splitlines()] == ["S0", "S2", "S5", "S8"]


def test_more_than_65535_records_are_counted_in_24_bits() -> None:
    text = to_s_record(Image.from_bytes(bytes(16 * 0x1_0000), 0x1_0000))
    assert "\nS604010000FA\n" in text  # 04 + 01 + 00 + 00 = 05; FFh - 05h = FAh


@pytest.mark.parametrize("write", [to_intel_hex, to_s_record])
def test_refused_images(write: object) -> None:
    assert callable(write)
    with pytest.raises(ImageError, match="the image is empty; there is nothing to write"):
        write(Image())
    with pytest.raises(ImageError, match=r"the program has no address .* give it with --start"):
        write(Image.from_bytes(b"abc"))
    with pytest.raises(ImageError, match="run address 100000000h does not fit in 32 bits"):
        write(Image.of([Range(0, b"x")], run=1 << 32))
