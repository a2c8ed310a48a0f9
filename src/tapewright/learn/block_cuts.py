"""Stretches of bytes to blocks: cut at the known bytes, and put right by what blocks usually are."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import replace

from tapewright.learn.borders import MOVES, arounds, usual
from tapewright.learn.framing import Framing
from tapewright.learn.known import Known
from tapewright.learn.samples import Sample, as_bytes, once
from tapewright.learn.stretches import Stretch, known_runs

__all__ = ["find_samples"]


def find_samples(stretches: Sequence[Stretch], knowns: Sequence[Known], framing: Framing) -> list[Sample]:
    """Cut stretches into blocks.

    Parameters
    ----------
    stretches : sequence of Stretch
    knowns : sequence of Known
    framing : Framing

    Returns
    -------
    list of Sample
        In order; a block that stands on tape several times running is there once.
    """
    parts = _told_once([part for stretch in stretches for part in _parts(stretch, framing.per_byte)])
    parts = list(_untorn(parts))
    for move in MOVES:
        around = arounds(parts, knowns, framing)
        parts = [move(part, one) for part, one in zip(parts, around, strict=True)]
    return _collapsed(parts)


def _parts(stretch: Stretch, per_byte: int) -> Iterator[Sample]:
    """Cut one stretch at the known bytes in it."""
    values = as_bytes(stretch.values)
    whole = Sample(
        stretch.save, values, b"", 0, 0, mark=stretch.mark, lead=stretch.lead,
        lead_seconds=stretch.lead_seconds, trail_seconds=stretch.trail_seconds,
        gap_seconds=stretch.gap_seconds, spare=as_bytes(stretch.spare),
    )  # fmt: skip
    runs = list(known_runs(stretch, per_byte))
    if not runs:
        yield whole
        return
    # what stands between two runs is the tail of one and the head of the next: as long as the last one's tail
    tail = len(values) - runs[-1][1]
    begins = [0, *(min(end + tail, first) for (_, end), (first, _) in itertools.pairwise(runs)), len(values)]
    own_head = len(runs) > 1 and runs[1][0] - begins[1]
    is_header = 0 < own_head < runs[0][0] and len(set(values[: runs[0][0] - own_head + 1])) > 1
    if is_header:  # stands before the first block's head, which may be a byte repeated for longer at first
        begins[0] = runs[0][0] - own_head
        yield replace(whole, head=values[: begins[0]], trail_seconds=0.0, gap_seconds=0.0, spare=b"")
    for k, (first, end) in enumerate(runs):
        offset = int(stretch.known[first]) // per_byte
        part = replace(
            whole, head=values[begins[k] : first], tail=values[end : begins[k + 1]],
            first=offset, end=offset + (end - first) // per_byte,
        )  # fmt: skip
        if begins[k] > 0:
            part = replace(part, lead="", lead_seconds=0.0, mark="")
        if k + 1 < len(runs):
            part = replace(part, trail_seconds=0.0, gap_seconds=0.0, spare=b"")
        yield part


def _untorn(parts: Sequence[Sample]) -> Iterator[Sample]:
    """Put together what misheard symbols have torn in two: together they are as long as blocks are."""
    size = usual(part.count for part in parts if part.has_data)
    tail = usual(len(part.tail) for part in parts if part.has_data)
    held: Sample | None = None
    for part in parts:
        ends_early = held is not None and 0 < held.count < size and len(held.tail) < tail
        if held is not None and ends_early and held.save == part.save and part.end - held.first == size:
            part = replace(
                held, end=part.end, tail=part.tail, spare=part.spare, trail_seconds=part.trail_seconds,
                gap_seconds=part.gap_seconds,
            )  # fmt: skip
        elif held is not None:
            yield held
        held = part
    if held is not None:
        yield held


def _told_once(parts: Sequence[Sample]) -> list[Sample]:
    """Count how often the first byte is there, if it is repeated to be found by.

    Every save has such a byte; some numbers begin with equal bytes as well.
    """
    saves = {part.save for part in parts}
    repeated = {(part.save, part.head[:1]) for part in parts if once(part.head)[1] > 1}
    is_sync = {first for _, first in repeated if all((save, first) in repeated for save in saves)}
    return [
        replace(part, head=once(part.head)[0], repeats=once(part.head)[1])
        if part.head[:1] in is_sync
        else part
        for part in parts
    ]


def _collapsed(parts: Sequence[Sample]) -> list[Sample]:
    """Count the same block several times running once."""
    samples: list[Sample] = []
    for part in parts:
        before = samples[-1] if samples else None
        if before is not None and _content(before) == _content(part):
            samples[-1] = replace(before, copies=before.copies + 1, trail_seconds=part.trail_seconds)
        else:
            samples.append(part)
    return samples


def _content(sample: Sample) -> tuple[object, ...]:
    return sample.save, sample.head, sample.tail, sample.first, sample.end
