"""Block and Reading: everything one read of a recording found."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from tapewright.model.image import Image
from tapewright.model.layers import FloatArray, Symbols
from tapewright.model.place import Fault, Span

__all__ = ["CHECKS", "Block", "FieldValue", "Reading", "Source", "block_kinds", "open_ended", "unvouched"]

FieldValue = int | str
BoolArray = npt.NDArray[np.bool_]
ByteArray = npt.NDArray[np.uint8]

#: What a block's own check can say; see the glossary.
CHECKS = ("ok", "bad", "none", "repaired")
#: A byte less sure than this, with no check to vouch for it, makes a reading damaged (chosen).
DOUBTFUL = 0.99
#: Two stretches of bytes are copies of one if this share of what was read agrees.
ALIKE = 0.75
#: Faults of a block whose length nothing says: its beginning, or its end, was not heard.
LOST_LEADER, LOST_END = "lost-leader", "lost-end"


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
    check_said : tuple of int
        What each check of the block says on tape, in the card's order; -1 where it could not be read.
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
    check_said: tuple[int, ...] = ()

    @property
    def verified(self) -> bool:
        """Whether the block's own check vouches for its bytes."""
        return self.complete and self.check in ("ok", "repaired")

    @property
    def is_open(self) -> bool:
        """Whether bytes may be missing before its first one or after its last, as nothing says how many
        there are and the leader or the end was not heard.
        """
        return any(fault.kind in (LOST_LEADER, LOST_END) for fault in self.faults)

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
        With ``format="auto"``: the cards that competed, as (name, evidence in bits), best first. In a long
        recording they compete at its beginning.
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
        """Whether there is a program and checks vouch for all of it: for every block, or a copy of it."""
        return bool(self.blocks) and not unvouched(self.blocks) and not self._is_homeless

    @property
    def damaged(self) -> bool:
        """Whether there is no program, or of a block without a good copy a check failed, bytes are missing
        or may be, or an unchecked byte is doubtful.
        """
        return (
            not self.blocks
            or self._is_homeless
            or bool(open_ended(self.blocks))
            or any(
                not block.complete
                or block.check == "bad"
                or (block.check == "none" and bool(np.any(block.byte_confidence < DOUBTFUL)))
                for block in unvouched(self.blocks)
            )
        )

    @property
    def _is_homeless(self) -> bool:
        """Whether some of the program has an address and some has lost it."""
        known = {piece.address is not None for piece in self.image}
        return len(known) > 1

    def __repr__(self) -> str:
        name = self.source.path or "the recording"
        lines = [f"{name}: {self.source.seconds:.1f} s read as {self.format}"]
        if not self.blocks:
            lines.append("  no program found")
        for block in self.blocks:
            where = "no address" if block.address is None else f"{block.address:04X}h"
            least = confidence_text(float(np.min(block.byte_confidence))) if len(block.data) else "none"
            lines.append(
                f"  {block.span.start_seconds:9.3f} s  {block.kind}: {len(block.data)} bytes, {where},"
                f" check {block.check}, least sure byte {least}, speed {100 * (block.speed - 1):+.1f} %"
            )
        lines += [f"  {fault.kind}: {fault.text}" for fault in self.faults]
        return "\n".join(lines)


def unvouched(blocks: Iterable[Block]) -> tuple[Block, ...]:
    """List the blocks no check vouches for: neither their own nor that of a copy.

    Parameters
    ----------
    blocks : iterable of Block
        Of one recording in order of time, or of several of the same save, one after the other.
    """
    every = tuple(blocks)
    good = [block for block in every if block.verified]
    return tuple(
        block
        for place, block in enumerate(every)
        if not block.verified
        and not (_has_good_copy(block, good) if block.data else _is_needless(block, every, place))
    )


def block_kinds(blocks: Iterable[Block]) -> str:
    """Name their kinds, each once: ``title and data``."""
    return " and ".join(dict.fromkeys(block.kind for block in blocks))


def confidence_text(confidence: float) -> str:
    """Say how sure, never more than is known: ``0.93``, ``0.9998``, ``above 0.9999``."""
    if confidence > 0.9999:
        return "above 0.9999"
    # Rounded down, so that a doubtful byte never reads as a sure one; but 0.29 * 100 is computed as 28.999...
    places = 4 if confidence >= 0.99 else 3 if confidence >= 0.9 else 2
    return f"{math.floor(max(confidence, 0.0) * 10**places + 1e-6) / 10**places:.{places}f}"


def doubtful_places(image: Image, confidence: Iterable[FloatArray], start: int | None) -> tuple[int, ...]:
    """Addresses of the bytes that are not sure.

    Parameters
    ----------
    image : Image
    confidence : iterable of ndarray
        Of the bytes of each range.
    start : int or None
        Where a range without an address belongs; without it, its bytes are counted from 0.
    """
    places: list[int] = []
    for piece, sure in zip(image, confidence, strict=True):
        first = piece.address if piece.address is not None else start or 0
        places += [first + int(k) for k in np.flatnonzero(sure < DOUBTFUL)]
    return tuple(places)


def open_ended(blocks: Iterable[Block]) -> tuple[Block, ...]:
    """List the blocks before or after which bytes may be missing, without those of which a copy goes on to
    the end.

    Parameters
    ----------
    blocks : iterable of Block
        Of one recording, or of several of the same save.
    """
    every = tuple(blocks)
    whole = [block for block in every if not block.is_open and block.complete]
    return tuple(
        block for block in every if block.is_open and not any(_goes_on(block, other) for other in whole)
    )


def _goes_on(block: Block, other: Block) -> bool:
    """Whether one block begins like another that was cut off."""
    n = len(block.data)
    if any(fault.kind == LOST_LEADER for fault in block.faults) or other.kind != block.kind:
        return False
    mine, theirs = (np.frombuffer(data, np.uint8) for data in (block.data, other.data[:n]))
    return len(theirs) == n and _is_alike(mine, theirs, block.byte_confidence > 0)


def _has_good_copy(block: Block, good: Iterable[Block]) -> bool:
    """Whether verified blocks hold the same stretch of the program."""
    n = len(block.data)
    mine, read = np.frombuffer(block.data, np.uint8), block.byte_confidence > 0
    held, value = np.zeros(n, np.bool_), mine.copy()
    for other in good:
        if other.kind != block.kind or (other.address is None) != (block.address is None):
            continue
        theirs = np.frombuffer(other.data, np.uint8)
        if block.address is None or other.address is None:
            if other.fields == block.fields and len(theirs) >= n and _is_alike(mine, theirs[:n], read):
                return True
            continue
        offset = other.address - block.address
        first, end = max(0, offset), min(n, offset + len(theirs))
        if first >= end:
            continue
        part = slice(first, end)
        value[part] = theirs[first - offset : end - offset]
        held[part] = True
        # a length that was misread may make the bad copy the longer one
        if offset == 0 and end < n and read[part].any() and _is_alike(mine[part], value[part], read[part]):
            return True
    return bool(held.all()) and _is_alike(mine, value, read)


def _is_alike(mine: ByteArray, theirs: ByteArray, read: BoolArray) -> bool:
    return not read.any() or bool(np.mean(mine[read] == theirs[read]) >= ALIKE)


def _is_needless(header: Block, every: tuple[Block, ...], place: int) -> bool:
    """Whether all that follows a block without data is there a second time, after a good one."""
    after = every[place + 1 :]
    count = next((k for k, block in enumerate(after) if block.kind == header.kind), len(after))
    outside = [block for block in (*every[:place], *after[count:]) if block.verified]
    return any(block.kind == header.kind and not block.data for block in outside) and all(
        any(other.kind == block.kind and other.data == block.data for other in outside)
        for block in after[:count]
        if block.verified and block.data
    )
