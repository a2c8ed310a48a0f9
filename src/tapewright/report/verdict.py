"""The page's first lines: how it went, and what to do."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from tapewright.chain import Verdict
from tapewright.image import Comparison
from tapewright.model import Block, Fault, Reading
from tapewright.model.reading import DOUBTFUL, open_ended
from tapewright.report.words import confidence_text, count, length_text, plain

__all__ = ["Headline", "headline", "is_damaged", "least_confidence"]

RECORD_AGAIN = (
    "Play the tape again, at another level or with a cleaned head, record it once more, and read all"
    " recordings of it together: where one fails, another may not."
)


@dataclass(frozen=True)
class Headline:
    """The verdict in plain words.

    Parameters
    ----------
    state : {"good", "unchecked", "damaged", "nothing"}
        Chooses the look.
    word : str
        One or two words.
    sentence : str
    reasons : tuple of str
        What is wrong, or where the chain stopped.
    advice : tuple of str
        What to do, most useful first.
    """

    state: str
    word: str
    sentence: str
    reasons: tuple[str, ...] = ()
    advice: tuple[str, ...] = ()


def headline(reading: Reading, comparison: Comparison | None, verdict: Verdict | None) -> Headline:
    """Judge a reading, in the light of the program it should hold where that is known.

    Parameters
    ----------
    reading : Reading
    comparison : Comparison or None
        First the program, then the tape.
    verdict : Verdict or None
        From :func:`tapewright.verify`; its word is final.

    Returns
    -------
    Headline
    """
    if not reading.blocks:
        return _nothing(reading, verdict)
    if verdict is not None:
        return _verified(reading, verdict)
    if comparison is not None and not comparison.equal:
        return Headline(
            "damaged",
            "Differs",
            "The tape does not hold the program it was compared with.",
            tuple(_reasons(reading)),
            (
                "Look at the differences below: they say at which addresses.",
                *_remedies(reading),
                *((RECORD_AGAIN,) if reading.damaged else ()),
            ),
        )
    if reading.damaged:
        return Headline(
            "damaged",
            "Damaged",
            f"A program was found ({count(len(reading.image), 'byte')}), but not all of it can be trusted.",
            tuple(_reasons(reading)),
            (*_remedies(reading), RECORD_AGAIN),
        )
    return _sound(reading)


def is_damaged(block: Block) -> bool:
    """Whether this block is among those that make a reading damaged."""
    doubtful = block.check == "none" and bool(np.any(block.byte_confidence < DOUBTFUL))
    return doubtful or not block.complete or block.is_open or block.check == "bad"


def least_confidence(reading: Reading) -> float:
    """Confidence of the least sure byte of all blocks; 1 where there are no bytes."""
    lowest = [float(np.min(block.byte_confidence)) for block in reading.blocks if len(block.data)]
    return min(lowest, default=1.0)


def _nothing(reading: Reading, verdict: Verdict | None) -> Headline:
    heard = f"{length_text(reading.source.seconds)} of sound were searched for format {plain(reading.format)}"
    if not len(reading.symbols):
        stop = "the chain stopped at the first step: no symbols of this format were heard"
    else:
        stop = (
            f"the chain stopped after {count(len(reading.symbols), 'symbol')}: no block could be made of them"
        )
    advice = list(_remedies(reading)) or [
        "Check that it is the right recording, and the right side and track of the tape.",
        "Try every format card: read it again with format auto.",
        "Record again with more level, or straight from the recorder's line or ear socket.",
    ]
    if verdict is not None:
        advice.insert(0, "Leave the machine switched on, and save the program again.")
    return Headline(
        "nothing",
        "Nothing found",
        verdict.sentence if verdict is not None else f"No program was found: {heard}.",
        (*_texts(reading.faults), stop[0].upper() + stop[1:] + "."),
        tuple(advice),
    )


def _verified(reading: Reading, verdict: Verdict) -> Headline:
    if verdict.safe:
        return Headline("good", "Safe", verdict.sentence, advice=("Keep the recording as well as the tape.",))
    return Headline(
        "damaged",
        "Not safe",
        verdict.sentence,
        tuple(_reasons(reading)),
        (
            "Leave the machine switched on. Save the program again, record that, and verify it again.",
            *_remedies(reading),
        ),
    )


def _sound(reading: Reading) -> Headline:
    amount = count(len(reading.image), "byte")
    keep = "Nothing needs doing. Keep the recording: it is the original."
    if reading.verified:
        repaired = sum(len(block.repaired_offsets) for block in reading.blocks)
        if repaired:
            return Headline(
                "good",
                "Good, repaired",
                f"The whole program was read ({amount}), and its check agrees since {count(repaired, 'byte')}"
                f" {'was' if repaired == 1 else 'were'} repaired.",
                tuple(_texts(reading.faults)),
                (
                    "Look at the repaired bytes below: the check agrees with them, but they were chosen by"
                    " this program.",
                ),
            )
        return Headline(
            "good",
            "Good",
            f"The whole program was read ({amount}), and its own check agrees.",
            tuple(_texts(reading.faults)),
            (keep,),
        )
    return Headline(
        "unchecked",
        "Read, unchecked",
        f"A program was read ({amount}) and every byte was clear, the least sure at confidence"
        f" {confidence_text(least_confidence(reading))}; but not every block has a check to vouch for it.",
        tuple(_texts(reading.faults)),
        ("Compare it with a second recording, a listing or a print-out, if there is one.",),
    )


def _reasons(reading: Reading) -> Iterator[str]:
    blocks = reading.blocks
    bad = sum(block.check == "bad" for block in blocks)
    partial = sum(not block.complete for block in blocks)
    lost = sum(int(np.count_nonzero(block.byte_confidence <= 0)) for block in blocks)
    may_lack = len(open_ended(blocks))
    unsure = sum(
        int(np.count_nonzero((block.byte_confidence > 0) & (block.byte_confidence < DOUBTFUL)))
        for block in blocks
        if not block.verified
    )
    if bad:
        yield f"{bad} of {count(len(blocks), 'block')} failed {'its' if bad == 1 else 'their'} check."
    if partial:
        yield f"{partial} of {count(len(blocks), 'block')} {'is' if partial == 1 else 'are'} not complete."
    if may_lack:
        yield (
            f"Bytes may be missing in {may_lack} of {count(len(blocks), 'block')}, as the leader or the end"
            " was not heard."
        )
    if lost:
        yield f"{count(lost, 'byte')} could not be read at all."
    if unsure:
        yield f"{count(unsure, 'byte')} {'is' if unsure == 1 else 'are'} doubtful."
    yield from _texts(reading.faults)


def _texts(faults: tuple[Fault, ...]) -> Iterator[str]:
    for fault in faults:
        yield _as_sentence(fault.text)


def _remedies(reading: Reading) -> Iterator[str]:
    """What the faults themselves advise, each advice once."""
    faults = [*reading.faults, *(fault for block in reading.blocks for fault in block.faults)]
    remedies = dict.fromkeys(fault.remedy for fault in faults if fault.remedy)
    yield from (_as_sentence(remedy) for remedy in remedies)


def _as_sentence(text: str) -> str:
    text = plain(text)
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")
