"""What one or several readings of the same save amount to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from tapewright import blocks
from tapewright.cards import FormatCard, load_format
from tapewright.cli.telling import byte_count, doubtful_places
from tapewright.model import Block, Fault, Image, Reading, UsageError

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
    """

    image: Image
    doubtful: tuple[int, ...]
    damaged: bool
    sentence: str
    faults: tuple[Fault, ...] = ()


def put_together(readings: Sequence[Reading], card: FormatCard | None) -> Together:
    """Judge one reading, or combine several into one image.

    Parameters
    ----------
    readings : sequence of Reading
        One at least.
    card : FormatCard or None
        None if each reading chose its own.

    Raises
    ------
    UsageError
        If the readings are in different formats, so that they cannot be of one save.
    """
    if len(readings) == 1:
        return _judge(readings[0])
    found = [reading for reading in readings if reading.blocks]
    formats = sorted({reading.format for reading in found})
    if len(formats) > 1:
        raise UsageError(
            f"these recordings are in different formats ({', '.join(formats)}), so they are not of one save;"
            " read them one by one"
        )
    empty = [reading.source.path or "a recording" for reading in readings if not reading.blocks]
    faults = tuple(Fault("no-program", f"no program was found in {path}") for path in empty)
    if not found:
        return Together(Image(), (), True, "no program was found", faults)
    every = [block for reading in found for block in reading.blocks]
    image, confidence = blocks.assemble(every, card or load_format(found[0].format))
    left = [block for block in every if not block.verified and not _made_good(block, every)]
    doubtful = tuple(doubtful_places(image, confidence))
    damaged = bool(doubtful) or any(not block.complete or block.check == "bad" for block in left)
    return Together(
        image, doubtful, damaged, _sentence(image, doubtful, damaged, not left, len(found)), faults
    )


def _made_good(block: Block, every: Sequence[Block]) -> bool:
    """Whether another recording's copy of this block is vouched for by its check."""
    return any(
        other.verified and other.kind == block.kind and other.address == block.address
        and len(other.data) >= len(block.data) and (block.address is not None or other.fields == block.fields)
        for other in every
    )  # fmt: skip


def _judge(reading: Reading) -> Together:
    doubtful = () if reading.verified else tuple(doubtful_places(reading.image, reading.image_confidence))
    sentence = _sentence(reading.image, doubtful, reading.damaged, reading.verified, 1)
    return Together(reading.image, doubtful, reading.damaged, sentence)


def _sentence(image: Image, doubtful: tuple[int, ...], damaged: bool, vouched: bool, recordings: int) -> str:
    whole = "every byte is there" if recordings == 1 else f"from {recordings} recordings every byte was got"
    if not image.ranges:
        return "blocks were found, but none with program bytes."
    if damaged and doubtful:
        return (
            f"damaged: {byte_count(len(doubtful))} of {len(image)} {'is' if len(doubtful) == 1 else 'are'}"
            " doubtful; read another recording together with this one, or play the tape again."
        )
    if damaged:
        return (
            "damaged: a check fails although no byte stands out; compare with another recording before you"
            " trust it."
        )
    if vouched:
        return f"{whole}, and the tape's own check agrees."
    return f"{whole} and was heard clearly, but this format has no check to vouch for them."
