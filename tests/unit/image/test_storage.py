"""Loading and saving: suffixes, limits, gaps, and never a file lost."""

from pathlib import Path

import pytest

from tapewright.image import load_image, save_image, to_binary
from tapewright.model import Image, ImageError, OutputError, Range, UsageError

MIB = 1 << 20


def test_raw_bytes_have_no_address_unless_given(tmp_path: Path) -> None:
    path = tmp_path / "p.bin"
    path.write_bytes(b"abc")
    assert load_image(path) == Image((Range(None, b"abc"),))
    assert load_image(path, address=0x300) == Image((Range(0x300, b"abc"),))


@pytest.mark.parametrize("ranges", [[Range(0x300, b"abc")], [Range(0x300, b"abc"), Range(0x400, b"d")]])
def test_a_given_address_moves_ranges_and_run_address(ranges: list[Range], tmp_path: Path) -> None:
    save_image(Image.of(ranges, run=0x301), tmp_path / "p.hex")
    moved = load_image(tmp_path / "p.hex", address=0x1000)
    assert [r.address for r in moved] == [0x1000, 0x1100][: len(ranges)]
    assert moved.run == 0x1001


def test_a_program_is_not_moved_below_zero(tmp_path: Path) -> None:
    save_image(Image.of([Range(0x300, b"abc")], run=0x100), tmp_path / "p.hex")
    with pytest.raises(ImageError, match=r"p\.hex: the program cannot be moved to address 0h; give another"):
        load_image(tmp_path / "p.hex", address=0)


@pytest.mark.parametrize("name", ["p.bin", "p.hex", "p.s19", "p.txt"])
def test_empty_file(name: str, tmp_path: Path) -> None:
    path = tmp_path / name
    path.touch()
    with pytest.raises(ImageError, match="the file is empty; get it again") as caught:
        load_image(path)
    assert caught.value.path == str(path)


@pytest.mark.parametrize("name", ["p.hex", "p.s19", "p.txt"])
def test_binary_content_under_a_text_suffix(name: str, tmp_path: Path) -> None:
    path = tmp_path / name
    path.write_bytes(b"\xef\xbb\xbfA\x9c")
    with pytest.raises(ImageError, match=rf"{name}: this is not text \(byte 4 is 9Ch\); if it holds raw"):
        load_image(path)
    path.write_bytes(b"\xef\xbb\xbfA\x02C")
    with pytest.raises(ImageError, match=rf"{name}: this is not text \(byte 4 is 02h\); if it holds raw"):
        load_image(path)


def test_byte_order_mark_is_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "p.txt"
    path.write_bytes(b"\xef\xbb\xbf0300: 41\r\n")
    assert load_image(path).ranges == (Range(0x300, b"A"),)


def test_errors_name_file_and_line(tmp_path: Path) -> None:
    path = tmp_path / "p.hex"
    path.write_text(":00000001FF\n:0300300002337A1F\n")
    with pytest.raises(ImageError, match=r"p\.hex: line 2: checksum is 1F, the bytes add up to 1E;"):
        load_image(path)


@pytest.mark.parametrize(
    "name, said", [("p.exe", r"suffix \.exe is unknown"), ("p", "the name has no suffix")]
)
def test_unknown_suffix(name: str, said: str, tmp_path: Path) -> None:
    for act in (load_image, lambda path: save_image(Image.from_bytes(b"a", 0), path)):
        with pytest.raises(ImageError, match=f"{said}; program files are .bin"):
            act(tmp_path / name)
    assert not (tmp_path / name).exists()


def test_missing_file_and_folder(tmp_path: Path) -> None:
    with pytest.raises(ImageError, match=r"p\.hex: there is no such file; check the name"):
        load_image(tmp_path / "p.hex")
    (tmp_path / "d.bin").mkdir()
    with pytest.raises(ImageError, match=r"d\.bin: this is a folder; give a file in it"):
        load_image(tmp_path / "d.bin")


def test_size_limit(tmp_path: Path) -> None:
    path = tmp_path / "p.bin"
    with path.open("wb") as file:
        file.truncate(16 * MIB)
    assert len(load_image(path)) == 16 * MIB
    with path.open("wb") as file:
        file.truncate(16 * MIB + 1)
    with pytest.raises(ImageError, match=r"p\.bin: the file is larger than 16 MiB"):
        load_image(path)
    with pytest.raises(ImageError, match="the image holds 16777217 bytes; a file holds at most 16 MiB"):
        save_image(Image.from_bytes(bytes(16 * MIB + 1), 0), tmp_path / "q.hex")


def test_gaps_need_a_fill_value(tmp_path: Path) -> None:
    image = Image.of([Range(0x300, b"ab"), Range(0x305, b"c")])
    with pytest.raises(ImageError, match=r"cannot hold the gap from 0302h to 0304h; give a fill value"):
        save_image(image, tmp_path / "p.bin")
    assert not list(tmp_path.iterdir())
    save_image(image, tmp_path / "p.bin", fill=0xEA)
    assert (tmp_path / "p.bin").read_bytes() == b"ab\xea\xea\xeac"


def test_a_gap_of_gigabytes_is_never_filled() -> None:
    image = Image.of([Range(0, b"a"), Range(0xFFFF_FFFF, b"b")])
    with pytest.raises(ImageError, match="with its gaps filled the program would be 4294967296 bytes"):
        to_binary(image, fill=0)


@pytest.mark.parametrize("fill", [-1, 256])
def test_fill_value_is_a_byte(fill: int) -> None:
    with pytest.raises(UsageError, match=f"fill value {fill} is not a byte; give 0 to 255"):
        to_binary(Image.from_bytes(b"a", 0), fill=fill)


def test_ranges_without_addresses_follow_one_another() -> None:
    assert to_binary(Image.of([Range(None, b"ab"), Range(None, b"c")])) == b"abc"


def test_a_file_is_not_overwritten_unless_told(tmp_path: Path) -> None:
    path = tmp_path / "p.hex"
    path.write_text("mine")
    with pytest.raises(OutputError, match="is there already"):
        save_image(Image.from_bytes(b"a", 0), path)
    assert path.read_text() == "mine"
    save_image(Image.from_bytes(b"a", 0), path, force=True)
    assert load_image(path) == Image.from_bytes(b"a", 0)


@pytest.mark.parametrize("suffix, kind", [(".s19", "S1"), (".s28", "S2"), (".s37", "S3"), (".srec", "S1")])
def test_suffix_gives_the_least_width_of_addresses(suffix: str, kind: str, tmp_path: Path) -> None:
    path = tmp_path / f"p{suffix}"
    save_image(Image.from_bytes(b"a", 0x300), path)
    assert path.read_text().splitlines()[1].startswith(kind)
