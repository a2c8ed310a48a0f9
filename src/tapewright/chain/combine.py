"""Blocks to program, from one recording or from several of the same save."""

from __future__ import annotations

from collections.abc import Sequence

from tapewright import blocks
from tapewright.cards import FormatCard
from tapewright.model import Block, Image
from tapewright.model.layers import FloatArray

__all__ = ["combine"]


def combine(
    found: Sequence[Block], card: FormatCard
) -> tuple[tuple[Block, ...], Image, tuple[FloatArray, ...]]:
    """Make one program of blocks and their copies.

    Parameters
    ----------
    found : sequence of Block
        Of one recording in order of time, or of several of the same save, one after the other.
    card : FormatCard

    Returns
    -------
    blocks : tuple of Block
        The same in the same order; where bad copies together pass their check, the best is repaired.
    image : Image
    confidence : tuple of ndarray of float64
        One array a range of the image: probability that each byte is right.
    """
    mended = blocks.mended(found, card)
    return mended, *blocks.assemble(mended, card)
