"""What one or several readings of the same save amount to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from tapewright.cards import FormatCard, load_format
from tapewright.chain import OTHER_PROGRAM, combine
from tapewright.cli.telling import was_found
from tapewright.model import Block, Fault, Image, Reading, UsageError
from tapewright.model.reading import DOUBTFUL, block_kinds, doubtful_places, open_ended, unvouched
from tapewright.model.words import byte_count

__all__ = ["Together", "put_together"]


@dataclass(frozen=True)
class Together:
    """The outcome.

    Parameters
    ----------
    image : Image
    doubtful : tuple of int
        Addresses (offsets where none is known) of bytes nothing vouches for.
    damaged : bool
    sentence : str
        The verdict.
    faults : tuple of Fault
        What concerns the recordings as a set; those of each are in its reading.
    unheard : int
        Bytes of the image that were not heard at all, and are 00 in it.
    """

    image: Image
    doubtful: tuple[int, ...]
    damaged: bool
    sentence: str
    faults: tuple[Fault, ...] = ()
    unheard: int = 0


def put_together(readings: Sequence[Reading], card: FormatCard | None, start: int | None = None) -> Together:
    """Judge one reading, or combine several into one image.

    Parameters
    ----------
    readings : sequence of Reading
        One at least.
    card : FormatCard or None
        None if each reading chose its own.
    start : int, optional
        Where bytes belong to which the tape gives no address.

    Raises
    ------
    UsageError
        If the readings cannot be of one save: other formats, or blocks for the same place that both pass
        their check and differ, or more bytes together than in any of them.
    """
    found = [reading for reading in readings if reading.blocks]
    faults = tuple(
        Fault("no-program", f"no program was found in {reading.source.path or 'a recording'}")
        for reading in readings
        if len(readings) > 1 and not reading.blocks
    )
    if not found:
        return Together(Image(), (), True, "no program was found.", faults)
    card = card or load_format(found[0].format)
    every = tuple(block for reading in found for block in reading.blocks)
    image, confidence = found[0].image, found[0].image_confidence
    if len(found) > 1:
        _refuse_strangers(found)
        combined, image, confidence = combine(every, card)
        faults += tuple(new.faults[0] for new, old in zip(combined, every, strict=True) if new is not old)
        every = combined
        _refuse_concatenation(found, image)
    left = unvouched(every)
    doubtful = doubtful_places(image, confidence, start) if left else ()
    is_homeless = card.carries_addresses and any(piece.address is None for piece in image)
    has_other = any(fault.kind == OTHER_PROGRAM for reading in found for fault in reading.faults)
    is_open = bool(open_ended(every))
    damage = _damage(image, doubtful, left, is_homeless, has_other, is_open, len(found))
    sentence = damage or _praise(left=left, every=every, recordings=len(found))
    unheard = sum(int(np.count_nonzero(sure <= 0)) for sure in confidence)
    return Together(image, doubtful, damage is not None, sentence, faults, unheard)


def _refuse_strangers(readings: Sequence[Reading]) -> None:
    """Refuse recordings that contradict one another."""
    formats = sorted({reading.format for reading in readings})
    if len(formats) > 1:
        raise UsageError(
            f"these recordings are in different formats ({', '.join(formats)}), so they are not of one save;"
            " read them one by one"
        )
    for a, b in combinations(readings, 2):
        for block in a.blocks:
            rival = next((other for other in b.blocks if _contradicts(block, other)), None)
            if rival is not None:
                raise UsageError(
                    f"{a.source.path} and {b.source.path} hold different bytes at {block.address:04X},"
                    " and both pass their check, so they are not of one save; read them one by one"
                )


def _contradicts(a: Block, b: Block) -> bool:
    is_same_place = a.kind == b.kind and a.address is not None and a.address == b.address and bool(a.data)
    return is_same_place and a.check == b.check == "ok" and a.complete and b.complete and a.data != b.data


def _refuse_concatenation(readings: Sequence[Reading], image: Image) -> None:
    """Without addresses, copies are known by their bytes, and unlike ones would be strung together."""
    loose = sum(len(piece) for piece in image if piece.address is None)
    most = max(len(reading.image) for reading in readings)
    if loose and len(image) > most:
        raise UsageError(
            "these recordings have too little in common to be of one save, and no addresses to go by;"
            " read them one by one"
        )


def _damage(
    image: Image,
    doubtful: Sequence[int],
    left: Sequence[Block],
    is_homeless: bool,
    has_other: bool,
    is_open: bool,
    recordings: int,
) -> str | None:
    """Say what is wrong; None if nothing is."""
    if not image.ranges:
        return "blocks were found, but none with program bytes."
    if is_homeless:
        return "damaged: what says where the bytes belong was not found on the tape."
    if not all(was_found(block) for block in left):
        return (
            "damaged: a part of the program is missing; read another recording together with this one, or"
            " play the tape again."
        )
    if is_open:
        also = f", and {byte_count(len(doubtful))} of {len(image)} doubtful" if doubtful else ""
        return (
            f"doubtful: bytes may be missing where the leader or the end was not heard{also}; record the"
            " whole program again, or compare it with the listing."
        )
    if doubtful:
        are = "is" if len(doubtful) == 1 else "are"
        is_failed = any(block.check == "bad" and np.any(block.byte_confidence >= DOUBTFUL) for block in left)
        others = ", and as a check fails others may be wrong too" if is_failed else ""
        return (
            f"damaged: {byte_count(len(doubtful))} of {len(image)} {are} doubtful{others}; read another"
            " recording together with this one, or play the tape again."
        )
    if any(not block.complete or block.check == "bad" for block in left):
        if recordings > 1:
            return (
                f"from {recordings} recordings every byte was got, but in none of them a check vouches for"
                " all; compare with the listing, or play the tape again, before you trust it."
            )
        return (
            "damaged: a check fails although no byte stands out; compare with another recording before you"
            " trust it."
        )
    if has_other:
        return "this program was read well, but more is on the recording that is not in it."
    return None


def _praise(*, left: Sequence[Block], every: Sequence[Block], recordings: int) -> str:
    verified = sum(block.verified for block in every)
    if left and not verified:
        return "every byte was heard clearly, but this format has no check to vouch for them."
    none_fails = verified + len(left) == len(every)
    whole = "every byte is there" if recordings == 1 else f"from {recordings} recordings every byte was got"
    copies = "" if recordings > 1 or none_fails else ", thanks to a second copy"
    if not left:
        return f"{whole}{copies}, and the tape's own check agrees."
    kinds = block_kinds(left)
    if none_fails:
        return f"every byte was heard clearly, and all checks agree; {kinds} blocks have none."
    return f"{whole}{copies}, and the tape's own check agrees wherever it has one; {kinds} blocks have none."
