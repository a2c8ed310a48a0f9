"""Kinds of block: which blocks are of one kind, and what stands in them, check included."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from tapewright.learn.checks import CheckClaim, find_checks
from tapewright.learn.facts import Facts, facts_of
from tapewright.learn.fields import Part, explain_bytes
from tapewright.learn.known import Known
from tapewright.learn.messages import Named, messages_of, named
from tapewright.learn.samples import Sample

__all__ = ["Kind", "find_kinds"]

#: Bytes at the end of a header among which its check may begin.
LATEST_CHECK = 5
#: Constants at the beginning of a block that a check may cover in part are at most so many.
MOST_SPLIT = 8
#: What it costs to say that a check covers some of the constants before it and not all.
SPLIT_BITS = 2.0
#: A check that is worth less than this is none; one worth more than that need not be looked for elsewhere.
LEAST_BITS, CONVINCING_BITS = 2.0, 12.0


@dataclass(frozen=True)
class Kind:
    """A kind of block, as found.

    Parameters
    ----------
    name : str
    samples : tuple of Sample
    facts : Facts
    head : tuple of Named
        Items before the data, in order; of a kind without data, all of them. A check is not among them.
    head_check, tail_check : CheckClaim or None
        The check among the head's bytes, and that after the data.
    after_head_check : tuple of Part
        What stands between the head's check and the data.
    before_tail_check, tail : tuple of Part
        What stands between the data and the check, and after the check.
    sync_bytes : int
        How many of the constants at the beginning are a sync; a check covers the others, or all.
    bits : float
        Length of the description.
    """

    name: str
    samples: tuple[Sample, ...]
    facts: Facts
    head: tuple[Named, ...]
    head_check: CheckClaim | None
    after_head_check: tuple[Part, ...]
    tail_check: CheckClaim | None
    before_tail_check: tuple[Part, ...]
    tail: tuple[Part, ...]
    sync_bytes: int
    bits: float

    @property
    def has_data(self) -> bool:
        """Whether the program's bytes are in it."""
        return self.samples[0].has_data


def find_kinds(
    samples: Sequence[Sample], knowns: Sequence[Known], starts: Sequence[int | None], coding: str
) -> list[Kind]:
    """Sort blocks by kind and tell what stands in each.

    Parameters
    ----------
    samples : sequence of Sample
        All blocks of all saves, in order.
    knowns : sequence of Known
    starts : sequence of int or None
        Address of the first byte of each save, where it is known or supposed.
    coding : {"plain", "hex"}

    Returns
    -------
    list of Kind
        In the order they stand on tape.
    """
    kinds = []
    for name, chosen in _sorted_out(samples):
        facts = facts_of(chosen, samples, knowns, starts)
        kinds.append(_explained(name, chosen, facts, knowns, coding))
    return kinds


def _sorted_out(samples: Sequence[Sample]) -> Iterator[tuple[str, list[Sample]]]:
    """Headers by their place before the data, data, and what comes after it."""
    saves = sorted({sample.save for sample in samples})
    before: list[list[Sample]] = []
    after: list[list[Sample]] = []
    data: list[Sample] = []
    for save in saves:
        own = [sample for sample in samples if sample.save == save]
        holding = [k for k, sample in enumerate(own) if sample.has_data]
        if holding:
            before.append(own[: holding[0]])
            after.append(own[holding[-1] + 1 :])
            data += [own[k] for k in holding]
    headers = min((len(own) for own in before), default=0)
    for k in range(headers, 0, -1):  # the nearest to the data are the likeliest to be headers
        name = "header" if k == 1 else f"header-{k}"
        yield name, _even(own[len(own) - k] for own in before)
    yield "data", data
    if after and all(after):
        yield "end", _even(own[0] for own in after)


def _even(samples: Iterator[Sample]) -> list[Sample]:
    """Make blocks without data equally long, where last bytes looked like trailer and were left out."""
    chosen = list(samples)
    longest = max(len(sample.head) for sample in chosen)
    return [
        replace(sample, head=sample.head + sample.spare[: longest - len(sample.head)])
        if longest - len(sample.head) <= len(sample.spare) and len({s.repeats for s in chosen}) == 1
        else sample
        for sample in chosen
    ]


def _explained(
    name: str, samples: Sequence[Sample], facts: Facts, knowns: Sequence[Known], coding: str
) -> Kind:
    """The shortest description of a kind of block."""
    heads = [sample.head for sample in samples]
    parts, bits = explain_bytes(heads, facts, coding)
    plain = Kind(
        name, tuple(samples), facts, tuple(named(parts, facts)), None, (), None, (), (), _constants(parts), bits
    )  # fmt: skip
    best = plain
    for cut in range(len(heads[0]) - 1, max(0, len(heads[0]) - LATEST_CHECK) - 1, -1):
        found = _with_head_check(plain, len(heads[0]) - cut, coding)
        if found is not None and found.bits < best.bits:
            best = found
    return _with_tail(best, knowns, coding) if best.has_data else best


def _with_head_check(kind: Kind, behind: int, coding: str) -> Kind | None:
    """A check in the head that begins so many bytes before its end."""
    if any(len(sample.head) <= behind for sample in kind.samples):
        return None
    heads = [sample.head[: len(sample.head) - behind] for sample in kind.samples]
    tails = [sample.head[len(sample.head) - behind :] for sample in kind.samples]
    parts, bits = explain_bytes(heads, kind.facts, coding)
    items = list(named(parts, kind.facts))
    claim, sync = _best_claim(heads, [b""] * len(heads), tails, items, coding, True)
    if claim is None or claim.rule.offset:
        return None
    width = _width(claim, coding)
    rest, rest_bits = explain_bytes([tail[width:] for tail in tails], kind.facts, coding, may_have_text=False)
    bits += _check_bits(claim) + rest_bits
    return replace(
        kind, head=tuple(items), head_check=claim, after_head_check=tuple(rest),
        sync_bytes=sync, bits=bits,
    )  # fmt: skip


def _with_tail(kind: Kind, knowns: Sequence[Known], coding: str) -> Kind:
    """Add what stands after the data."""
    shortest = min(len(sample.tail) for sample in kind.samples)
    tails = [sample.tail[:shortest] for sample in kind.samples]
    parts, bits = explain_bytes(tails, kind.facts, coding, may_have_text=False)
    plain = replace(kind, tail=tuple(parts), bits=kind.bits + bits)
    heads = [sample.head for sample in kind.samples]
    data = [knowns[sample.save].data[sample.first : sample.end] for sample in kind.samples]
    claim, sync = _best_claim(heads, data, tails, kind.head, coding, kind.head_check is None)
    if claim is None:
        return plain
    offset, width = claim.rule.offset, _width(claim, coding)
    if coding == "hex" and claim.rule.is_coded:
        offset *= 2
    front, front_bits = explain_bytes([t[:offset] for t in tails], kind.facts, coding, may_have_text=False)
    rest, rest_bits = explain_bytes(
        [t[offset + width :] for t in tails], kind.facts, coding, may_have_text=False
    )
    checked_bits = kind.bits + front_bits + _check_bits(claim) + rest_bits
    if checked_bits >= plain.bits:
        return plain
    return replace(
        kind, tail_check=claim, before_tail_check=tuple(front), tail=tuple(rest),
        sync_bytes=sync if kind.head_check is None else kind.sync_bytes, bits=checked_bits,
    )  # fmt: skip


def _best_claim(
    heads: Sequence[bytes], data: Sequence[bytes], tails: Sequence[bytes],
    items: Sequence[Named], coding: str, may_split: bool,
) -> tuple[CheckClaim | None, int]:  # fmt: skip
    """The likeliest check, and how many of the constants at the beginning are a sync it leaves out."""
    constants = _constants([item.part for item in items])
    splits = [constants]
    if may_split and 1 < constants <= MOST_SPLIT:
        splits += range(constants - 1, 0, -1)
    best: tuple[float, CheckClaim | None, int] = (LEAST_BITS, None, constants)
    for sync in splits:
        messages = messages_of(items, heads, data, tails, coding, sync)
        claims = find_checks(messages)
        if not claims:
            continue
        bits = claims[0].bits - (SPLIT_BITS if sync != constants else 0.0)
        if bits > best[0]:
            best = (bits, claims[0], sync)
        if bits > CONVINCING_BITS:
            break
    return best[1], best[2]


def _constants(parts: Sequence[Part]) -> int:
    return parts[0].widths[0] if parts and parts[0].kind == "constant" else 0


def _width(claim: CheckClaim, coding: str) -> int:
    return claim.rule.width_bytes * (2 if coding == "hex" and claim.rule.is_coded else 1)


def _check_bits(claim: CheckClaim) -> float:
    """What a check's bytes cost: as much as unknown ones, less the evidence for it."""
    return 8.0 * claim.rule.width_bytes * claim.messages - claim.bits
