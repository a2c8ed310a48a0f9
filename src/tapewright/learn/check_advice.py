"""What to record next, so that rules for a check which explain everything so far are told apart."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tapewright.learn.check_rule import CheckRule, Message

__all__ = ["Program", "check_outcome", "proposals", "separating_words"]

_SEED = 3
#: Added to an address: both of its bytes change, and the place is still near the one that is known to work.
_ELSEWHERE = 0x0123


@dataclass(frozen=True)
class Program:
    """What an owner keys in and saves.

    Parameters
    ----------
    data : bytes
    start : int or None
        Its address; None where the format has none.
    name : str or None
        The name it is saved under; None where the format has none.
    """

    data: bytes
    start: int | None = None
    name: str | None = None


def separating_words(
    rules: Sequence[CheckRule], known: Program, saved: Callable[[Program], Sequence[Message]]
) -> str:
    """Say which recording would tell rules for a check apart.

    Each of a handful of programs is saved in thought, and the check predicted under each rule; the recording
    is proposed on which the rules disagree most. Of equally good ones it is the one that is least work.

    Parameters
    ----------
    rules : sequence of CheckRule
        A claim and its rivals.
    known : Program
        A program recorded already.
    saved : callable
        From a program to its blocks of this kind, as the layout found so far would write them. Their tails
        may be empty.

    Returns
    -------
    str
        One or two plain sentences.
    """
    if len(rules) < 2:
        return (
            "Save another program, of another length: if its check agrees as well, nothing is left to chance."
        )
    before = saved(known)
    best, most = "", 1
    for words, program in proposals(known):
        classes = len({check_outcome(rule, saved(program), before) for rule in rules})
        if classes > most:
            best, most = words, classes
    if not best:
        return "No other program that could be proposed tells these rules apart."
    if most == len(rules):
        return f"{best} {'The two' if most == 2 else f'All {most}'} rules predict different checks for it."
    return f"{best} The {len(rules)} rules predict {most} different checks for it."


def check_outcome(rule: CheckRule, after: Sequence[Message], before: Sequence[Message]) -> object:
    """Give what a recording would show under a rule; None where it is nothing new."""
    checks, known = ([rule.check_bytes(message) for message in some] for some in (after, before))
    return None if checks == known else (rule.offset, rule.is_coded, tuple(checks))


def proposals(known: Program) -> Iterator[tuple[str, Program]]:
    """List programs to save, in words and as they are; the least work first."""
    data = known.data
    elsewhere = None if known.start is None else (known.start + _ELSEWHERE) & 0xFFFF
    if known.name is not None:
        name = "B" if known.name.startswith("A") else "A"
        yield f"Save the same bytes again under the name {name}.", replace(known, name=name)
    if elsewhere is not None:
        yield f"Save the same bytes at address {elsewhere:04X}.", replace(known, start=elsewhere)
    if data:
        changed = data[0] ^ 0xFF
        yield (
            f"Change the first byte from {data[0]:02X} to {changed:02X} and save again.",
            replace(known, data=bytes([changed]) + data[1:]),
        )
    if len(data) > 1:
        half = len(data) // 2
        yield f"Save the first {half} byte(s) only.", replace(known, data=data[:half])
    yield "Save 256 bytes, 00 to FF.", replace(known, data=bytes(range(256)))
    length = len(data) + len(data) // 3 + 5
    dice = np.random.default_rng(_SEED)
    where = "" if elsewhere is None else f", at address {elsewhere:04X}"
    yield (
        f"Save another program, of {length} bytes{where}.",
        replace(known, data=dice.integers(0, 256, length).astype(np.uint8).tobytes(), start=elsewhere),
    )
