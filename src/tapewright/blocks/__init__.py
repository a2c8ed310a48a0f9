"""Blocks: program bytes to the leads, fields and checks of a card, and back."""

from tapewright.blocks.combine import assemble, left_out
from tapewright.blocks.decode import decode
from tapewright.blocks.encode import encode
from tapewright.blocks.mend import mended
from tapewright.blocks.reader import ByteReader

__all__ = ["ByteReader", "assemble", "decode", "encode", "left_out", "mended"]
