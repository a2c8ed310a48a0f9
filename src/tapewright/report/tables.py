"""The page's lists: facts about the recording, blocks, and differences from a known program."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tapewright.cards import FormatCard
from tapewright.image import Comparison
from tapewright.model import Block, Range, Reading, Stretch
from tapewright.model.stretch import PRINT_THROUGH
from tapewright.report.sound import SoundSurvey
from tapewright.report.verdict import is_damaged
from tapewright.report.words import (
    address_text,
    channel_text,
    confidence_text,
    count,
    length_text,
    plain,
    speed_text,
)

__all__ = [
    "MOST_LINES", "BlockLine", "DifferenceLine", "StretchLine", "block_lines", "difference_lines", "facts",
    "fault_lines", "stretch_lines",
]  # fmt: skip

#: Lines of a list at most; of blocks, those with faults go first.
MOST_LINES = 300
#: More blocks than this are listed in two parts: those with faults, and the sound ones folded away.
MOST_OPEN_BLOCKS = 40
#: Bytes written out of one difference.
MOST_SHOWN_BYTES = 16


@dataclass(frozen=True)
class BlockLine:
    """One block in the list.

    Parameters
    ----------
    number : int
        From 1, in order of time.
    kind, when, where, size, check, least_sure, speed : str
    fields : str
        The block's fields in words; empty where it has none.
    faults : tuple of str
    is_damaged : bool
    """

    number: int
    kind: str
    when: str
    where: str
    size: str
    check: str
    least_sure: str
    speed: str
    fields: str
    faults: tuple[str, ...]
    is_damaged: bool


@dataclass(frozen=True)
class DifferenceLine:
    """Neighbouring addresses at which program and tape differ."""

    where: str
    program: str
    tape: str


@dataclass(frozen=True)
class StretchLine:
    """One stretch of the recording, with what was found there and what to do about it."""

    when: str
    text: str
    remedy: str
    is_trouble: bool


#: Kinds of stretch there is nothing to do about.
_NO_TROUBLE = ("good", "unchecked", "silence", "idle", PRINT_THROUGH)


def stretch_lines(stretches: Sequence[Stretch]) -> list[StretchLine]:
    """List stretches in order of time, `MOST_LINES` at most."""
    return [
        StretchLine(
            f"{stretch.span.start_seconds:.3f} to {stretch.span.end_seconds:.3f}",
            plain(stretch.text),
            plain(stretch.remedy or ""),
            stretch.kind not in _NO_TROUBLE,
        )
        for stretch in stretches[:MOST_LINES]
    ]


def facts(reading: Reading, card: FormatCard, survey: SoundSurvey) -> list[tuple[str, str]]:
    """Say what was read, as pairs of a label and a value."""
    source = reading.source
    peak = survey.peak
    level = f", peak {20 * math.log10(peak):.1f} dBFS" if peak > 0 else ", silent"
    lines = [
        ("recording", plain(source.path) if source.path else "from memory, not from a file"),
        ("length", f"{length_text(survey.seconds)} at {source.rate_hz:g} Hz{level}"),
        ("format", f"{plain(reading.format)}: {plain(card.title)}"),
        ("tape speed", _speed(reading)),
        ("listened to", channel_text(source.channel, source.channels)),
    ]
    if source.sha256:
        lines.append(("SHA-256", plain(source.sha256)))
    return lines


def block_lines(reading: Reading) -> tuple[list[BlockLine], list[BlockLine], int]:
    """List the blocks; of many the sound ones apart, and of very many not all.

    Returns
    -------
    open_lines, folded_lines : list of BlockLine
        Each in order of time.
    left_out : int
        Blocks in neither; those with faults are the last to be left out.
    """
    numbered = list(enumerate(reading.blocks, 1))
    if len(numbered) <= MOST_OPEN_BLOCKS:
        return [_block_line(number, block) for number, block in numbered], [], 0
    faulty = [(number, block) for number, block in numbered if is_damaged(block) or block.faults]
    sound = [(number, block) for number, block in numbered if not (is_damaged(block) or block.faults)]
    faulty = faulty[:MOST_LINES]
    sound = sound[: MOST_LINES - len(faulty)]
    lines = [[_block_line(number, block) for number, block in part] for part in (faulty, sound)]
    return lines[0], lines[1], len(numbered) - len(faulty) - len(sound)


def difference_lines(comparison: Comparison) -> tuple[list[DifferenceLine], int]:
    """List where a program and a tape differ, in order of address.

    Returns
    -------
    lines : list of DifferenceLine
    left_out : int
    """
    found = [
        (d.address, DifferenceLine(_places(d.address, len(d)), _shown(d.a), _shown(d.b)))
        for d in comparison.differences
    ]
    found += [
        (r.address or 0, DifferenceLine(_range(r), _shown(r.data), "not there")) for r in comparison.only_a
    ]
    found += [
        (r.address or 0, DifferenceLine(_range(r), "not there", _shown(r.data))) for r in comparison.only_b
    ]
    found.sort(key=lambda pair: pair[0])
    return [line for _, line in found[:MOST_LINES]], max(0, len(found) - MOST_LINES)


def _speed(reading: Reading) -> str:
    heard = reading.symbols.heard_sample()
    if not len(heard):
        return "not known, as nothing was heard"
    return speed_text(float(np.median(heard.speed)))


def _block_line(number: int, block: Block) -> BlockLine:
    size = len(block.data)
    least = float(np.min(block.byte_confidence)) if size else None
    where = "no address" if block.address is None else _places(block.address, size)
    faults = [_fault_text(fault.kind, fault.text, fault.remedy) for fault in block.faults]
    if not block.complete:
        faults.insert(0, "not complete: bytes the layout promises are missing")
    if block.repaired_offsets:
        places = [address_text(block.address, offset) for offset in block.repaired_offsets[:MOST_SHOWN_BYTES]]
        more = " and more" if len(block.repaired_offsets) > MOST_SHOWN_BYTES else ""
        faults.append(f"repaired: {', '.join(places)}{more}")
    return BlockLine(
        number,
        plain(block.kind),
        f"{block.span.start_seconds:.3f} to {block.span.end_seconds:.3f}",
        where if size else "no data",
        str(size),
        plain(block.check),
        "" if least is None else "unreadable" if least <= 0 else confidence_text(least),
        f"{100 * (block.speed - 1):+.1f} %",
        ", ".join(f"{plain(str(key))} {_value(value)}" for key, value in block.fields.items()),
        tuple(faults),
        is_damaged(block),
    )


def _fault_text(kind: str, text: str, remedy: str | None) -> str:
    advice = f"; {plain(remedy)}" if remedy else ""
    return f"{plain(kind)}: {plain(text)}{advice}"


def _value(value: int | str) -> str:
    return f"“{plain(value)}”" if isinstance(value, str) else f"{value} ({value:X}h)"


def _places(address: int, length: int) -> str:
    return f"{address:04X}" if length <= 1 else f"{address:04X} to {address + length - 1:04X}"


def _range(piece: Range) -> str:
    return _places(piece.address or 0, len(piece))


def _shown(data: bytes) -> str:
    more = f" … ({count(len(data), 'byte')})" if len(data) > MOST_SHOWN_BYTES else ""
    return data[:MOST_SHOWN_BYTES].hex(" ").upper() + more


def fault_lines(reading: Reading) -> Sequence[str]:
    """Say what concerns the recording as a whole."""
    return [_fault_text(fault.kind, fault.text, fault.remedy) for fault in reading.faults]
