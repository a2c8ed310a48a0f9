"""What was concluded about a format, in plain words: how sure, why, and what else it may be."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tapewright.cards.describe import symbol_words
from tapewright.learn.certainty import CERTAIN_BITS, Certainty, certainty_of
from tapewright.learn.check_words import rule_words
from tapewright.learn.checks import INVERTING_IS_UNTOLD, CheckClaim
from tapewright.learn.findings import Findings
from tapewright.learn.framing import Framing
from tapewright.learn.kinds import Kind
from tapewright.learn.messages import Named
from tapewright.learn.part_words import part_words, parts_words

__all__ = ["LONG_PROGRAM", "Conclusion", "as_doubted", "conclusions_of"]

#: A program of more bytes than this would have been cut into blocks, if the machine does that.
LONG_PROGRAM = 256
#: Lengths that were seen so often, or within this share of one another, are no accident.
OFTEN, ALIKE = 20, 0.05
#: Rivals that are told of each item.
MOST_RIVALS = 3
#: A trailer shorter than this is none.
SHORTEST_SECONDS = 0.02


@dataclass(frozen=True)
class Conclusion:
    """One thing that was found out.

    Parameters
    ----------
    what : str
        ``line code``, ``timings``, ``leader``, ``polarity``, ``bit order``, ``framing``, ``parity``,
        ``sync``, ``header field ...``, ``data coding``, ``copies``, ``blocks``, ``addresses``,
        ``check``, ``trailer``, ``recordings``.
    says : str
        In plain words.
    certainty : {"certain", "likely", "open"}
        ``certain``: nothing else within 12 bits; ``likely``: within 6.
    evidence : str
        One sentence.
    rivals : tuple of str
        What else it may be.
    block : str
        The kind of block it is about, where there are several.
    """

    what: str
    says: str
    certainty: Certainty
    evidence: str
    rivals: tuple[str, ...] = ()
    block: str = ""


def conclusions_of(found: Findings) -> tuple[Conclusion, ...]:
    """Say what was found out about a format.

    Parameters
    ----------
    found : Findings

    Returns
    -------
    tuple of Conclusion
        In the order of a card: sound, bytes, blocks from their beginning to their end.
    """
    told = [*_sound(found), *_left_out(found), *_byte(found)]
    is_one = len(found.kinds) == 1
    for kind in found.kinds:
        told += _block(found, kind, "" if is_one else kind.name)
    told += [*_blocks(found), *_addresses(found)]
    return tuple(map(_as_guess, told) if found.is_guess else told)


def as_doubted(conclusions: Sequence[Conclusion], because: str) -> tuple[Conclusion, ...]:
    """Say no more of blocks than can be known if no card reads what it was learned from, `because` of that.

    Of sound and bytes the known bytes themselves are the proof.
    """
    told = []
    for conclusion in conclusions:
        if conclusion.certainty == "certain" and not conclusion.what.startswith(_PROVED_BY_BYTES):
            evidence = f"{conclusion.evidence} {because}"
            conclusion = replace(conclusion, certainty="likely", evidence=evidence)
        told.append(conclusion)
    return tuple(told)


def _as_guess(conclusion: Conclusion) -> Conclusion:
    """Say no more than can be known where nobody said what was saved."""
    certainty: Certainty = "likely" if conclusion.certainty == "certain" else conclusion.certainty
    guess = replace(conclusion, certainty=certainty)
    if conclusion.what in _GUESSES:
        evidence, rivals = _GUESSES[conclusion.what]
        guess = replace(guess, evidence=evidence, rivals=rivals, certainty="open" if rivals else certainty)
    if conclusion.what == "check" and conclusion.says.startswith("none"):
        # where the data end is a guess itself, so nobody can say that nothing comes after them
        guess = replace(guess, certainty="open", rivals=("a check among what is taken for data",))
    return guess


#: What is certain where the known bytes were found, whatever blocks they stand in.
_PROVED_BY_BYTES = ("line code", "timings", "polarity", "bit order", "framing", "parity", "data coding")

#: What is said instead of some conclusions' evidence where no byte is known, and what else each may be.
_GUESSES: dict[str, tuple[str, tuple[str, ...]]] = {
    "line code": (
        "Its symbols explain the sound best; nobody said which of the two is 1.",
        ("0 and 1 exchanged",),
    ),
    "bit order": ("It makes the likeliest bytes.", ("the other order",)),
    "framing": ("The symbols between bytes are always these, as far as bytes can be told.", ()),
    "parity": ("So it is in the bytes that were made out.", ()),
    "data coding": ("It makes the likeliest bytes.", ("inverted",)),
    "addresses": ("Numbers before the data behave like that.", ()),
}


def _sound(found: Findings) -> Iterator[Conclusion]:
    code, count = found.code, round(found.framing.found * found.known_bytes)
    bits = "; ".join(f"{bit} is {symbol_words(found.symbols[bit])}" for bit in "01")
    yield Conclusion(
        "line code", f"{code.family}: {bits}", certainty_of(8.0 * count),
        f"{code.words.rstrip('.')}, and {count} of the {found.known_bytes} known bytes appear with it.",
    )  # fmt: skip
    lengths = ", ".join(
        f"{t.name} {t.microseconds:.4g} us (give or take {t.spread_us:.2g})" for t in code.timings
    )
    often = min((t.count for t in code.timings), default=0)
    counts = ", ".join(f"{t.count} {t.name}" for t in code.timings)
    yield Conclusion(
        "timings", f"half-waves: {lengths}", "certain" if often >= OFTEN else "likely",
        f"Medians of {counts} ones, at the mean speed of the recordings.",
    )  # fmt: skip
    yield _polarity(found)


def _left_out(found: Findings) -> Iterator[Conclusion]:
    if found.misheard is not None:
        yield Conclusion(
            "recordings", f"recording {found.misheard + 1} is left out, as misheard", "likely",
            "What stands before its data is of another length than in all the others, and without it they are"
            " far easier to describe.",
            ("a block that the others do not have",),
        )  # fmt: skip


def _polarity(found: Findings) -> Conclusion:
    if found.code.polar:
        return Conclusion(
            "polarity", "matters: upside down it is other data", "certain",
            f"The symbols differ in which way the sound goes, not in lengths alone{_upside_down(found)}.",
        )  # fmt: skip
    return Conclusion(
        "polarity", "does not matter: upside down it is the same data", "certain",
        "The symbols differ in lengths, not in which way the sound goes.",
    )  # fmt: skip


def _upside_down(found: Findings) -> str:
    """Which recordings are the other way up than the first."""
    swapped = found.framing.swapped
    others = [str(n + 1) for n, is_swapped in enumerate(swapped) if is_swapped != swapped[0]]
    return f"; recording {', '.join(others)} is the other way up than the first" if others else ""


def _byte(found: Findings) -> Iterator[Conclusion]:
    byte = found.framing.byte
    near = [other for other in found.framings if found.framing_lead_bits(other) < CERTAIN_BITS]
    seen = f"{100 * found.framing.found:.0f} % of the known bytes are found that way"

    def judged(what: str, says: str, other: list[str], leads: list[float], evidence: str) -> Conclusion:
        lead = min(leads, default=CERTAIN_BITS)
        return Conclusion(what, says, certainty_of(lead), evidence, tuple(dict.fromkeys(other)))

    turned = [other for other in near if other.byte.order != byte.order and other.byte.bits == byte.bits]
    yield judged(
        "bit order", _order(found.framing), [_order(other) for other in turned],
        [found.framing_lead_bits(other) for other in turned], f"{seen}.",
    )  # fmt: skip
    framed = [other for other in near if other.byte.bits != byte.bits]
    spaced = " Idle time stands between bytes here and there." if found.framing.spaced else ""
    yield judged(
        "framing", _frame(found.framing), [_frame(other) for other in framed],
        [found.framing_lead_bits(other) for other in framed],
        f"{seen}, and the symbols between them are always these.{spaced}",
    )  # fmt: skip
    yield _parity(found)
    yield _coding(found)


def _order(framing: Framing) -> str:
    return f"{'least' if framing.byte.order == 'lsb' else 'most'} significant bit first"


def _frame(framing: Framing) -> str:
    byte = framing.byte
    start = f"start {byte.start}, " if byte.start else ""
    stop = f", stop {byte.stop}" if byte.stop else ""
    around = "" if byte.start or byte.stop else ", nothing between bytes"
    return f"{start}{byte.bits} bits{stop}{around}"


def _parity(found: Findings) -> Conclusion:
    """Parity can be told from a constant where bytes with odd and with even numbers of ones were seen."""
    byte = found.framing.byte
    if byte.symbols_per_byte == byte.bits:
        return Conclusion("parity", "none", "certain", "Nothing stands between one byte and the next.")
    ones = Counter(value.bit_count() % 2 for value in found.sent_bytes)
    fewest = min(ones[0], ones[1])
    evidence = f"Of the known bytes on tape {ones[1]} have an odd number of ones and {ones[0]} an even one."
    rivals = (
        () if fewest >= CERTAIN_BITS else ("a constant" if byte.parity != "none" else "even or odd parity",)
    )
    return Conclusion("parity", byte.parity, certainty_of(float(fewest)), evidence, rivals)


def _coding(found: Findings) -> Conclusion:
    says = (
        "two hexadecimal characters for each byte" if found.framing.coding == "hex" else "bytes as they are"
    )
    upright, inverted = says, f"{says}, inverted"
    says, other = (inverted, upright) if found.framing.xor else (upright, inverted)
    lead = found.turned_lead_bits
    if lead < 1.0:  # nothing but the data tells: the sound is the same
        evidence = f"It could as well be {other}, with 0 and 1 the other way round: the same sound."
        return Conclusion("data coding", says, "certain", evidence)
    rivals = (f"{other}, with 0 and 1 the other way round",) if lead < CERTAIN_BITS else ()
    evidence = "With 0 and 1 the other way round there is no description at all."
    if np.isfinite(lead):
        evidence = f"With 0 and 1 the other way round the description is {lead:.0f} bits longer."
    return Conclusion("data coding", says, certainty_of(lead), evidence, rivals)


def _block(found: Findings, kind: Kind, name: str) -> Iterator[Conclusion]:
    yield _leader(found, kind, name)
    yield from _marks(kind, name)
    for item in kind.head:
        if item.name == "check":
            yield _check(kind.head, kind.head_check, name)
        elif item.name == "sync":
            yield _sync(kind, item, name)
        else:
            yield _field(kind, item, f"header field {item.name}", name)
    if not kind.has_data:
        return
    for item in kind.tail:
        if item.name == "check":
            yield _check(kind.tail, kind.tail_check, name)
        else:
            yield _field(kind, item, "trailer", name)
    if kind.tail_check is None:
        yield _no_check(kind, name)
    yield _trailer(found, kind, name)


def _leader(found: Findings, kind: Kind, name: str) -> Conclusion:
    seconds = np.array([sample.lead_seconds for sample in kind.samples if sample.lead])
    if not len(seconds):
        return Conclusion("leader", "none", "likely", "The bytes follow what is before them.", (), name)
    symbol = next(sample.lead for sample in kind.samples if sample.lead)
    middle, low, high = float(np.median(seconds)), float(seconds.min()), float(seconds.max())
    is_first = kind is found.kinds[0] and len(seconds) == _saves(kind)
    after = "" if is_first else ", with what the block before it ends in"
    alike = high - low <= max(ALIKE * middle, SHORTEST_SECONDS)
    length = f"{middle:.2f} s" if alike else f"{low:.2f} to {high:.2f} s"
    certainty: Certainty = "certain" if alike and len(seconds) > 1 else "likely"
    evidence = f"So it is before {_times(len(seconds), 'block')}."
    return Conclusion("leader", f"{symbol} for {length}{after}", certainty, evidence, (), name)


def _marks(kind: Kind, name: str) -> Iterator[Conclusion]:
    marks = Counter(sample.mark for sample in kind.samples)
    mark, often = marks.most_common(1)[0]
    if mark:
        evidence = f"They stand before {often} of {_times(len(kind.samples), 'block')}."
        certainty = certainty_of(2.0 * often * len(mark)) if often == len(kind.samples) else "likely"
        yield Conclusion("sync", f"the symbols {mark} after the leader", certainty, evidence, (), name)


def _sync(kind: Kind, item: Named, name: str) -> Conclusion:
    value, part = item.part.value.hex(" ").upper(), item.part
    repeats = max(sample.repeats for sample in kind.samples)
    if repeats > 1:
        rest = part.value[1:].hex(" ").upper()
        value = f"{part.value[:1].hex().upper()}, {repeats} times" + (f", then {rest}" if rest else "")
    evidence = f"They begin {_times(len(kind.samples), 'block')} of {_times(_saves(kind), 'recording')}."
    return Conclusion(
        "sync", f"the bytes {value}", certainty_of(part.lead_bits), evidence, _rivals(item), name
    )  # fmt: skip


def _field(kind: Kind, item: Named, what: str, name: str) -> Conclusion:
    part, where = item.part, f"{_times(len(kind.samples), 'block')} of {_times(_saves(kind), 'recording')}"
    if part.kind == "unknown":
        says = f"not known: {_times(part.widths[0], 'byte')}, {part.value.hex(' ').upper()} in the first"
        return Conclusion(what, says, "open", f"Nothing that was tried explains it in {where}.", (), name)
    same = [part_words(part, other) for other in kind.facts.same.get(part.fact, ())]
    also = f" (or {', or '.join(same)}: the same here)" if same and part.kind == "field" else ""
    evidence = f"So it is in {where}; the next best description is {part.lead_bits:.0f} bits longer."
    return Conclusion(
        what, part_words(part) + also, certainty_of(part.lead_bits), evidence, _rivals(item), name
    )  # fmt: skip


def _rivals(item: Named) -> tuple[str, ...]:
    words = (parts_words(rival.other) for rival in item.part.others if rival.bits < CERTAIN_BITS)
    return tuple(dict.fromkeys(words))[:MOST_RIVALS]


def _check(items: Sequence[Named], claim: CheckClaim | None, name: str) -> Conclusion:
    assert claim is not None  # an item of that name is there because of it
    says = rule_words(claim.rule)
    if claim.variants:
        says += f" (or {rule_words(claim.variants[0])}: the same)"
    rivals = tuple(_rival_words(items, claim, other) for other in claim.rivals)
    if claim.doubt == INVERTING_IS_UNTOLD:
        rivals = (*rivals, claim.doubt)
    if claim.certainty != "certain" and not rivals:
        rivals = ("no check, which agrees by chance",)
    return Conclusion("check", says, claim.certainty, claim.words, rivals, name)


def _rival_words(items: Sequence[Named], claim: CheckClaim, other: CheckClaim) -> str:
    """Say what else a check may be; of a wider one, that its upper byte has been the same in all blocks."""
    place = [item.name for item in items].index("check")
    beside = items[place - 1 : place] if other.rule.offset < claim.rule.offset else items[place + 1 :][:1]
    is_wider = other.rule.width_bytes > claim.rule.width_bytes
    never_changed = is_wider and any(item.part.kind == "constant" for item in beside)
    return rule_words(other.rule) + (", of which the high byte never changed" if never_changed else "")


def _no_check(kind: Kind, name: str) -> Conclusion:
    if not kind.tail:
        evidence = "Nothing stands between the last byte and what is after it."
        says = "none" if kind.head_check is None else "none over the data"
        return Conclusion("check", says, "certain" if _saves(kind) > 1 else "likely", evidence, (), name)
    evidence = "Bytes stand after the data, but no sum or CRC that was tried makes them."
    return Conclusion("check", "none found", "open", evidence, ("a check of a kind not tried",), name)


def _trailer(found: Findings, kind: Kind, name: str) -> Conclusion:
    last = {sample.save: sample for sample in kind.samples}.values()
    seconds = np.array([sample.trail_seconds for sample in last])
    certainty: Certainty = (
        "certain" if len(seconds) > 1 and np.ptp(seconds) < ALIKE * seconds.max() else "likely"
    )
    if float(np.median(seconds)) < SHORTEST_SECONDS:
        return Conclusion("trailer", "none", certainty, "The sound ends with the last byte.", (), name)
    says = f"{found.code.leader if not found.framing.swapped[0] else _swapped(found.code.leader)}"
    says += f" for {float(np.median(seconds)):.2f} s"
    evidence = f"So it is after the last block of {_times(len(seconds), 'recording')}."
    return Conclusion("trailer", says, certainty, evidence, (), name)


def _swapped(symbol: str) -> str:
    return {"0": "1", "1": "0"}.get(symbol, symbol)


def _blocks(found: Findings) -> Iterator[Conclusion]:
    data = next(kind for kind in found.kinds if kind.has_data)
    names = " then ".join(kind.name for kind in found.kinds)
    longest, size = max(len(known.data) for known in found.knowns), found.rules.size
    counts = [sample.count for sample in data.samples]
    if size is None:
        rivals = ("longer programs are cut into several blocks",) if longest <= LONG_PROGRAM else ()
        says = "one holds the whole program" + (f": {names}" if len(found.kinds) > 1 else "")
        evidence = f"The longest program that was saved has {longest} bytes."
        yield Conclusion("blocks", says, "open" if rivals else "likely", evidence, rivals)
    else:
        full = counts.count(size)
        says = f"a program is cut into pieces of {size} bytes: {names}"
        evidence = f"{full} of {_times(len(counts), 'block')} have that many, the others fewer."
        yield Conclusion("blocks", says, "certain" if full > 1 else "likely", evidence)
    for doubt in found.rules.doubts:
        says, _, then = doubt.rstrip(".").partition("; ")
        yield Conclusion("blocks", says[:1].lower() + says[1:], "open", f"{then[:1].upper()}{then[1:]}.")
    copies = Counter(sample.copies for kind in found.kinds for sample in kind.samples)
    usual, often = copies.most_common(1)[0]
    total = sum(copies.values())
    evidence = f"{often} of {_times(total, 'block')} are there that often."
    yield Conclusion(
        "copies", "each block once" if usual == 1 else f"each block {usual} times",
        "certain" if often == total else "likely", evidence,
    )  # fmt: skip


def _addresses(found: Findings) -> Iterator[Conclusion]:
    is_on_tape = found.rules.load is not None or found.rules.header_load is not None
    if not is_on_tape:
        given = any(known.start is not None for known in found.knowns)
        evidence = (
            "No number before the data follows from the address." if given
            else "You gave no address, and no number before the data behaves like one."
        )  # fmt: skip
        yield Conclusion("addresses", "not on the tape", "likely" if given else "open", evidence)
        return
    supposed = [n for n, known in enumerate(found.knowns) if known.start is None]
    shown = ", ".join(f"{start:04X}" for start in found.starts if start is not None)
    if supposed:
        evidence = f"You did not say; with {shown} the bytes before the data have the shortest description."
        yield Conclusion("addresses", f"supposed: {shown}", certainty_of(found.starts_lead_bits), evidence)


def _saves(kind: Kind) -> int:
    return len({sample.save for sample in kind.samples})


def _times(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"
