"""Names for the items found, and blocks as messages that a check may cover."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from tapewright.learn.checks import Message
from tapewright.learn.facts import Facts
from tapewright.learn.framing import Framing
from tapewright.learn.known import as_held
from tapewright.learn.parts import Part

__all__ = ["Named", "messages_of", "named"]

_NUMBER_TYPES = {1: "u8", 2: "u16-be", 3: "u24-be", 4: "u32-be"}


@dataclass(frozen=True)
class Named:
    """An item with the name it has in the card.

    Parameters
    ----------
    name : str
        ``sync`` for constants at the beginning, ``fixed`` for such as are written in characters, ``check``
        for a check.
    part : Part
    """

    name: str
    part: Part


def named(
    parts: Iterable[Part], facts: Facts, taken: Iterable[str] = (), *, leading: bool = True
) -> Iterator[Named]:
    """Give every item a name of its own; long constants and unknown bytes are cut into numbers.

    Where the same number stands twice, the second is taken for another that is the same in all the blocks.

    Parameters
    ----------
    parts : iterable of Part
    facts : Facts
    taken : iterable of str
        Names that are used already.
    leading : bool
        Whether these parts begin a block, so that constants at their beginning are a sync.
    """
    taken = set(taken)
    begins = leading
    for part in parts:
        if part.kind == "constant" and begins:
            plain = part.coding == "plain"
            begins = plain  # characters after the sync
            yield Named("sync" if plain else "fixed", part)
            continue
        begins = False
        for piece in _pieces(part):
            name = _name(piece, taken, facts)
            taken.add(name)
            fact = name if name in facts.same.get(piece.fact, ()) and not piece.offset else piece.fact
            yield Named(name, replace(piece, fact=fact))


def _pieces(part: Part) -> Iterator[Part]:
    if part.kind not in ("constant", "unknown"):
        yield part
        return
    each = 2 if part.coding == "hex" else 1
    for begin in range(0, len(part.value), 4):
        value = part.value[begin : begin + 4]
        yield replace(
            part, first=part.first + begin * each, widths=(len(value) * each,) * len(part.widths),
            value=value, type=_NUMBER_TYPES[len(value)],
        )  # fmt: skip


def _name(part: Part, taken: set[str], facts: Facts) -> str:
    base = {"constant": "constant", "unknown": "unknown", "text": "name"}.get(part.kind) or _field_name(part)
    if base in taken and base == part.fact:
        base = next((other for other in facts.same.get(base, ()) if other not in taken), base)
    name, number = base, 2
    while name in taken:
        name, number = f"{base}_{number}", number + 1
    return name


def _field_name(part: Part) -> str:
    if part.fact == "two":
        return "flag"
    if not part.offset:
        return part.fact
    special = {("end", 1): "past_end", ("start", -1): "before_start"}
    return special.get((part.fact, part.offset), f"{part.fact}_on_tape")


def messages_of(
    items: Sequence[Named], heads: Sequence[bytes], data: Sequence[bytes], tails: Sequence[bytes],
    framing: Framing, sync: int,
) -> list[Message]:  # fmt: skip
    """Make messages of blocks.

    Parameters
    ----------
    items : sequence of Named
        What the heads consist of.
    heads, data, tails : sequence of bytes
        Of each block: tape bytes before the data, the data as they are in memory, tape bytes after it.
    framing : Framing
        How the data are written, and perhaps what follows.
    sync : int
        How many constants at the beginning go by the name of sync; the others by that of fixed.
    """
    return [
        _message(items, k, head, body, tail, framing, sync)
        for k, (head, body, tail) in enumerate(zip(heads, data, tails, strict=True))
    ]


def _message(
    items: Sequence[Named], which: int, head: bytes, body: bytes, tail: bytes, framing: Framing, sync: int
) -> Message:
    found: list[tuple[str, bytes]] = []
    sent: list[bytes] = []
    place = 0
    for item in items:
        taken = head[place : place + item.part.widths[which]]
        place += len(taken)
        if item.name == "check":
            continue
        if item.name == "sync":
            marked = _inverted(taken[:sync], framing)
            found += [(name, part) for name, part in (("sync", marked), ("fixed", taken[sync:])) if part]
            sent += [part for part in (marked, _inverted(taken[sync:], framing)) if part]
            continue
        found.append((item.name, as_held(taken, item.part.coding)))
        sent.append(_inverted(taken, framing))
    if body:
        found.append(("data", body))
        sent.append(_inverted(framing.sent(body), framing))
    return Message(tuple(found), tuple(sent), as_held(tail, framing.field_coding), _inverted(tail, framing))


def _inverted(sent: bytes, framing: Framing) -> bytes:
    """Bytes as the machine means them to stand on tape."""
    return bytes(value ^ framing.mask for value in sent)
