"""Blocks: program bytes to the leads, fields and checks of a card, and back."""

from tapewright.blocks.encode import encode

__all__ = ["encode"]
