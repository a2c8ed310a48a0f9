"""Is this tape a true copy of that program? The question before the switch is turned off."""

from __future__ import annotations

from dataclasses import dataclass, replace

from tapewright.chain.read import AudioLike, CardLike, read
from tapewright.chain.write import ImageLike, _image
from tapewright.image import Comparison, compare
from tapewright.model import Image, Reading
from tapewright.model.reading import block_kinds, doubtful_places, unvouched
from tapewright.model.words import byte_count

__all__ = ["Verdict", "compare_with", "verify"]

#: What the two are called where they differ.
NAMES = ("the program file", "the recording")


@dataclass(frozen=True, eq=False)
class Verdict:
    """What comparing a tape with a program showed.

    Parameters
    ----------
    safe : bool
        Whether every byte is there, right, and sure: only then may the machine be switched off.
    sentence : str
        The verdict in one line.
    comparison : Comparison
        What differs, address by address: first the program, then the tape.
    doubtful : tuple of int
        Addresses (offsets where no address is known) of bytes that agree but are not sure.
    reading : Reading
    image : Image
    """

    safe: bool
    sentence: str
    comparison: Comparison
    doubtful: tuple[int, ...]
    reading: Reading
    image: Image


def verify(
    sound: AudioLike,
    image: ImageLike,
    *,
    format: CardLike = "auto",
    start: int | None = None,
    rate_hz: float | None = None,
) -> Verdict:
    """Compare what a tape holds with the program it should hold.

    Parameters
    ----------
    sound : path, Recording or ndarray
    image : Image, bytes, or path of a program file
    format : str, path or FormatCard
    start : int, optional
        Address of the image's first byte, where it does not say.
    rate_hz : float, optional
        Sample rate of an array.

    Returns
    -------
    Verdict
    """
    program = _image(image, start)
    reading = read(sound, format=format, rate_hz=rate_hz)
    difference = compare_with(program, reading)
    doubtful = _doubtful(program, reading)
    return Verdict(
        difference.equal and not reading.damaged and not doubtful,
        _sentence(program, reading, difference, doubtful),
        difference,
        doubtful,
        reading,
        program,
    )


def compare_with(program: Image, reading: Reading) -> Comparison:
    """Compare a program with what was read, address by address.

    A byte that could not be read is 00 in the image only to keep its place: it neither agrees nor differs:
    it is missing. Where what was read has addresses only in part, the rest is left out, and a note says so.

    Parameters
    ----------
    program : Image
    reading : Reading

    Raises
    ------
    ImageError
        If nobody knows which bytes to compare; see `tapewright.image.compare`.
    """
    read = [(piece, sure > 0) for piece, sure in zip(reading.image, reading.image_confidence, strict=True)]
    placed = [(piece, known) for piece, known in read if piece.address is not None]
    lost = len(reading.image) - sum(len(piece) for piece, _ in placed)
    if not placed or not lost:
        return compare(program, reading.image, names=NAMES, known=[known for _, known in read])
    image = replace(reading.image, ranges=tuple(piece for piece, _ in placed))
    found = compare(program, image, names=NAMES, known=[known for _, known in placed])
    note = f"what says where {byte_count(lost)} of {NAMES[1]} belong was not found, so they were left out"
    return replace(found, notes=(*found.notes, note))


def _doubtful(program: Image, reading: Reading) -> tuple[int, ...]:
    if reading.verified:
        return ()
    # What has no address is compared as if it stood where the program does.
    is_loose = len(program.ranges) == 1 and all(piece.address is None for piece in reading.image)
    start = program.ranges[0].address if is_loose else None
    return doubtful_places(reading.image, reading.image_confidence, start)


def _sentence(program: Image, reading: Reading, difference: Comparison, doubtful: tuple[int, ...]) -> str:
    keep_on = "do NOT switch the machine off"
    if not reading.blocks:
        return f"No program was found on this tape: {keep_on}, and record it again."
    elsewhere = _elsewhere(program, reading.image)
    if elsewhere is not None:
        wanted, found = elsewhere
        return (
            f"The bytes on the tape are those of the program, but at {found:04X} instead of {wanted:04X}: if"
            f" they belong there, verify again with start {found:04X}; until then {keep_on}."
        )
    if not difference.equal:
        return f"{_where_it_fails(difference)}: {keep_on}, and record it again."
    if doubtful:
        return (
            f"The bytes agree, but {byte_count(len(doubtful))} on tape can only just be read: {keep_on} yet."
        )
    if reading.damaged:
        return (
            f"The bytes agree, but the machine itself could not load them, as {_obstacle(reading)}:"
            f" {keep_on} yet."
        )
    return (
        f"All {len(program)} bytes are on the tape, {_vouch(reading)}: it is safe to switch the machine off."
    )


def _vouch(reading: Reading) -> str:
    if reading.verified:
        return "and its own check agrees"
    if any(block.verified for block in reading.blocks):
        kinds = block_kinds(unvouched(reading.blocks))
        return f"and its own check agrees wherever it has one ({kinds} blocks have none)"
    return "as far as a format without a check can tell"


def _elsewhere(program: Image, read: Image) -> tuple[int, int] | None:
    """Give where the program says it belongs and where the same bytes stand on tape, if that is all."""
    if len(program.ranges) != 1 or len(read.ranges) != 1 or program.ranges[0].data != read.ranges[0].data:
        return None
    wanted, found = program.ranges[0].address, read.ranges[0].address
    return None if wanted is None or found is None or wanted == found else (wanted, found)


def _obstacle(reading: Reading) -> str:
    """Say what stands in the way though every byte is right."""
    left = unvouched(reading.blocks)
    if any(not block.complete for block in left):
        return "a part of what belongs to them is missing"
    if any(block.check == "bad" for block in left):
        return "a check on the tape fails"
    return "what says where some of them belong was not found"


def _where_it_fails(difference: Comparison) -> str:
    """Tell bytes that are wrong on the tape from those that were not found there."""
    wrong = difference.differing_bytes
    missing, extra = (sum(len(piece) for piece in only) for only in (difference.only_a, difference.only_b))
    told = [f"differs from the program in {byte_count(wrong)}"] if wrong else []
    if extra:
        told.append(f"has {byte_count(extra)} where the program has none")
    if not told:
        return f"{byte_count(missing)} of the program could not be found on the tape"
    if not missing:
        return f"The tape {' and '.join(told)}"
    lost = f"{missing} more" if wrong else f"{byte_count(missing)} of the program"
    return f"The tape {' and '.join(told)}, and {lost} could not be found on it"
