"""Where two images differ."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tapewright.model import Image, ImageError, Range
from tapewright.model.words import byte_count

__all__ = ["Comparison", "Difference", "compare"]

BoolArray = npt.NDArray[np.bool_]

#: Bytes of a difference shown in one line of text.
MOST_SHOWN_BYTES = 8
NAMES = ("the first program", "the second program")


@dataclass(frozen=True)
class Difference:
    """Neighbouring addresses at which both images have a byte, each time another one.

    Parameters
    ----------
    address : int
        Of the first; an offset where neither image has addresses.
    a, b : bytes
        What the first and the second image hold there, of equal length.
    """

    address: int
    a: bytes
    b: bytes

    def __len__(self) -> int:
        return len(self.a)


@dataclass(frozen=True)
class Comparison:
    """What `compare` found.

    Parameters
    ----------
    differences : tuple of Difference
        In order of address.
    only_a, only_b : tuple of Range
        Bytes at addresses the other image does not have.
    common_bytes : int
        Addresses both have.
    notes : tuple of str
        How the images were laid side by side, if not by their own addresses; other run address.
    names : tuple of str
        What to call the first and the second image.
    """

    differences: tuple[Difference, ...]
    only_a: tuple[Range, ...]
    only_b: tuple[Range, ...]
    common_bytes: int
    notes: tuple[str, ...] = ()
    names: tuple[str, str] = NAMES

    @property
    def equal(self) -> bool:
        """Whether both hold the same bytes at the same addresses; names and run addresses do not count."""
        return not (self.differences or self.only_a or self.only_b)

    @property
    def differing_bytes(self) -> int:
        """Addresses at which both have a byte and not the same one."""
        return sum(len(d) for d in self.differences)

    def lines(self) -> list[str]:
        """Say it in plain text."""
        a, b = self.names
        said = list(self.notes)
        if self.equal:
            return [*said, f"equal: {byte_count(self.common_bytes)}"]
        if self.common_bytes:
            verb = "differs" if self.differing_bytes == 1 else "differ"
            said.append(f"{self.differing_bytes} of {byte_count(self.common_bytes)} {verb}")
        for difference in self.differences:
            said.append(
                f"{places(difference.address, len(difference))}: {shown(difference.a)} in {a},"
                f" {shown(difference.b)} in {b}"
            )
        for name, only in ((a, self.only_a), (b, self.only_b)):
            for piece in only:
                said.append(
                    f"{places(piece.address or 0, len(piece))}: {byte_count(len(piece))} only in {name}"
                )
        return said


def places(address: int, length: int) -> str:
    return f"{address:04X}" if length == 1 else f"{address:04X}..{address + length - 1:04X}"


def shown(data: bytes) -> str:
    more = " ..." if len(data) > MOST_SHOWN_BYTES else ""
    return data[:MOST_SHOWN_BYTES].hex(" ").upper() + more


def compare(
    a: Image, b: Image, *, names: tuple[str, str] = NAMES, known: Sequence[BoolArray] | None = None
) -> Comparison:
    """Compare two images address by address.

    An image without addresses is laid onto the start of the other, if that has a single range; two such
    images are compared from their first byte on. The notes say so.

    Parameters
    ----------
    a, b : Image
    names : tuple of str
        What to call them.
    known : sequence of ndarray of bool, optional
        One array a range of `b`: which of its bytes are known. The others only keep places, so they are taken
        for missing, whatever stands there.

    Raises
    ------
    ImageError
        If an image without addresses meets one of several ranges, or an image has addresses only in part.
    """
    placed_a, placed_b, notes = lay_side_by_side(a, b, names)
    if known:
        placed_b = list(only_known(placed_b, np.concatenate(known)))
    if a.run is not None and b.run is not None and a.run != b.run:
        notes.append(f"run address {a.run:04X} in {names[0]}, {b.run:04X} in {names[1]}")
    differences: list[Difference] = []
    common_bytes = 0
    for address, data_a, data_b in overlaps(placed_a, placed_b):
        common_bytes += len(data_a)
        differences.extend(find_differences(address, data_a, data_b))
    return Comparison(
        tuple(join_neighbours(differences)),
        tuple(subtract(placed_a, placed_b)),
        tuple(subtract(placed_b, placed_a)),
        common_bytes,
        tuple(notes),
        names,
    )


Placed = list[tuple[int, bytes]]


def lay_side_by_side(a: Image, b: Image, names: tuple[str, str]) -> tuple[Placed, Placed, list[str]]:
    """Give the bytes of both images addresses, and say how if they had none."""
    ranges_a = [r for r in a.ranges if r.data]
    ranges_b = [r for r in b.ranges if r.data]
    loose_a = without_addresses(ranges_a, names[0])
    loose_b = without_addresses(ranges_b, names[1])
    notes: list[str] = []
    start = 0
    if loose_a is not None and loose_b is not None:
        notes.append(
            f"neither {names[0]} nor {names[1]} has addresses; compared from the first byte on, positions are"
            " offsets"
        )
    elif loose_a is not None or loose_b is not None:
        (loose, placed), others = (names, ranges_b) if loose_a is not None else (names[::-1], ranges_a)
        if len(others) > 1:
            raise ImageError(
                f"{loose} has no address and {placed} has {len(others)} ranges, so nobody knows where it"
                " belongs; compare with one range at a time, or give a file its address with --start"
            )
        start = (others[0].address or 0) if others else 0
        notes.append(f"{loose} has no address; taken to start at {start:04X} like {placed}")
    placed_a = [(r.address or 0, r.data) for r in ranges_a] if loose_a is None else [(start, loose_a)]
    placed_b = [(r.address or 0, r.data) for r in ranges_b] if loose_b is None else [(start, loose_b)]
    return placed_a, placed_b, notes


def without_addresses(ranges: list[Range], name: str) -> bytes | None:
    """Return the joined bytes of ranges without addresses; None if they have addresses or there are none."""
    loose = [r for r in ranges if r.address is None]
    if not loose:
        return None
    if len(loose) != len(ranges):
        raise ImageError(f"some ranges of {name} have an address and some have none; give each an address")
    return b"".join(r.data for r in loose)


def overlaps(a: Placed, b: Placed) -> Iterator[tuple[int, bytes, bytes]]:
    """Yield the stretches both have; `a` and `b` are in order of address."""
    index_a = index_b = 0
    while index_a < len(a) and index_b < len(b):
        (start_a, data_a), (start_b, data_b) = a[index_a], b[index_b]
        end_a, end_b = start_a + len(data_a), start_b + len(data_b)
        start, end = max(start_a, start_b), min(end_a, end_b)
        if start < end:
            yield start, data_a[start - start_a : end - start_a], data_b[start - start_b : end - start_b]
        if end_a <= end_b:
            index_a += 1
        else:
            index_b += 1


def only_known(placed: Placed, known: BoolArray) -> Iterator[tuple[int, bytes]]:
    """Yield the stretches of known bytes; `known` has one entry a byte, through all of `placed`."""
    offset = 0
    for start, data in placed:
        for first, end in runs(known[offset : offset + len(data)]):
            yield start + first, data[first:end]
        offset += len(data)


def runs(mask: BoolArray) -> Iterator[tuple[int, int]]:
    """Yield where each run of true values begins and ends."""
    steps = np.diff(mask.astype(np.int8), prepend=0, append=0)
    firsts, ends = np.flatnonzero(steps == 1), np.flatnonzero(steps == -1)
    yield from zip(firsts.tolist(), ends.tolist(), strict=True)


def find_differences(address: int, a: bytes, b: bytes) -> list[Difference]:
    """Return the runs of unequal bytes in two strings of equal length."""
    unequal = np.frombuffer(a, np.uint8) != np.frombuffer(b, np.uint8)
    return [Difference(address + first, a[first:end], b[first:end]) for first, end in runs(unequal)]


def join_neighbours(differences: list[Difference]) -> list[Difference]:
    """Join runs that touch, as they can where ranges without gap were given one by one."""
    joined: list[Difference] = []
    for difference in differences:
        last = joined[-1] if joined else None
        if last is not None and last.address + len(last) == difference.address:
            joined[-1] = Difference(last.address, last.a + difference.a, last.b + difference.b)
        else:
            joined.append(difference)
    return joined


def subtract(a: Placed, b: Placed) -> Iterator[Range]:
    """Yield the stretches of `a` at addresses `b` does not have."""
    index_b = 0
    for start, data in a:
        here, end = start, start + len(data)
        while index_b < len(b) and b[index_b][0] + len(b[index_b][1]) <= start:
            index_b += 1
        index = index_b
        while index < len(b) and b[index][0] < end:
            start_b, end_b = b[index][0], b[index][0] + len(b[index][1])
            if here < start_b:
                yield Range(here, data[here - start : start_b - start])
            here = end_b
            index += 1
        if here < end:
            yield Range(here, data[here - start :])
