"""Block and Reading: everything one read of a recording found."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from tapewright.model.image import Image
from tapewright.model.layers import FloatArray, Symbols
from tapewright.model.place import Fault, Span

__all__ = ["CHECKS", "Block", "FieldValue", "Reading", "Source"]

FieldValue = int | str

#: What a block's own check can say; see the glossary.
CHECKS = ("ok", "bad", "none", "repaired")
#: A byte less sure than this, with no check to vouch for it, makes a reading damaged (chosen).
DOUBTFUL = 0.99


@dataclass(frozen=True, eq=False)
class Block:
    """One run of bytes on tape with its fields, data and check.

    Parameters
    ----------
    kind : str
        The card's name for this kind of block.
    span : Span
        From the first symbol of its leader to the last of its trailer.
    fields : mapping of str to int or str
    address : int or None
        Where the data loads; None where the format carries no address.
    data : bytes
        The payload alone. A byte that could not be read at all is 0 with confidence 0.
    byte_confidence, byte_seconds : ndarray of float64, shape (len(data),)
        Probability that each byte is right, and when it starts in the recording.
    check : str
        ``ok``, ``bad``, ``none`` (the format has none) or ``repaired``.
    repaired_offsets : tuple of int
        Which bytes of `data` we changed to make the check come out.
    faults : tuple of Fault
    speed : float
        Mean tape speed over the block, 1 = nominal.
    complete : bool
        Whether every byte the layout promises was there.
    evidence_bits : float
        How much better the block explains what was heard than chance does, in bits.
    level, noise : float
        Mean received amplitude and noise, as in `Symbols`.
    """

    kind: str
    span: Span
    fields: Mapping[str, FieldValue]
    address: int | None
    data: bytes
    byte_confidence: FloatArray
    byte_seconds: FloatArray
    check: str
    repaired_offsets: tuple[int, ...] = ()
    faults: tuple[Fault, ...] = ()
    speed: float = 1.0
    complete: bool = True
    evidence_bits: float = 0.0
    level: float = 0.0
    noise: float = 0.0

    @property
    def verified(self) -> bool:
        """Whether the block's own check vouches for its bytes."""
        return self.complete and self.check in ("ok", "repaired")

    def __repr__(self) -> str:
        where = "" if self.address is None else f" at {self.address:04X}h"
        return f"<Block {self.kind}{where}, {len(self.data)} bytes, check {self.check}, {self.span}>"


@dataclass(frozen=True)
class Source:
    """Which audio a reading came from."""

    path: str | None
    sha256: str | None
    rate_hz: float
    seconds: float
    channel: int | str
    channels: int = 1


@dataclass(frozen=True, eq=False)
class Reading:
    """Everything one read of a recording found, every layer kept.

    Parameters
    ----------
    source : Source
    format : str
        Name of the format card.
    blocks : tuple of Block
        In order of time.
    image : Image
        The program, put together from the best copy of each block.
    image_confidence : tuple of ndarray
        One array a range of `image`: probability that each byte is right.
    faults : tuple of Fault
        What concerns the recording as a whole.
    symbols : Symbols
    rivals : tuple
        With ``format="auto"``: the other cards considered, as (name, evidence in bits), best first.
    """

    source: Source
    format: str
    blocks: tuple[Block, ...]
    image: Image
    image_confidence: tuple[FloatArray, ...]
    symbols: Symbols
    faults: tuple[Fault, ...] = ()
    rivals: tuple[tuple[str, float], ...] = field(default=())

    @property
    def verified(self) -> bool:
        """Whether there is a program and every block is vouched for by its own check."""
        return bool(self.blocks) and all(block.verified for block in self.blocks)

    @property
    def damaged(self) -> bool:
        """Whether there is no program, a check failed, bytes are missing, or an unchecked byte doubtful."""
        return not self.blocks or any(
            not block.complete
            or block.check == "bad"
            or (block.check == "none" and bool(np.any(block.byte_confidence < DOUBTFUL)))
            for block in self.blocks
        )

    def __repr__(self) -> str:
        name = self.source.path or "the recording"
        lines = [f"{name}: {self.source.seconds:.1f} s read as {self.format}"]
        if not self.blocks:
            lines.append("  no program found")
        for block in self.blocks:
            where = "no address" if block.address is None else f"{block.address:04X}h"
            least = float(np.min(block.byte_confidence)) if len(block.data) else 1.0
            lines.append(
                f"  {block.span.start_seconds:9.3f} s  {block.kind}: {len(block.data)} bytes, {where},"
                f" check {block.check}, least sure byte {least:.4f}, speed {100 * (block.speed - 1):+.1f} %"
            )
        lines += [f"  {fault.kind}: {fault.text}" for fault in self.faults]
        return "\n".join(lines)
