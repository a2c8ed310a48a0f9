"""What to record next, so that what is open is settled.

Each of a handful of programs is saved in thought, and the one is asked for on which the descriptions that are
still possible disagree most.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tapewright.learn.certainty import CERTAIN_BITS
from tapewright.learn.checks import CheckClaim, CheckRule, Message
from tapewright.learn.conclusions import LONG_PROGRAM
from tapewright.learn.findings import Findings
from tapewright.learn.framing import Framing
from tapewright.learn.kinds import Kind
from tapewright.learn.messages import Named
from tapewright.learn.parts import Part, Rival
from tapewright.learn.predict import block_numbers, part_bytes, predicted_messages
from tapewright.learn.programs import Program, proposals

__all__ = ["Suggestion", "advise"]

#: More recordings than this are not asked for at once.
MOST_SUGGESTED = 3
#: Bytes of a program that takes several blocks, if the machine cuts programs; in blocks where it does.
LONG_BYTES, LONG_BLOCKS = 300, 2.5
LONG_NAME = "ABCDEFGHIJKLMNOPQRST"
_SEED = 5

Outcome = Callable[[Program], object]


@dataclass(frozen=True)
class Suggestion:
    """Something the owner can do that would settle what is open.

    Parameters
    ----------
    words : str
        What to do, a plain sentence.
    settles : tuple of str
        Which conclusions, by `Conclusion.what`.
    program : Program or None
        What to save; None where nothing has to be recorded.
    """

    words: str
    settles: tuple[str, ...]
    program: Program | None = None


@dataclass(frozen=True)
class _Question:
    """What a recording would show under the conclusion (first) and under each of its rivals."""

    what: str
    outcomes: tuple[Outcome, ...]

    def classes(self, program: Program) -> int:
        """How many different things might be heard."""
        return len({outcome(program) for outcome in self.outcomes})

    def is_settled(self, program: Program) -> bool:
        """Whether no rival would be heard as the conclusion is."""
        first, *others = (outcome(program) for outcome in self.outcomes)
        return first not in others


def advise(found: Findings) -> tuple[Suggestion, ...]:
    """Propose what to record next.

    Parameters
    ----------
    found : Findings

    Returns
    -------
    tuple of Suggestion
        What settles most first; empty where nothing is open that a recording could settle.
    """
    known = _known_program(found)
    said = [*_to_be_said(found)]
    open_questions = [*_questions(found, known)]
    programs = [*proposals(known), *_named(known), *_longer(found, known)]
    while open_questions and len(said) < MOST_SUGGESTED:
        gains = [sum(q.classes(program) - 1 for q in open_questions) for _, program in programs]
        best = int(np.argmax(gains))
        words, program = programs[best]
        settled = [q for q in open_questions if q.is_settled(program)]
        if not settled:
            break
        said.append(Suggestion(words, tuple(dict.fromkeys(q.what for q in settled)), program))
        open_questions = [q for q in open_questions if q not in settled]
    return tuple(said)


def _known_program(found: Findings) -> Program:
    """The longest program that was saved."""
    save = max(range(len(found.knowns)), key=lambda n: len(found.knowns[n].data))
    known = found.knowns[save]
    name = known.name if known.name is not None else _name_on_tape(found, save)
    return Program(known.data, found.starts[save], name)


def _name_on_tape(found: Findings, save: int) -> str | None:
    """The name a save was given, as it was heard."""
    for kind in found.kinds:
        for item in kind.head:
            for place, sample in enumerate(kind.samples):
                if item.part.kind == "text" and sample.save == save:
                    width = item.part.widths[place] - item.part.is_ended
                    heard = sample.head[item.part.first : item.part.first + width]
                    return heard.rstrip(b"" if item.part.is_ended else item.part.value).decode(
                        "ascii", "replace"
                    )
            for rival in item.part.others:
                if (name := _rival_name(rival)) is not None:
                    return name
    return None


def _rival_name(rival: Rival) -> str | None:
    """What a name would be that was taken for constants."""
    heard = b"".join(part.value for part in rival.mine)
    place = 0
    for part in rival.other:
        if part.kind == "text":
            return heard[place : place + part.widths[0]].rstrip(part.value).decode("ascii", "replace")
        place += part.widths[0]
    return None


def _to_be_said(found: Findings) -> Iterator[Suggestion]:
    """What the owner may know without recording anything."""
    is_told = all(known.start is not None for known in found.knowns)
    is_sure = found.starts_lead_bits >= CERTAIN_BITS and None not in found.starts
    if not is_told and not is_sure:
        yield Suggestion(
            "Say where in memory the program began, with --start, for every recording.", ("addresses",)
        )
    unnamed = any(known.name is None for known in found.knowns)
    texts = [
        item for kind in found.kinds for item in kind.head
        if item.part.kind == "unknown" or (item.part.kind == "text" and item.part.lead_bits < CERTAIN_BITS)
    ]  # fmt: skip
    if unnamed and texts:
        what = tuple(f"header field {item.name}" for item in texts)
        yield Suggestion("If you typed a name when saving, say it with --name, for every recording.", what)


def _named(known: Program) -> Iterator[tuple[str, Program]]:
    """The same under a name longer than machines allow: how many characters there are shows."""
    if known.name is not None:
        words = f"Save the same bytes again under as long a name as it takes, such as {LONG_NAME}."
        yield words, replace(known, name=LONG_NAME)


def _longer(found: Findings, known: Program) -> Iterator[tuple[str, Program]]:
    """A program that takes several blocks."""
    size = found.rules.size
    count = round(LONG_BLOCKS * size) if size is not None else LONG_BYTES
    if count <= len(known.data):
        return
    other = next((program.start for _, program in proposals(known) if program.start != known.start), None)
    where = "" if other is None else f" at address {other:04X}"
    dice = np.random.default_rng(_SEED)
    yield (
        f"Save a longer program, of {count} bytes or more{where}, so that it takes several blocks if programs"
        " are cut.",
        replace(known, data=dice.integers(0, 256, count).astype(np.uint8).tobytes(), start=other),
    )


def _questions(found: Findings, known: Program) -> Iterator[_Question]:
    yield from _framing_questions(found, known)
    for kind in found.kinds:
        for item in (*kind.head, *kind.tail):
            rivals = [rival for rival in item.part.others if rival.bits < CERTAIN_BITS]
            if rivals:
                yield _part_question(found, known, kind, item, rivals)
        for claim, items in _claims(kind):
            if claim.certainty != "certain":
                yield _check_question(found, known, kind, claim, items)
        if kind.has_data and kind.tail_check is None and kind.tail:
            yield _Question("check", (lambda program: "", lambda program: _is_other(program, known)))
    if found.rules.size is None and max(len(save.data) for save in found.knowns) <= LONG_PROGRAM:
        yield _Question("blocks", (lambda program: "one", _is_cut))
    if found.rules.doubts and len({len(save.data) for save in found.knowns}) == 1:
        yield _Question(
            "blocks", (lambda program: False, lambda program: len(program.data) != len(known.data))
        )


def _is_cut(program: Program) -> str:
    return "several" if len(program.data) > LONG_PROGRAM else "one"


def _is_other(program: Program, known: Program) -> str:
    """Whether it has nothing in common with the one that is known: then unknown bytes show."""
    moved = known.start is None or program.start != known.start
    return "other" if moved and len(program.data) != len(known.data) else ""


def _framing_questions(found: Findings, known: Program) -> Iterator[_Question]:
    framing, byte = found.framing, found.framing.byte
    near = [other for other in found.framings if found.framing_lead_bits(other) < CERTAIN_BITS]
    for what, differs in (
        ("bit order", [o for o in near if o.byte.bits == byte.bits and o.byte.order != byte.order]),
        ("framing", [o for o in near if o.byte.bits != byte.bits]),
    ):
        if differs:
            yield _Question(what, tuple(_reading(o) for o in (framing, *differs)))
    ones = [value.bit_count() % 2 for value in found.sent_bytes]
    if byte.symbols_per_byte > byte.bits and min(sum(ones), len(ones) - sum(ones)) < CERTAIN_BITS:
        yield _Question("parity", (lambda program: "", lambda program: _parities(framing.sent(program.data))))
    if 1.0 <= found.turned_lead_bits < CERTAIN_BITS:
        yield _Question("data coding", (lambda program: "", lambda program: _is_other(program, known)))


def _reading(framing: Framing) -> Outcome:
    """The bits of all bytes, in the order they would be heard; None where it cannot say them."""

    def bits(program: Program) -> object:
        byte = framing.byte
        if any(value >> byte.bits for value in program.data):
            return None
        places = range(byte.bits) if byte.order == "lsb" else range(byte.bits)[::-1]
        return tuple(value >> place & 1 for value in program.data for place in places)

    return bits


def _parities(sent: bytes) -> str:
    """Whether both parities are there often enough."""
    ones = sum(value.bit_count() % 2 for value in sent)
    return "both" if min(ones, len(sent) - ones) >= CERTAIN_BITS else ""


def _part_question(
    found: Findings, known: Program, kind: Kind, item: Named, rivals: Sequence[Rival]
) -> _Question:
    what = "sync" if item.name == "sync" else f"header field {item.name}" if item in kind.head else "trailer"
    ways = [rivals[0].mine, *(rival.other for rival in rivals)]
    if all(rival.mine == rivals[0].mine for rival in rivals):
        return _Question(what, tuple(_bytes_outcome(found, known, kind, parts) for parts in ways))
    pairs = [
        (_bytes_outcome(found, known, kind, r.mine), _bytes_outcome(found, known, kind, r.other))
        for r in rivals
    ]
    differences = [_difference(mine, other) for mine, other in pairs]
    return _Question(what, (lambda program: "", *differences))


def _difference(mine: Outcome, other: Outcome) -> Outcome:
    """What a rival would show that the conclusion would not."""

    def outcome(program: Program) -> object:
        heard = other(program)
        return "" if heard == mine(program) else heard

    return outcome


def _bytes_outcome(found: Findings, known: Program, kind: Kind, parts: Sequence[Part]) -> Outcome:
    """The bytes of parts, in all blocks; None for those nobody can foretell."""

    def outcome(program: Program) -> object:
        is_other = bool(_is_other(program, known))
        return tuple(
            None if part.kind == "unknown" and is_other else value
            for numbers in block_numbers(program, found.rules.size, has_data=kind.has_data)
            for part in parts
            for value in part_bytes(part, numbers, program)
        )

    return outcome


def _claims(kind: Kind) -> Iterator[tuple[CheckClaim, Sequence[Named]]]:
    """Checks of a kind, each with the items before it."""
    if kind.head_check is not None:
        names = [item.name for item in kind.head]
        yield kind.head_check, kind.head[: names.index("check")]
    if kind.tail_check is not None:
        yield kind.tail_check, kind.head


def _check_question(
    found: Findings, known: Program, kind: Kind, claim: CheckClaim, items: Sequence[Named]
) -> _Question:
    def saved(program: Program) -> list[Message]:
        made = predicted_messages(kind, items, program, found.rules.size, found.framing)
        return [_without_data(message) for message in made] if claim is kind.head_check else made

    before = saved(known)
    heard = _heard(kind, claim, items)
    rules = [claim.rule, *(rival.rule for rival in claim.rivals)]
    outcomes: list[Outcome] = [lambda p, r=rule: _check_outcome(r, saved(p), before, heard) for rule in rules]  # type: ignore[misc]
    if claim.agreeing < 2:  # or it is chance
        outcomes.append(lambda program: None)
    return _Question("check", tuple(outcomes))


def _heard(kind: Kind, claim: CheckClaim, items: Sequence[Named]) -> dict[int, int]:
    """What stood around a check in the first block, by its place as rules say it (`CheckRule.offset`)."""
    sample = kind.samples[0]
    if claim is kind.head_check:
        return dict(enumerate(sample.head, -sum(item.part.widths[0] for item in items)))
    return dict(enumerate(sample.tail))


def _check_outcome(
    rule: CheckRule, after: Sequence[Message], before: Sequence[Message], heard: dict[int, int]
) -> object:
    """What a recording would show under a rule: for the rest, what was heard; None if that is nothing new."""
    checks, known = ([rule.check_bytes(message) for message in some] for some in (after, before))
    if checks == known:
        return None
    return rule.is_coded, tuple(
        tuple(sorted((heard | dict(enumerate(check, rule.offset))).items())) for check in checks
    )


def _without_data(message: Message) -> Message:
    kept = [(item, sent) for item, sent in zip(message.items, message.sent, strict=True) if item[0] != "data"]
    return replace(message, items=tuple(item for item, _ in kept), sent=tuple(sent for _, sent in kept))
