"""What a field of a block may tell: the numbers a writer knows of each block, from what it holds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from tapewright.learn.known import Known
from tapewright.learn.samples import Sample

__all__ = ["PRICE_BITS", "Facts", "facts_of", "numbers_of"]

#: How much a field of each meaning surprises, in bits (chosen: addresses and lengths are what headers hold).
PRICE_BITS = {
    "start": 2.5, "end": 3.0, "length": 2.5, "total": 3.5, "run": 4.0, "index": 4.5, "blocks": 5.0,
    "is_last": 5.0, "remaining": 6.0,
}  # fmt: skip

IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Facts:
    """Numbers of several blocks of one kind.

    Parameters
    ----------
    numbers : dict of str to ndarray of int64, shape (blocks,)
        By the names of `cards.WRITER_NAMES`; those that need an unknown address are left out.
        Of those that are the same in all the blocks only the likeliest is there.
    names : tuple of (str or None)
        The name of each block's program.
    saves : tuple of int
        Which recording each block is of.
    same : dict of str to tuple of str
        By the name of a number: less likely ones that are the same in all the blocks.
    is_last : ndarray of int64, shape (blocks,)
        1 for the last block with data of its recording, else 0.
    order : {"", "le", "be"}
        Of the bytes of numbers in other kinds of block, if that is known.
    """

    numbers: dict[str, IntArray]
    names: tuple[str | None, ...]
    saves: tuple[int, ...]
    same: dict[str, tuple[str, ...]]
    is_last: IntArray
    order: str = ""

    @cached_property
    def key(self) -> tuple[object, ...]:
        """All that bytes are described with, to be looked up by: not what is the same as something else."""
        numbers = tuple((name, values.tobytes()) for name, values in self.numbers.items())
        return numbers, self.names, self.saves, self.is_last.tobytes(), self.order


def facts_of(
    chosen: Sequence[Sample], samples: Sequence[Sample], knowns: Sequence[Known],
    starts: Sequence[int | None], without: str = "",
) -> Facts:  # fmt: skip
    """Gather what is known of some blocks.

    Parameters
    ----------
    chosen : sequence of Sample
        Blocks of one kind.
    samples : sequence of Sample
        All blocks.
    knowns : sequence of Known
    starts : sequence of int or None
        Address of the first byte of each save, where it is known or supposed.
    without : str
        A number to leave out.
    """
    of_save = {
        save: [sample for sample in samples if sample.save == save and sample.has_data]
        for save in {sample.save for sample in samples}
    }
    rows = [numbers_of(sample, of_save[sample.save], len(knowns[sample.save].data)) for sample in chosen]
    told = _telling(chosen, of_save)
    numbers = {name: np.array([row[name] for row in rows], np.int64) for name in told}
    first = [starts[sample.save] for sample in chosen]
    if all(start is not None for start in first):
        begin = np.array(first, np.int64)
        numbers["start"] = begin + np.array([sample.first for sample in chosen], np.int64)
        numbers["end"] = numbers["start"] + np.array([row["length"] - 1 for row in rows], np.int64)
        runs = [knowns[sample.save].run for sample in chosen]
        numbers["run"] = np.array([begin[k] if run is None else run for k, run in enumerate(runs)], np.int64)
    numbers.pop(without, None)
    kept, same = _different(numbers)
    return Facts(
        kept, tuple(knowns[sample.save].name for sample in chosen), tuple(sample.save for sample in chosen),
        same, np.array([row["is_last"] for row in rows], np.int64),
    )  # fmt: skip


def numbers_of(sample: Sample, others: Sequence[Sample], total: int) -> dict[str, int]:
    """Numbers of a block that have nothing to do with addresses.

    Parameters
    ----------
    sample : Sample
    others : sequence of Sample
        All blocks of the same save that hold data.
    total : int
        Bytes of the program.
    """
    index, blocks = _numbered(sample, others, total)
    return {
        "length": sample.count if sample.has_data else total,
        "total": total,
        "index": index,
        "blocks": blocks,
        "is_last": int(sample.has_data and index == blocks - 1),
        "remaining": total - sample.end if sample.has_data else total,
    }


def _numbered(sample: Sample, others: Sequence[Sample], total: int) -> tuple[int, int]:
    """Which block of its save this is, and of how many: by its place in the program, if blocks are even.

    Not all of them need have been heard: of a block of zeros in a leader of zeros nothing may be known.
    """
    size = max((other.room for other in others), default=0)
    if len(others) > 1 and all(other.first % size == 0 for other in others):
        return sample.first // size, -(-total // size)
    return sum(other.first < sample.first for other in others) if sample.has_data else 0, len(others)


def _telling(chosen: Sequence[Sample], of_save: dict[int, list[Sample]]) -> list[str]:
    """Which numbers can be told from constants, apart from addresses."""
    is_cut = any(len(others) > 1 for others in of_save.values())
    if not chosen[0].has_data:
        return ["total", "blocks"] if is_cut else ["length"]  # blocks have lengths of their own
    return ["length", "total", "index", "blocks", "is_last", "remaining"] if is_cut else ["length"]


def _different(numbers: dict[str, IntArray]) -> tuple[dict[str, IntArray], dict[str, tuple[str, ...]]]:
    """Leave out what is the same as something likelier in all the blocks, and tell what that was."""
    kept: dict[str, IntArray] = {}
    same: dict[str, tuple[str, ...]] = {}
    for name in sorted(numbers, key=lambda name: PRICE_BITS[name]):
        twin = next((other for other in kept if np.array_equal(numbers[name], kept[other])), None)
        if twin is None:
            kept[name] = numbers[name]
        else:
            same[twin] = (*same.get(twin, ()), name)
    return kept, same
