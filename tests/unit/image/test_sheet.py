"""Key-in sheets: what is printed is what is in the image, on as many pages as said."""

import datetime
import re
from pathlib import Path

import pypdf
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapewright.image import from_listing, row_check, sheet_pdf, sheet_text
from tapewright.image.pages import ROWS_PER_PAGE
from tapewright.model import Image, ImageError, OutputError, Range, UsageError

DAY = datetime.date(2025, 1, 31)
DEMO = Image.of(
    [Range(0x203, bytes(range(200))), Range(0x400, bytes(range(255, 0, -1)))], run=0x210, name="Lantern"
)

ranges = st.lists(
    st.tuples(st.integers(0, 40), st.binary(min_size=1, max_size=300)), min_size=1, max_size=4
).map(lambda pieces: Image.of([Range(0x400 * i + start, data) for i, (start, data) in enumerate(pieces)]))


@given(ranges, st.sampled_from([8, 16]))
def test_text_sheet_reads_back_with_its_checks(image: Image, bytes_per_row: int) -> None:
    assert from_listing(sheet_text(image, bytes_per_row=bytes_per_row, date=DAY)) == image


@given(ranges)
def test_page_sums_and_total(image: Image) -> None:
    pages = sheet_text(image, date=DAY).split("\f")
    sums = [int(found, 16) for found in re.findall(r"; Page sum (\w{4}) over", "".join(pages))]
    on_pages = [b"".join(r.data for r in from_listing(page)) for page in pages]
    assert sums == [sum(data) % 0x1_0000 for data in on_pages]
    every_byte = b"".join(r.data for r in image)
    assert f"; Total {sum(every_byte) % 0x1_0000:04X} over {len(every_byte)} byte" in pages[-1]
    assert sum(sums) % 0x1_0000 == sum(every_byte) % 0x1_0000
    assert all("Total" not in page for page in pages[:-1])


def test_text_sheet_heading_gap_and_boxes() -> None:
    text = sheet_text(DEMO, date=DAY)
    assert text.startswith("; Lantern\n; page 1 of 2, 2025-01-31\n; 455 bytes, 0203 to 04FE\n")
    assert "; Starts running at 0210\n" in text
    assert "\n; -- gap: nothing at 02CB to 03FF; go to 0400 --\n0400: FF" in text
    rows = re.findall(r"^[0-9A-F]{4}: .*$", text, re.MULTILINE)
    assert len(rows) == 1 + 24 + 1 + 32  # 0203, 0208..02C0, 02C8; 0400..04F8
    assert all(row.endswith("; [ ]") for row in rows)
    assert sheet_text(DEMO, title=" Other\n name ", date=DAY).startswith("; Other name\n")


def test_gap_is_never_the_last_line_of_a_page() -> None:
    image = Image.of([Range(0, bytes(8 * (ROWS_PER_PAGE - 1))), Range(0x800, b"next")])
    pages = sheet_text(image, date=DAY).split("\f")
    assert "gap" not in pages[0]
    assert "gap" in pages[1]


def test_program_without_address_is_numbered_from_zero() -> None:
    text = sheet_text(Image.from_bytes(b"ABCDE"), date=DAY)
    assert "; The program has no address: rows are numbered from 0000.\n" in text
    assert "\n0000: 41 42 43 44  45 " in text


def pdf_pages(path: Path) -> list[str]:
    return [page.extract_text() for page in pypdf.PdfReader(path).pages]


@pytest.mark.parametrize("paper, width_points", [("a4", 595), ("letter", 612)])
@pytest.mark.parametrize("bytes_per_row", [8, 16])
def test_pdf_holds_every_row(paper: str, width_points: int, bytes_per_row: int, tmp_path: Path) -> None:
    path = tmp_path / "sheet.pdf"
    sheet_pdf(DEMO, path, bytes_per_row=bytes_per_row, date=DAY, paper=paper)  # type: ignore[arg-type]
    pages = pdf_pages(path)
    words = " ".join(pages).split()
    printed = bytearray()
    for piece in DEMO:
        assert piece.address is not None
        first = piece.address
        while first < piece.address + len(piece):
            end = min(first - first % bytes_per_row + bytes_per_row, piece.address + len(piece))
            data = piece.data[first - piece.address : end - piece.address]
            row = [f"{first:04X}:", *(f"{value:02X}" for value in data), f"={row_check(first, data):03X}"]
            place = words.index(row[0])
            assert words[place : place + len(row)] == row
            printed += data
            first = end
    assert len(printed) == len(DEMO)
    assert "gap: nothing at 02CB to 03FF; go to 0400" in " ".join(words)
    assert all("Lantern" in page and "2025-01-31" in page for page in pages)
    assert [f"page {n} of {len(pages)}" in " ".join(p.split()) for n, p in enumerate(pages, 1)] == [
        True
    ] * len(pages)
    total = sum(printed) & 0xFFFF
    assert f"Total {total:04X} over 455 bytes" in " ".join(pages[-1].split())
    assert "Row check: number the bytes" in " ".join(pages[0].split())
    assert round(pypdf.PdfReader(path).pages[0].mediabox.width) == width_points


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("bytes_per_row", [8, 16])
@pytest.mark.parametrize("rows, pages", [(ROWS_PER_PAGE, 1), (ROWS_PER_PAGE + 1, 2)])
def test_a_full_page_fits_the_paper(
    paper: str, bytes_per_row: int, rows: int, pages: int, tmp_path: Path
) -> None:
    image = Image.of([Range(0xFFFF_0000, bytes(rows * bytes_per_row))], run=0xFFFF_0000, name="W" * 60)
    sheet_pdf(image, tmp_path / "s.pdf", bytes_per_row=bytes_per_row, date=DAY, paper=paper)  # type: ignore[arg-type]
    assert len(pdf_pages(tmp_path / "s.pdf")) == pages


def test_same_input_gives_the_same_file(tmp_path: Path) -> None:
    sheet_pdf(DEMO, tmp_path / "a.pdf", date=DAY)
    sheet_pdf(DEMO, tmp_path / "b.pdf", date=DAY)
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()


def test_titles_are_printed_not_interpreted(tmp_path: Path) -> None:
    title = '#panic("x") *a* $1$ \\ "q" @b'
    sheet_pdf(DEMO, tmp_path / "s.pdf", title=title, date=DAY)
    assert title.replace(" ", "") in pdf_pages(tmp_path / "s.pdf")[0].replace(" ", "")


def test_refused(tmp_path: Path) -> None:
    path = tmp_path / "s.pdf"
    with pytest.raises(ImageError, match="the image is empty"):
        sheet_pdf(Image(), path)
    with pytest.raises(
        ImageError, match="the image holds 65537 bytes; a sheet to key in from holds at most 64 KiB"
    ):
        sheet_text(Image.from_bytes(bytes(65537)))
    with pytest.raises(UsageError, match="9 bytes a row are not possible; choose 8 or 16"):
        sheet_pdf(DEMO, path, bytes_per_row=9)
    with pytest.raises(UsageError, match="paper 'a5' is unknown; choose a4 or letter"):
        sheet_pdf(DEMO, path, paper="a5")  # type: ignore[arg-type]
    assert not path.exists()


def test_an_existing_file_is_kept_unless_told(tmp_path: Path) -> None:
    path = tmp_path / "s.pdf"
    path.write_text("mine")
    with pytest.raises(OutputError, match="is there already"):
        sheet_pdf(DEMO, path)
    assert path.read_text() == "mine"
    sheet_pdf(DEMO, path, force=True)
    assert path.read_bytes().startswith(b"%PDF")
