"""The format card of what was found, with the evidence in its comments."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from tapewright.cards.checks import CrcCheck
from tapewright.cards.symbols import HalfWaves, Levels, Piece, Tone
from tapewright.learn.certainty import certainty_of
from tapewright.learn.checks import CheckClaim
from tapewright.learn.framing import Framing
from tapewright.learn.kinds import Kind
from tapewright.learn.messages import Named
from tapewright.learn.rules import Rules, shifted
from tapewright.learn.stream import exchanged

__all__ = ["Heading", "card_text"]

#: A reader insists on this share of a leader, and on no more than so many seconds.
LEAST_SHARE, MOST_INSISTED = 0.15, 0.3
#: Trailers and silences shorter than this are not worth a line.
SHORTEST_SECONDS = 0.02
#: Of what stands between two blocks, no more than this is trailer.
MOST_TRAIL = 0.9
#: Where the column of comments begins, if there is room.
COMMENT_COLUMN = 52


@dataclass(frozen=True)
class Heading:
    """The top of a card.

    Parameters
    ----------
    name, title, source, notes : str
    symbols : dict of str to list of Piece
        By the names they have in the card.
    symbol_notes : tuple of str
        Comments above them.
    """

    name: str
    title: str
    source: str
    notes: str
    symbols: dict[str, list[Piece]]
    symbol_notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Line:
    text: str
    note: str = ""


def card_text(heading: Heading, framing: Framing, kinds: Sequence[Kind], rules: Rules) -> str:
    """Write the card.

    Parameters
    ----------
    heading : Heading
    framing : Framing
    kinds : sequence of Kind
        In the order they stand on tape.
    rules : Rules

    Returns
    -------
    str
        TOML; `cards.parse_card` takes it.
    """
    lines = [
        'card   = "format"', f"name   = {_text(heading.name)}", f"title  = {_text(heading.title)}",
        f"source = {_text(heading.source)}",
    ]  # fmt: skip
    if heading.notes:
        lines += ['notes  = """', heading.notes, '"""']
    lines += ["", "[symbols]", *(f"# {note}" for note in heading.symbol_notes)]
    lines += [
        f"{_text(name)} = [{', '.join(map(_piece, pieces))}]" for name, pieces in heading.symbols.items()
    ]
    lines += ["", *_byte_table(framing)]
    for place, kind in enumerate(kinds):
        after = kinds[place - 1].name if place else None
        lines += ["", *_block(kind, after, framing, rules, kinds)]
    return "\n".join(lines) + "\n"


def _text(value: str) -> str:
    return json.dumps(value)  # TOML's basic strings are JSON's, for everything a card holds


def _digits(value: float) -> str:
    return f"{value:.6g}"


def _piece(piece: Piece) -> str:
    if isinstance(piece, Tone):
        unit, length = ("cycles", piece.cycles or 0) if piece.us is None else ("us", piece.us)
        return f"{{ tone = {_digits(piece.tone)}, {unit} = {_digits(length)} }}"
    if isinstance(piece, HalfWaves):
        return f"{{ half_waves = [{', '.join(map(_digits, piece.half_waves))}] }}"
    if isinstance(piece, Levels):
        levels = ", ".join(f"[{level:.4g}, {_digits(us)}]" for level, us in piece.levels)
        return f"{{ levels = [{levels}] }}"
    return f"{{ silence = {_digits(piece.silence)} }}"


def _byte_table(framing: Framing) -> Iterator[str]:
    byte = framing.turned.byte if framing.is_inverted else framing.byte
    yield "[byte]"
    yield f"bits   = {byte.bits}"
    yield f"order  = {_text(byte.order)}"
    for key in ("start", "stop"):
        if getattr(byte, key):
            yield f"{key:6} = {_text(getattr(byte, key))}"
    if byte.parity != "none":
        yield f"parity = {_text(byte.parity)}"


def _block(
    kind: Kind, after: str | None, framing: Framing, rules: Rules, kinds: Sequence[Kind]
) -> Iterator[str]:
    yield "[[block]]"
    yield f"kind   = {_text(kind.name)}"
    if after is not None:
        yield f"after  = {_text(after)}"
    copies = int(np.median([sample.copies for sample in kind.samples]))
    if copies > 1:
        yield f"copies = {copies}"
    if kind.has_data:
        if rules.size is not None and (after is None or rules.total or rules.last_when):
            yield f"size   = {rules.size}"
        if rules.total is not None:
            yield f"total  = {_text(rules.total)}"
    yield "layout = ["
    for line in _layout(kind, framing, rules, kinds):
        room = "  " + line.text + ","
        yield f"{room:<{COMMENT_COLUMN}} # {line.note}" if line.note else room
    yield "]"
    if kind.has_data and rules.last_when is not None:
        yield f"last_when = {{ field = {_text(rules.last_when[0])}, equals = {rules.last_when[1]} }}"
    if kind.has_data and rules.load is not None:
        yield f"load   = {_text(rules.load)}"
    if not kind.has_data and rules.header_load is not None and _is_header(kind, kinds):
        yield f"load   = {_text(rules.header_load)}"


def _is_header(kind: Kind, kinds: Sequence[Kind]) -> bool:
    """Whether the data follow this one."""
    place = kinds.index(kind)
    return place + 1 < len(kinds) and kinds[place + 1].has_data


def _layout(kind: Kind, framing: Framing, rules: Rules, kinds: Sequence[Kind]) -> Iterator[_Line]:
    lead, trail, gap = _rests(kind, kinds)
    first = kind.samples[0]
    symbol = _meant(first.lead, framing)
    if symbol and lead >= SHORTEST_SECONDS:
        least = min(LEAST_SHARE * lead, MOST_INSISTED)
        yield _Line(f"{{ lead = {_text(symbol)}, seconds = {lead:.2f}, at_least = {least:.2f} }}")
    if first.mark:
        yield _Line(f"{{ mark = {_text(_meant(first.mark, framing))} }}")
    yield from _items(kind, kind.head, kind.head_check, framing)
    if kind.has_data:
        coding = ', coding = "hex"' if framing.coding == "hex" else ""
        mask = framing.xor & framing.ones or framing.mask
        coding += f", xor = {mask}" if mask else ""
        yield _Line(f"{{ data = {_text(rules.data)}{coding} }}")
        yield from _items(kind, kind.tail, kind.tail_check, framing)
    if symbol and trail >= SHORTEST_SECONDS:
        yield _Line(f"{{ lead = {_text(symbol)}, seconds = {trail:.2f} }}")
    if gap >= SHORTEST_SECONDS:
        yield _Line(f"{{ gap = {gap:.2f} }}")


def _meant(symbols: str, framing: Framing) -> str:
    """Symbols by the names they have in the card."""
    return exchanged(symbols) if framing.is_inverted else symbols


def _rests(kind: Kind, kinds: Sequence[Kind]) -> tuple[float, float, float]:
    """Seconds of leader, trailer and silence of a block of this kind.

    Between two blocks a trailer cannot be told from the leader after it. The last trailer on a tape tells how
    long the data's is; what is left is leader, and what is more of it after a header is the header's trailer.
    """
    samples = kind.samples
    gap = float(np.median([sample.gap_seconds for sample in samples]))
    trail = _last_trail(kinds[-1])
    if kind is kinds[0]:
        lead = float(np.median([s.lead_seconds for k, s in enumerate(samples) if _is_first(samples, k)]))
    else:
        lead = 0.0
    if kind.has_data:
        later = [s.lead_seconds for k, s in enumerate(samples) if not _is_first(samples, k)]
        if later:
            between = float(np.median(later))
            own_trail, own_lead = trail, between  # apart, where there is a silence between them
            if gap < SHORTEST_SECONDS:
                own_trail = min(trail, MOST_TRAIL * between)
                own_lead = between - own_trail
            return (lead if kind is kinds[0] and lead else own_lead), own_trail, gap
        if kind is not kinds[0]:
            lead = float(np.median([s.lead_seconds for s in samples]))
    elif kind is not kinds[0]:
        lead = float(np.median([s.lead_seconds for s in samples]))
    if kind is not kinds[-1]:
        following = kinds[kinds.index(kind) + 1]
        trail = 0.0
        if following.has_data:
            after = following.samples
            heard = [sample.lead_seconds for k, sample in enumerate(after) if _is_first(after, k)]
            trail = max(float(np.median(heard)) - _rests(following, kinds)[0], 0.0)
    return lead, trail, gap


def _is_first(samples: Sequence[object], place: int) -> bool:
    """Whether this is the first block of its kind in its recording."""
    return place == 0 or samples[place].save != samples[place - 1].save  # type: ignore[attr-defined]


def _last_trail(kind: Kind) -> float:
    saves = {sample.save: sample.trail_seconds for sample in kind.samples}
    return float(np.median(list(saves.values())))


def _items(kind: Kind, items: Sequence[Named], claim: CheckClaim | None, framing: Framing) -> Iterator[_Line]:
    for item in items:
        if item.name == "check" and claim is not None:
            yield _check(claim, framing)
        else:
            yield from _item(kind, item, framing)


def _coding(coding: str, framing: Framing) -> str:
    """How an item is written, and that it is inverted if all are."""
    keys = f', coding = "{coding}"' if coding != "plain" else ""
    return keys + (f", xor = {framing.mask}" if framing.mask else "")


def _item(kind: Kind, item: Named, framing: Framing) -> Iterator[_Line]:
    part = item.part
    coding = _coding(part.coding, framing)
    if item.name == "sync":
        yield from _sync(kind, item, framing)
    elif item.name == "fixed":
        yield _Line(f'{{ fixed = "{part.value.hex(" ")}"{coding} }}')
    elif part.kind in ("constant", "unknown"):
        value = int.from_bytes(part.value, "big")
        varies = part.kind == "unknown" or _may_be_check(kind, item)
        more = ", varies = true" if varies else ""
        note = "one program only: may be a check" if varies and part.kind == "constant" else part.words
        yield _Line(
            f'{{ field = "{item.name}", type = "{part.type}", value = 0x{value:x}{more}{coding} }}', note
        )
    elif part.kind == "text" and part.is_ended:
        yield _Line(f'{{ text = "{item.name}", end = "{part.value.hex()}"{coding} }}', _surety(item))
    elif part.kind == "text":
        pad = part.value.decode("ascii")
        length = part.widths[0] // (2 if part.coding == "hex" else 1)
        says = f'{{ text = "{item.name}", length = {length}, pad = {_text(pad)}{coding} }}'
        yield _Line(says, _surety(item))
    else:
        value_text = _value(part.fact, part.offset, part.two)
        value_key = f", value = {_text(value_text)}" if value_text != item.name else ""
        yield _Line(f'{{ field = "{item.name}", type = "{part.type}"{value_key}{coding} }}', _surety(item))


def _surety(item: Named) -> str:
    certainty = certainty_of(item.part.lead_bits)
    or_else = f"; or: {item.part.rivals[0]}" if item.part.rivals else ""
    return "" if certainty == "certain" else certainty + or_else


def _may_be_check(kind: Kind, item: Named) -> bool:
    """Whether a constant stands where checks do, and no second program tells that it is none."""
    if len({(sample.first, sample.end, sample.head, sample.tail) for sample in kind.samples}) > 1:
        return False
    after = kind.head[kind.head.index(item) :] if item in kind.head else ()
    ends_head = kind.head_check is None and all(other.part.kind == "constant" for other in after)
    return item in kind.tail or ends_head


def _value(fact: str, offset: int, two: tuple[int, int]) -> str:
    if fact == "two":
        last, before = two
        return f"{before} {'+' if last > before else '-'} is_last * {abs(last - before)}"
    return shifted(fact, offset)


def _sync(kind: Kind, item: Named, framing: Framing) -> Iterator[_Line]:
    sync = kind.sync_bytes
    value = bytes(byte ^ framing.mask for byte in item.part.value[:sync]) + item.part.value[sync:]
    repeats = max(sample.repeats for sample in kind.samples)  # a reader passes over no more than that
    if repeats > 1:
        least = max(1, min(sample.repeats for sample in kind.samples) // 3)
        yield _Line(f'{{ sync = "{value[:1].hex()}", times = {repeats}, at_least = {least} }}')
        value, sync = value[1:], max(sync - 1, 0)
    if value[:sync]:
        yield _Line(f'{{ sync = "{value[:sync].hex(" ")}" }}')
    if value[sync:]:
        yield _Line(f'{{ fixed = "{value[sync:].hex(" ")}"{_coding("plain", framing)} }}')


def _check(claim: CheckClaim, framing: Framing) -> _Line:
    rule = claim.rule
    if isinstance(rule.check, CrcCheck):
        crc = rule.check.crc
        keys = [f"width = {crc.width}", f"poly = 0x{crc.poly:x}"]
        keys += [f"init = 0x{crc.init:x}"] if crc.init else []
        keys += [f"{key} = true" for key in ("refin", "refout") if getattr(crc, key)]
        keys += [f"xorout = 0x{crc.xorout:x}"] if crc.xorout else []
        check = f"{{ crc = {{ {', '.join(keys)} }} }}"
    else:
        check = _text(rule.check)
    over = ", ".join(_text(name) for name in rule.over)
    more = f', order = "{rule.order}"' if rule.width_bytes > 1 else ""
    more += f", start = 0x{rule.start:x}" if rule.start else ""
    more += ", as_sent = true" if rule.as_sent else ""
    more += ', coding = "hex"' if framing.field_coding == "hex" and rule.is_coded else ""
    mask = rule.xor ^ (framing.mask if rule.is_coded else 0)
    more += f", xor = {mask}" if mask else ""
    doubt = f"; {claim.doubt}" if claim.doubt else ""
    return _Line(f"{{ check = {check}, over = [{over}]{more} }}", claim.certainty + doubt)
