"""Addresses the owner does not know, supposed from numbers that are as far apart as the program is long."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import product

from tapewright.cards.layout import FIELD_WIDTH
from tapewright.learn.known import Known
from tapewright.learn.samples import Sample

__all__ = ["possible_starts"]

#: Bytes that are looked through, and suppositions that are tried.
LONGEST_HEAD, MOST_TRIED = 40, 12
_ADDRESS_TYPES = [kind for kind, width in FIELD_WIDTH.items() if width in (2, 3)]


def possible_starts(samples: Sequence[Sample], knowns: Sequence[Known]) -> Iterator[tuple[int | None, ...]]:
    """Yield addresses that the saves may begin at, one for each save.

    A number before the data is taken for the first address if another is the last one that follows from it,
    or the one after that; or if it grows from block to block as the place in the program does.

    Parameters
    ----------
    samples : sequence of Sample
    knowns : sequence of Known
        Addresses that are known are kept.
    """
    given = tuple(known.start for known in knowns)
    yield given
    if all(start is not None for start in given):
        return
    tried: set[tuple[int | None, ...]] = {given}
    for kind in (False, True):
        chosen = [sample for sample in samples if sample.has_data == kind]
        if not chosen:
            continue
        lengths = [sample.count if kind else len(knowns[sample.save].data) for sample in chosen]
        for starts in _growing(chosen, lengths, given):
            if starts not in tried and len(tried) < MOST_TRIED:
                tried.add(starts)
                yield starts


def _growing(
    chosen: Sequence[Sample], lengths: Sequence[int], given: tuple[int | None, ...]
) -> Iterator[tuple[int | None, ...]]:
    shortest = min(LONGEST_HEAD, min(len(sample.head) for sample in chosen))
    for name in _ADDRESS_TYPES:
        width, order = FIELD_WIDTH[name], "big" if name.endswith("be") else "little"
        numbers = [
            [int.from_bytes(sample.head[place : place + width], order) for sample in chosen]  # type: ignore[arg-type]
            for place in range(shortest - width + 1)
        ]
        for first, last in product(range(len(numbers)), repeat=2):
            apart = [b - a - n for a, b, n in zip(numbers[first], numbers[last], lengths, strict=True)]
            steps = {a - sample.first for a, sample in zip(numbers[first], chosen, strict=True)}
            grows = len(steps) < len({sample.first for sample in chosen})
            if abs(first - last) < width and not (first == last and grows):
                continue
            if set(apart) <= {-1} or set(apart) <= {0} or (first == last and grows):
                starts = list(given)
                for number, sample in zip(numbers[first], chosen, strict=True):
                    if starts[sample.save] is None and number >= sample.first:
                        starts[sample.save] = number - sample.first
                yield tuple(starts)
