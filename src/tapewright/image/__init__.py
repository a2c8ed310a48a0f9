"""Program bytes and the files people keep them in: load, save, compare, show, and sheets to key in from."""

from tapewright.image.binary import from_binary, to_binary
from tapewright.image.comparison import Comparison, Difference, compare
from tapewright.image.intel_hex import from_intel_hex, to_intel_hex
from tapewright.image.listing import from_listing, to_listing
from tapewright.image.rows import row_check
from tapewright.image.s_record import from_s_record, to_s_record
from tapewright.image.sheet import sheet_pdf, sheet_text
from tapewright.image.show import show_text
from tapewright.image.storage import SUFFIXES, is_program_file, load_image, save_image

__all__ = [
    "SUFFIXES",
    "Comparison",
    "Difference",
    "compare",
    "from_binary",
    "from_intel_hex",
    "from_listing",
    "from_s_record",
    "is_program_file",
    "load_image",
    "row_check",
    "save_image",
    "sheet_pdf",
    "sheet_text",
    "show_text",
    "to_binary",
    "to_intel_hex",
    "to_listing",
    "to_s_record",
]
