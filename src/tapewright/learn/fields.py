"""What the bytes before and after the data are: the shortest description of them, in a card's own words.

Every byte can be a constant (paid for once), or unknown (paid for in every program anew). A field that tells
what the writer knows of the block is paid for with the surprise of its being there, a name with its
characters. The cheapest way through all bytes is what the card will say; by how much it is cheaper than any
other is how sure that is.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from tapewright.learn.certainty import CERTAIN_BITS
from tapewright.learn.facts import Facts
from tapewright.learn.names import EndedName, ended_names
from tapewright.learn.options import Bytes, order_bits
from tapewright.learn.parts import Option, Part, Rival

__all__ = ["RIVAL_BITS", "explain_bytes"]

#: What it costs that blocks are of different lengths and nothing says why.
LENGTHS_BITS = 24.0
#: How far below the best path others are still told, and how many of them.
RIVAL_BITS, MOST_RIVALS = CERTAIN_BITS, 8


def explain_bytes(
    runs: Sequence[bytes], facts: Facts, coding: str = "plain", *, may_have_text: bool = True,
    is_anchor: bool = False,
) -> tuple[list[Part], float]:  # fmt: skip
    """Describe bytes that stand in the same place of several blocks.

    Parameters
    ----------
    runs : sequence of bytes
        Of each block, as they stand on tape.
    facts : Facts
        What is known of the blocks.
    coding : {"plain", "hex"}
        ``hex``: fields may be written as hexadecimal characters.
    may_have_text : bool
        Whether a name may stand there.

    Returns
    -------
    parts : list of Part
    bits : float
        Length of the description.
    """
    seen = Bytes(runs, facts, coding, may_have_text, is_anchor)
    cuts = [_Cut.at(seen, name) for name in ended_names(runs, facts, coding)] if may_have_text else []
    readings = [cut for cut in cuts if cut.after.are_even]
    describe = _whole_and_cut if seen.are_even or readings else _in_common
    ways = [way for order in _orders(facts) for way in describe(seen, readings, order)]
    (best, bits), *others = sorted(ways, key=_bits)
    for other, more_bits in others:
        best = [_rivalled(part, best, other, more_bits - bits) for part in best]
    return best, bits


def _bits(described: tuple[list[Part], float]) -> float:
    return described[1]


def _rivalled(part: Part, mine: Sequence[Part], other: Sequence[Part], bits: float) -> Part:
    """The same part, if another description, so much longer, may do without it.

    It is the shortest with the other byte order of numbers, or with a name in other places.
    """
    if any(_is_same(part, one) for one in other):
        return part
    rival = _meeting(mine, other, part.first, _end(part), bits)
    others = _likeliest([*part.others, rival]) if bits < RIVAL_BITS else part.others
    return replace(part, lead_bits=min(part.lead_bits, bits), others=others)


def _likeliest(rivals: Sequence[Rival]) -> tuple[Rival, ...]:
    """Each in words of its own, the likeliest first."""
    told: dict[str, Rival] = {}
    for rival in sorted(rivals, key=lambda rival: rival.bits):
        told.setdefault(rival.words, rival)
    return tuple(told.values())[:MOST_RIVALS]


def _is_same(one: Part, other: Part) -> bool:
    return replace(one, lead_bits=0.0, others=()) == replace(other, lead_bits=0.0, others=())


def _end(part: Part) -> int:
    return part.first + min(part.widths)


def _orders(facts: Facts) -> tuple[str, ...]:
    return (facts.order,) if facts.order else ("le", "be")


@dataclass(frozen=True)
class _Cut:
    """A name in the midst, and the bytes before and after it."""

    name: EndedName
    before: Bytes
    after: Bytes

    @classmethod
    def at(cls, seen: Bytes, name: EndedName) -> _Cut:
        ends = [name.begin + width for width in name.part.widths]
        before = [run[: name.begin] for run in seen.runs]
        after = [run[end:] for run, end in zip(seen.runs, ends, strict=True)]
        first = replace(seen, runs=before, may_have_text=False)
        return cls(name, first, replace(first, runs=after, is_anchor=False))

    def described(self, order: str) -> tuple[list[Part], float]:
        """The shortest description with this name, if most numbers have one byte order."""
        before, before_bits = _cheapest(self.before, order)
        after, after_bits = _cheapest(self.after, order)
        # places after the name are counted from the end of the shortest
        shift = self.name.begin + min(self.name.part.widths)
        moved = [replace(part, first=part.first + shift) for part in after]
        return [*before, self.name.part, *moved], before_bits + self.name.cost + after_bits


def _whole_and_cut(
    seen: Bytes, cuts: Sequence[_Cut], order: str
) -> Iterator[tuple[list[Part], float]]:  # fmt: skip
    """The shortest descriptions if most numbers have one byte order: with none of the names, and each."""
    if seen.are_even:
        yield _cheapest(seen, order)
    for cut in cuts:
        yield cut.described(order)


def _in_common(
    seen: Bytes, cuts: Sequence[_Cut], order: str
) -> Iterator[tuple[list[Part], float]]:  # fmt: skip
    """What bytes have in common whose lengths differ, where no name explains it."""
    shortest = min(map(len, seen.runs))
    common = replace(seen, runs=[run[:shortest] for run in seen.runs], may_have_text=False)
    parts, bits = _cheapest(common, order)
    yield parts, bits + LENGTHS_BITS + 8.0 * sum(len(run) - shortest for run in seen.runs)


def _cheapest(seen: Bytes, order: str) -> tuple[list[Part], float]:
    """The cheapest way through, and for each part on it what the ways without it are."""
    options = [
        [
            replace(option, cost=option.cost + bits)
            if (bits := order_bits(option.part.type, order))
            else option
            for option in some
        ]
        for some in seen.options
    ]
    ways = _Ways(options)
    path = ways.through(None)
    chosen = {id(option) for option in path}
    detours = [(ways.bits_through(o), o) for some in options for o in some if id(o) not in chosen]
    detours.sort(key=lambda detour: detour[0])
    mine = [option.part for option in path]
    told = []
    for option in path:
        around = [(bits, other) for bits, other in detours if _overlap(option, other)]
        rivals = [
            _meeting(
                mine, [o.part for o in ways.through(other)], option.part.first, option.end, bits - ways.bits
            )
            for bits, other in around
            if bits - ways.bits < RIVAL_BITS
        ]
        told.append(
            replace(
                option.part,
                lead_bits=min((bits for bits, _ in around), default=math.inf) - ways.bits,
                others=_likeliest(rivals),
            )
        )
    return _joined(told), ways.bits


class _Ways:
    """The cheapest way through all bytes, and through any option."""

    def __init__(self, options: Sequence[Sequence[Option]]) -> None:
        length = len(options)
        self._before = [0.0] + [math.inf] * length
        self._after = [math.inf] * length + [0.0]
        self._back: list[Option | None] = [None] * (length + 1)
        self._forth: list[Option | None] = [None] * (length + 1)
        for place in range(length):
            for option in options[place]:
                bits = self._before[place] + option.cost
                if bits < self._before[option.end]:
                    self._before[option.end], self._back[option.end] = bits, option
        for place in reversed(range(length)):
            for option in options[place]:
                bits = option.cost + self._after[option.end]
                if bits < self._after[place]:
                    self._after[place], self._forth[place] = bits, option
        self.bits = self._before[length]

    def bits_through(self, option: Option) -> float:
        """Length of the shortest description that has this in it."""
        return self._before[option.part.first] + option.cost + self._after[option.end]

    def through(self, option: Option | None) -> list[Option]:
        """The shortest description that has this in it."""
        path: list[Option] = []
        place = len(self._back) - 1
        if option is not None:
            place = option.end
            while (following := self._forth[place]) is not None:
                path.append(following)
                place = following.end
            path = [option, *path]
            place = option.part.first
        while (before := self._back[place]) is not None:
            path = [before, *path]
            place = before.part.first
        return path


def _overlap(one: Option, other: Option) -> bool:
    return one.part.first < other.end and other.part.first < one.end


def _meeting(
    mine: Sequence[Part], other: Sequence[Part], begin: int, until: int, bits: float
) -> Rival:  # fmt: skip
    """Two ways through, cut to where they part and meet again around these bytes."""
    common = {0, *map(_end, mine)} & {0, *map(_end, other)}
    first = max(place for place in common if place <= begin)
    end = min(place for place in common if place >= until)
    own, others = (
        tuple(_joined([part for part in way if part.first >= first and _end(part) <= end]))
        for way in (mine, other)
    )
    return Rival(own, others, bits)


def _joined(parts: Sequence[Part]) -> list[Part]:
    """Put neighbouring constants together, and neighbouring unknown bytes."""
    joined: list[Part] = []
    for part in parts:
        last = joined[-1] if joined else None
        is_alike = last is not None and (part.kind, part.coding) == (last.kind, last.coding)
        if last is not None and is_alike and part.kind in ("constant", "unknown"):
            joined[-1] = replace(
                last, widths=tuple(a + b for a, b in zip(last.widths, part.widths, strict=True)),
                value=last.value + part.value, lead_bits=min(last.lead_bits, part.lead_bits),
                others=last.others + part.others,
            )  # fmt: skip
        else:
            joined.append(part)
    return joined
