"""Kinds of block: which blocks are of one kind, and what stands in them, check included."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tapewright.learn.answers import Answers
from tapewright.learn.checks import CheckClaim, CheckRule, with_rival
from tapewright.learn.facts import Facts, facts_of
from tapewright.learn.framing import Framing
from tapewright.learn.known import Known
from tapewright.learn.messages import Named, messages_of, named
from tapewright.learn.options import OTHER_ORDER_BITS, UNKNOWN_BITS
from tapewright.learn.parts import Part
from tapewright.learn.samples import Sample

__all__ = ["Kind", "find_kinds"]

#: Bytes at the end of a header among which its check may begin.
LATEST_CHECK = 5
#: A check of 32 bits, written in characters, takes so many.
MOST_CHECK_BYTES = 8
#: Constants at the beginning of a block that a check may cover in part are at most so many.
MOST_SPLIT = 8
#: What it costs to say that a check covers some of the constants before it and not all; which number of
#: them costs more, as each is tried.
SPLIT_BITS = 1.0
#: A field that is surer than this is no check, unless it is off by some number: a byte by any, wider ones by
#: more than one.
MOST_CHECK_LEAD = 8.0
#: Something after a check, that is not covered by it, is rare.
AFTER_BITS = 4.0
#: A block with data mostly has one check, at its end: one before the data costs more.
BEFORE_DATA_BITS = 3.0
#: A check before the data may look less likely than no check, and be likelier once what follows is explained.
HEAD_CHECK_SLACK = 4.0
#: Of so many checks that fit equally well the first is taken, and held open: only another program tells apart
#: polynomials that have most of their factors in common.
MOST_TIED = 3
LEAST_LEAD = -float(np.log2(MOST_TIED - 1)) - 0.01
#: A check that is worth less than this is none; one worth more than that need not be looked for elsewhere.
LEAST_BITS, CONVINCING_BITS = 0.5, 12.0
#: Of so many blocks or more, one may be misheard: one of so many with something in their head that this share
#: of the blocks do not have. It costs so much to say that it is.
FEWEST_TO_DOUBT, MOST_DOUBTED, MOSTLY, MISHEARD_BITS = 6, 6, 0.6, 24.0
#: Where some saves have a header, and others none, its leader is at least this share of the longest.
LEAST_LEAD_SHARE = 0.1
#: Something shorter than this (seconds) before a block is not worth telling what it is.
SHORTEST_LEAD = 0.05


@dataclass(frozen=True)
class Kind:
    """A kind of block, as found.

    Parameters
    ----------
    name : str
    samples : tuple of Sample
    facts : Facts
    head : tuple of Named
        Items before the data, in order; of a kind without data, all of them.
    tail : tuple of Named
        Items after the data.
    head_check, tail_check : CheckClaim or None
        What the item of kind ``check`` in the head, or in the tail, is.
    sync_bytes : int
        How many of the constants at the beginning are a sync; a check covers the others by themselves.
    bits : float
        Length of the description.
    """

    name: str
    samples: tuple[Sample, ...]
    facts: Facts
    head: tuple[Named, ...]
    tail: tuple[Named, ...]
    head_check: CheckClaim | None
    tail_check: CheckClaim | None
    sync_bytes: int
    bits: float

    @property
    def has_data(self) -> bool:
        """Whether the program's bytes are in it."""
        return self.samples[0].has_data

    @property
    def is_anchored(self) -> bool:
        """Whether something at its beginning tells where the first byte begins, if bytes have no start."""
        return bool(self.samples[0].mark or self.sync_bytes)

    @property
    def checkable_bits(self) -> float:
        """How many bits at most a check, not looked for yet, may save: unknown bytes where one may stand."""
        end_of_head = [item for item in self.head[-1:] if self.head_check is None]
        items = [*end_of_head, *self.tail[:1]]
        bytes_unknown = sum(
            min(item.part.widths[0], MOST_CHECK_BYTES) for item in items if item.part.kind == "unknown"
        )
        return bytes_unknown * (8.0 * len(self.samples) + UNKNOWN_BITS)

    @property
    def unknown_bytes(self) -> int:
        """How many bytes in all its blocks nobody knows."""
        return sum(sum(item.part.widths) for item in self._unknown)

    @property
    def has_hex_fields(self) -> bool:
        """Whether numbers in its head are written as characters."""
        return any(item.part.kind == "field" and item.part.coding == "hex" for item in self.head)

    @property
    def tells_all(self) -> bool:
        """Whether it says what all its bytes are, but for what may be a check."""
        may_be = [item for item in (*self.head[-1:], *self.tail[:1]) if item in self._unknown]
        told = sum(sum(item.part.widths) for item in (*self.head, *self.tail))
        return len(may_be) == len(self._unknown) and told == sum(
            len(sample.head) + len(sample.tail) for sample in self.samples
        )

    @property
    def _unknown(self) -> list[Named]:
        return [item for item in (*self.head, *self.tail) if item.part.kind == "unknown"]

    @property
    def is_announced(self) -> bool:
        """Whether what stands before most of its blocks, if anything does, is the symbol of leaders."""
        others = sum(not sample.lead and sample.lead_seconds > SHORTEST_LEAD for sample in self.samples)
        return 2 * others <= len(self.samples)


def find_kinds(
    samples: Sequence[Sample], knowns: Sequence[Known], starts: Sequence[int | None], framing: Framing,
    without: str = "", *, with_checks: bool = True, answers: Answers | None = None,
) -> list[Kind]:  # fmt: skip
    """Sort blocks by kind and tell what stands in each.

    Parameters
    ----------
    samples : sequence of Sample
        All blocks of all saves, in order.
    knowns : sequence of Known
    starts : sequence of int or None
        Address of the first byte of each save, where it is known or supposed.
    framing : Framing
    without : str
        A meaning that no field is taken to have.
    with_checks : bool
        Whether checks are looked for, which takes most of the time.
    answers : Answers, optional
        What was asked before; the same questions are asked of many drafts.

    Returns
    -------
    list of Kind
        In the order they stand on tape.
    """

    def facts_about(some: Sequence[Sample]) -> Facts:
        return facts_of(some, samples, knowns, starts, without)

    sorted_out = dict(_sorted_out(samples))
    means = _Means(knowns, framing, with_checks, answers or Answers(), _shared(sorted_out.values()))
    kinds: dict[str, Kind] = {}
    # data first: they have most blocks, so their check is surest, and those of other kinds are mostly like it
    for name, heard in sorted(sorted_out.items(), key=lambda pair: pair[0] != "data"):
        mine = means.with_kin(kinds.values())
        chosen = _without_misheard(heard, facts_about, mine)
        facts = facts_about(chosen)
        takes = [chosen]
        if not chosen[0].has_data and len({len(sample.head) for sample in chosen}) > 1:
            takes.append(_evened(chosen))
        best = min((_explained(name, take, facts, mine) for take in takes), key=_bits)
        if len(chosen) < len(heard):  # the odd one may be right, and what explains it a check
            whole = _explained(name, heard, facts_about(heard), mine)
            best = whole if whole.bits < best.bits + MISHEARD_BITS else best
        kinds[name] = best
    order = _usual_order(kinds.values())
    for name, kind in kinds.items():
        if order and any(other != order for other, _ in _orders(kind)):
            mine = means.with_kin(other for other in kinds.values() if other is not kind)
            again = _explained(name, kind.samples, replace(kind.facts, order=order), mine)
            kinds[name] = again if again.bits < kind.bits + OTHER_ORDER_BITS else kind
    saves = {sample.save for sample in samples}
    misheard = [sample for kind in kinds.values() if _says_nothing(kind, saves) for sample in kind.samples]
    if misheard:
        rest = [sample for sample in samples if sample not in misheard]
        return find_kinds(
            rest, knowns, starts, framing, without, with_checks=with_checks, answers=answers
        )  # fmt: skip
    return [kinds[name] for name in sorted_out]


def _says_nothing(kind: Kind, saves: Collection[int]) -> bool:
    """Whether it stands before some of these saves only, and tells nothing of them: a leader misheard."""
    if kind.has_data:
        return False
    is_in_all = {sample.save for sample in kind.samples} == set(saves)
    return not is_in_all and not any(item.part.kind in ("field", "text") for item in kind.head)


@dataclass(frozen=True)
class _Means:
    """What kinds of block are described with."""

    knowns: Sequence[Known]
    framing: Framing
    with_checks: bool
    answers: Answers
    shared: int = 0  # bytes that all kinds of block begin with
    kin: tuple[CheckRule, ...] = ()  # checks of other kinds

    def with_kin(self, others: Iterable[Kind]) -> _Means:
        """The same with the checks of other kinds, as far as they are sure."""
        return replace(self, kin=tuple(rule for kind in others for rule in _sure_rules(kind)))

    def explain_heads(
        self, heads: Sequence[bytes], samples: Sequence[Sample], facts: Facts
    ) -> tuple[list[Part], float]:
        """Describe what blocks begin with: if nothing else tells where, with something to find them by."""
        is_anchor = not self.framing.byte.start and not samples[0].mark
        return self.answers.explain_bytes(heads, facts, self.framing.field_coding, is_anchor=is_anchor)

    def explain_tails(self, tails: Sequence[bytes], facts: Facts) -> tuple[list[Part], float]:
        """Describe what stands after the data, or after a check: no name."""
        return self.answers.explain_bytes(tails, facts, self.framing.field_coding, may_have_text=False)


def _shared(kinds: Iterable[Sequence[Sample]]) -> int:
    """How many bytes all kinds of block begin with, as with a sync, before they differ; of one kind, 0."""
    heads = [Counter(sample.head[:MOST_SPLIT] for sample in heard).most_common(1)[0][0] for heard in kinds]
    alike = [len(set(column)) == 1 for column in zip(*heads, strict=False)]
    return [*alike, False].index(False) if len(heads) > 1 else 0


def _sure_rules(kind: Kind) -> Iterator[CheckRule]:
    for claim in (kind.tail_check, kind.head_check):
        if claim is not None and claim.certainty != "open":
            yield claim.rule


def _usual_order(kinds: Iterable[Kind]) -> str:
    """The byte order of numbers that the surest of them have, if both occur."""
    sure: dict[str, float] = {}
    for kind in kinds:
        for order, bits in _orders(kind):
            sure[order] = sure.get(order, 0.0) + min(bits, MOST_CHECK_LEAD)
    return max(sure, key=lambda order: sure[order]) if len(sure) > 1 else ""


def _orders(kind: Kind) -> list[tuple[str, float]]:
    """Byte orders of the numbers in a kind of block, of more than one byte, and how sure each is."""
    parts = [item.part for item in (*kind.head, *kind.tail) if item.part.kind == "field"]
    return [(part.type[-2:], part.lead_bits) for part in parts if part.type[-2:] in ("le", "be")]


def _without_misheard(
    heard: Sequence[Sample], facts_about: Callable[[Sequence[Sample]], Facts], means: _Means
) -> list[Sample]:
    """Leave out one block of many whose head was misheard, if the others are much easier to explain."""
    if len(heard) < FEWEST_TO_DOUBT:
        return list(heard)
    takes = [list(heard)] + [[*heard[:k], *heard[k + 1 :]] for k in _odd_ones(heard)]
    bits = [
        means.explain_heads([sample.head for sample in take], take, facts_about(take))[1] for take in takes
    ]
    best = int(np.argmin(bits))
    return takes[best if bits[best] + MISHEARD_BITS < bits[0] else 0]


def _odd_ones(heard: Sequence[Sample]) -> list[int]:
    """Which blocks have a byte in their head, or a length of it, that few have and most others do not."""
    odd = np.zeros(len(heard))
    lengths = [len(sample.head) for sample in heard]
    columns = [lengths, *zip(*(sample.head[: min(lengths)] for sample in heard), strict=True)]
    for column in columns:
        counts = Counter(column)
        commonest, count = counts.most_common(1)[0]
        if count >= MOSTLY * len(heard):
            odd += [(value != commonest) / counts[value] for value in column]
    return [int(k) for k in np.argsort(-odd)[:MOST_DOUBTED] if odd[k] > 0]


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
    if len(set(map(len, before))) > 1:
        before = [[sample for sample in own if not _is_fragment(sample, own, data)] for own in before]
    headers = max((len(own) for own in before), default=0)
    while headers and 2 * sum(len(own) >= headers for own in before) < len(before):
        headers -= 1  # misheard leader: most saves do not have it
    for k in range(headers, 0, -1):  # the nearest to the data are the likeliest to be headers
        name = "header" if k == 1 else f"header-{k}"
        yield name, [own[len(own) - k] for own in before if len(own) >= k]
    yield "data", data
    if after and all(after):
        yield "end", [own[0] for own in after]


def _is_fragment(sample: Sample, before: Sequence[Sample], data: Sequence[Sample]) -> bool:
    """Whether it is what a leader misheard for a moment looks like: hardly any leader stands before it."""
    own = [other for other in (*before, *data) if other.save == sample.save]
    return _led(sample) < LEAST_LEAD_SHARE * max(map(_led, own))


def _led(sample: Sample) -> float:
    """For how long (seconds) a leader stands before it, and nothing else."""
    return sample.lead_seconds if sample.lead else 0.0


def _evened(samples: Sequence[Sample]) -> list[Sample]:
    """Make blocks without data equally long: last bytes may look like trailer and have been left out."""
    longest = max(len(sample.head) for sample in samples)
    return [
        replace(sample, head=sample.head + sample.spare[: longest - len(sample.head)]) for sample in samples
    ]


def _explained(name: str, samples: Sequence[Sample], facts: Facts, means: _Means) -> Kind:
    """The shortest description of a kind of block."""
    heads = [sample.head for sample in samples]
    parts, bits = means.explain_heads(heads, samples, facts)
    items = tuple(named(parts, facts))
    found = [Kind(name, tuple(samples), facts, items, (), None, None, _constants(items), bits)]
    latest = LATEST_CHECK * (2 if means.framing.field_coding == "hex" else 1)
    for behind in _check_places(found[0], latest) if means.with_checks else ():
        checked = _with_head_check(found[0], behind, means)
        if checked is not None and checked.bits < found[0].bits + HEAD_CHECK_SLACK:
            found.append(_with_wider_rival(checked, means))
    if found[0].has_data:
        found = [_with_tail(kind, means) for kind in found]
    return min(found, key=_bits)


def _check_places(kind: Kind, latest: int) -> Iterator[int]:
    """How many bytes before the end of the head a check may begin: where nothing else is known to be."""
    shortest = min(len(sample.head) for sample in kind.samples)
    behind = 0
    may_be_check = False
    for item in reversed(kind.head):
        for _ in range(item.part.widths[0]):
            behind += 1
            if behind > min(latest, shortest - 1):
                return
            is_plain = abs(item.part.offset) <= (item.part.widths[0] > 1)
            is_sure = is_plain and item.part.lead_bits >= MOST_CHECK_LEAD
            # the upper byte of a small sum looks like a small number
            may_be_upper = may_be_check and item.part.widths[0] == 1
            may_be_check = item.part.kind != "field" or not is_sure
            if may_be_check or may_be_upper:
                yield behind


def _bits(kind: Kind) -> float:
    return kind.bits


def _with_head_check(kind: Kind, behind: int, means: _Means) -> Kind | None:
    """A check in the head that begins so many bytes before its end."""
    heads = [sample.head[: len(sample.head) - behind] for sample in kind.samples]
    tails = [sample.head[len(sample.head) - behind :] for sample in kind.samples]
    parts, bits = means.explain_heads(heads, kind.samples, kind.facts)
    items = tuple(named(parts, kind.facts))
    claim, sync = _best_claim(heads, [b""] * len(heads), tails, items, means, _fewest_sync(kind, means))
    if claim is None or claim.rule.offset:
        return None
    if means.framing.field_coding == "hex" and claim.rule.is_coded and behind % 2:
        return None  # half a byte would be left over
    if items and items[-1].part.kind == "unknown" and claim.bits < MOST_CHECK_LEAD:
        return None  # rather one wider check that cannot be told yet
    width = _width(claim, means.framing)
    rest, rest_bits = _rest([tail[width:] for tail in tails], kind.facts, means)
    bits += _check_bits(claim) + rest_bits + BEFORE_DATA_BITS * kind.has_data
    items += (_check_item(width, len(heads)),)
    items += tuple(named(rest, kind.facts, [item.name for item in items], leading=False))
    return replace(kind, head=items, head_check=claim, sync_bytes=sync, bits=bits)


def _with_wider_rival(kind: Kind, means: _Means) -> Kind:
    """Hold open whether a check in the head and the constant before it are a wider check together.

    The upper byte of that one never changed. A constant after a check needs no such care: all that follows
    the items is looked at together.
    """
    claim = kind.head_check
    if claim is None or means.framing.field_coding == "hex":
        return kind
    place = [item.name for item in kind.head].index("check")
    if place < 2 or kind.head[place - 1].part.kind != "constant":
        return kind
    before = sum(item.part.widths[0] for item in kind.head[place:]) + 1
    heads = [sample.head[: len(sample.head) - before] for sample in kind.samples]
    tails = [sample.head[len(sample.head) - before :] for sample in kind.samples]
    parts, bits = means.explain_heads(heads, kind.samples, kind.facts)
    items = tuple(named(parts, kind.facts))
    fixed = _fixed(items)
    messages = messages_of(items, heads, [b""] * len(heads), tails, means.framing, kind.sync_bytes)
    names = {item.name for item in kind.head} - fixed
    for wider in means.answers.find_checks(messages, fixed, means.kin):
        # a sum of constants as well is one of the others from another start
        rules = [rule for rule in (wider.rule, *wider.variants) if names.issuperset(rule.over)]
        if rules and not wider.rule.offset and wider.rule.width_bytes > claim.rule.width_bytes:
            rest = [tail[wider.rule.width_bytes :] for tail in tails]
            whole = bits + _check_bits(wider) + _rest(rest, kind.facts, means)[1]
            whole += BEFORE_DATA_BITS * kind.has_data
            wider = replace(wider, rule=replace(rules[0], offset=-1))
            claim = with_rival(claim, wider, whole - kind.bits)
    return replace(kind, head_check=claim)


def _with_tail(kind: Kind, means: _Means) -> Kind:
    """Add what stands after the data."""
    framing, knowns = means.framing, means.knowns
    shortest = min(len(sample.tail) for sample in kind.samples)
    tails = [sample.tail[:shortest] for sample in kind.samples]
    taken = [item.name for item in kind.head]
    parts, bits = means.explain_tails(tails, kind.facts)
    plain = replace(
        kind, tail=tuple(named(parts, kind.facts, taken, leading=False)), bits=kind.bits + bits
    )  # fmt: skip
    if not means.with_checks:
        return plain
    heads = [sample.head for sample in kind.samples]
    data = [knowns[sample.save].data[sample.first : sample.end] + sample.filling for sample in kind.samples]
    sync_bytes = None if kind.head_check is None else kind.sync_bytes
    claim, sync = _best_claim(heads, data, tails, kind.head, means, _fewest_sync(kind, means), sync_bytes)
    if claim is None:
        return plain
    offset, width = claim.rule.offset, _width(claim, framing)
    if framing.field_coding == "hex" and claim.rule.is_coded:
        offset *= 2
    front, front_bits = means.explain_tails([tail[:offset] for tail in tails], kind.facts)
    rest, rest_bits = _rest([tail[offset + width :] for tail in tails], kind.facts, means)
    checked_bits = kind.bits + front_bits + _check_bits(claim) + rest_bits
    if checked_bits >= plain.bits:
        return plain
    items = (*named(front, kind.facts, taken, leading=False), _check_item(width, len(tails)))
    items += tuple(named(rest, kind.facts, [*taken, *(item.name for item in items)], leading=False))
    return replace(
        kind, tail=items, tail_check=claim, bits=checked_bits, sync_bytes=sync,
    )  # fmt: skip


def _rest(rests: Sequence[bytes], facts: Facts, means: _Means) -> tuple[list[Part], float]:
    """What stands after a check."""
    parts, bits = means.explain_tails(rests, facts)
    return parts, bits + AFTER_BITS * bool(parts)


def _check_item(width: int, count: int) -> Named:
    return Named("check", Part("check", 0, (width,) * count))


def _best_claim(
    heads: Sequence[bytes], data: Sequence[bytes], tails: Sequence[bytes],
    items: Sequence[Named], means: _Means, fewest: int, sync_bytes: int | None = None,
) -> tuple[CheckClaim | None, int]:  # fmt: skip
    """The likeliest check, and how many of the constants at the beginning, and how few, are a sync.

    As many as another check leaves out, if `sync_bytes` says so; or those that all kinds of block begin with.
    """
    constants = _constants(items) if sync_bytes is None else sync_bytes
    fixed = _fixed(items)
    usual = [constants]
    if sync_bytes is None and 0 < means.shared < constants:
        usual.insert(0, means.shared)
    others = range(constants - 1, fewest - 1, -1) if sync_bytes is None and constants <= MOST_SPLIT else ()
    split_bits = SPLIT_BITS + float(np.log2(max(1, len(others))))
    best: tuple[float, CheckClaim | None, int] = (LEAST_BITS, None, constants)
    for sync in dict.fromkeys((*usual, *others)):
        messages = messages_of(items, heads, data, tails, means.framing, sync)
        claims = means.answers.find_checks(messages, fixed, means.kin)
        if not claims or (claims[0].lead < LEAST_LEAD and claims[0].messages > 1):
            continue  # rather something else: of one block, no more can be had
        bits = claims[0].bits - (split_bits if sync not in usual else 0.0)
        if bits > best[0]:
            best = (bits, claims[0], sync)
        if bits > CONVINCING_BITS and claims[0].rule.begins_plainly:
            break
    return best[1], best[2]


def _fewest_sync(kind: Kind, means: _Means) -> int:
    """How many bytes at least are a sync, which is never inverted: where bytes have a start, none need be."""
    is_repeated = any(sample.repeats > 1 for sample in kind.samples)
    return 0 if means.framing.is_inverted and means.framing.byte.start and not is_repeated else 1


def _constants(items: Sequence[Named]) -> int:
    return items[0].part.widths[0] if items and items[0].name == "sync" else 0


def _fixed(items: Sequence[Named]) -> set[str]:
    """Names of items that are the same on every tape."""
    return {"sync", "fixed"} | {item.name for item in items if item.part.kind == "constant"}


def _width(claim: CheckClaim, framing: Framing) -> int:
    return claim.rule.width_bytes * (2 if framing.field_coding == "hex" and claim.rule.is_coded else 1)


def _check_bits(claim: CheckClaim) -> float:
    """What a check costs: its bytes, given the rule, and more where they do not agree with it."""
    return claim.cost + 8.0 * claim.rule.width_bytes * (claim.messages - claim.agreeing)
