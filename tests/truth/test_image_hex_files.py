"""Intel HEX and S-record against published and independent figures.

Worked records: made by hand from the formats' rules (two vendor manuals; an assembler manual's chapter on
object formats; both second-hand), the arithmetic beside each. GNU objcopy is an independent implementation.
"""

import subprocess
from pathlib import Path

import pytest

from tapewright.image import from_intel_hex, from_s_record, to_intel_hex, to_s_record
from tapewright.model import Image, ImageError, Range


def test_intel_hex_data_and_end_records() -> None:
    # 04+10+00+00+41+42+43+44 = 11Eh; 100h - 1Eh = E2h
    assert to_intel_hex(Image.from_bytes(b"ABCD", 0x1000)) == ":0410000041424344E2\n:00000001FF\n"


def test_intel_hex_linear_base_record() -> None:
    assert to_intel_hex(Image.from_bytes(b"A", 0x0800_0000)).splitlines()[0] == ":020000040800F2"
    assert from_intel_hex(":020000040800F2\n:0100000041BE\n:00000001FF").ranges == (Range(0x0800_0000, b"A"),)


def test_intel_hex_record_that_must_be_accepted() -> None:
    # printed in a vendor manual; sums to 00
    assert from_intel_hex(":0300300002337A1E\n").ranges == (Range(0x30, bytes.fromhex("02337A")),)


def test_intel_hex_checksum_that_must_be_refused() -> None:
    with pytest.raises(ImageError, match=r"line 1: checksum is 1F, the bytes add up to 1E; correct the line"):
        from_intel_hex(":0300300002337A1F\n")


def test_intel_hex_record_shorter_than_its_count_must_be_refused() -> None:
    # printed as an example in one vendor manual: says 16 bytes, holds 10
    with pytest.raises(ImageError, match=r"line 1: the record says it has 16 data bytes and has 10;"):
        from_intel_hex(":10000000112233445566778899FFFA\n")


def test_s_record_data_record() -> None:
    # 07+10+00+41+42+43+44 = 121h; FFh - 21h = DEh
    assert "S107100041424344DE" in to_s_record(Image.from_bytes(b"ABCD", 0x1000)).splitlines()


def test_s_record_header_and_24_bit_data() -> None:
    image = Image.from_bytes(b"\xde\xad", 0x012345, name="HELLO")
    lines = to_s_record(image).splitlines()
    assert lines[:2] == ["S008000048454C4C4F83", "S206012345DEAD05"]
    assert from_s_record("S008000048454C4C4F83\nS206012345DEAD05\n") == image


def test_s_record_count_and_end_records() -> None:
    image = Image.of([Range(0x1000, b"ABCD")], run=0x1000)
    assert to_s_record(image).splitlines()[-2:] == ["S5030001FB", "S9031000EC"]


IMAGES = {
    "16-bit": Image.of([Range(0x0203, bytes(range(90))), Range(0xFFF0, bytes(16))], run=0x0203),
    "24-bit": Image.of([Range(0xFFF7, bytes(range(40))), Range(0x12_3456, b"\xff")], run=0x01_0000),
    "32-bit": Image.of([Range(0x10, b"a"), Range(0xFFFF_FFF5, bytes(range(11)))], run=0xFFFF_FFF5),
}
OBJCOPY_NAME = {"hex": "ihex", "s19": "srec"}
WRITE = {"hex": to_intel_hex, "s19": to_s_record}
READ = {"hex": from_intel_hex, "s19": from_s_record}


def objcopy(*arguments: object) -> None:
    subprocess.run(["objcopy", *map(str, arguments)], check=True, capture_output=True)


@pytest.mark.needs_tool("objcopy")
@pytest.mark.parametrize("kind", ["hex", "s19"])
@pytest.mark.parametrize("width", ["16-bit", "24-bit", "32-bit"])
@pytest.mark.parametrize("other", ["hex", "s19"])
def test_objcopy_reads_ours_and_we_read_objcopys(kind: str, width: str, other: str, tmp_path: Path) -> None:
    image = IMAGES[width]
    ours, theirs = tmp_path / f"ours.{kind}", tmp_path / f"theirs.{other}"
    ours.write_text(WRITE[kind](image))
    objcopy("-I", OBJCOPY_NAME[kind], "-O", OBJCOPY_NAME[other], ours, theirs)
    found = READ[other](theirs.read_text())
    assert found.ranges == image.ranges
    assert found.run == image.run


@pytest.mark.needs_tool("objcopy")
@pytest.mark.parametrize("kind", ["hex", "s19"])
def test_objcopy_makes_the_same_raw_bytes(kind: str, tmp_path: Path) -> None:
    ours, raw = tmp_path / f"ours.{kind}", tmp_path / "raw.bin"
    ours.write_text(WRITE[kind](Image.of([Range(0x0300, b"abc"), Range(0x0305, b"z")])))
    objcopy("-I", OBJCOPY_NAME[kind], "-O", "binary", "--gap-fill", "0xEE", ours, raw)
    assert raw.read_bytes() == b"abc\xee\xeez"
