"""Stretches that are blocks, good and bad, with the places where a bad one was lost."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from tapewright.cards import Alphabet, FormatCard
from tapewright.cards.layout import Gap
from tapewright.chain.explain.levels import SILENT_DB, SLIVER_SECONDS, LevelTrack, decibels
from tapewright.chain.explain.losses import (
    AGAIN,
    FALLEN,
    GONE_DB,
    Loss,
    doubtful_bytes,
    find_losses,
    loud_gap,
)
from tapewright.model import GAP, Block, Fault, Span, Stretch, Symbols
from tapewright.model.reading import LOST_END, LOST_LEADER
from tapewright.model.words import byte_count

__all__ = ["explain_block", "heard_span"]

#: Silence longer than this before the first byte or after the last is not part of a block, unless the card
#: has longer gaps.
LONGEST_GAP_SECONDS = 0.3
#: A block that ends so near the end of the recording was cut off by it: a tape goes on in silence.
EDGE_SECONDS = 0.1
#: More bad places than this are told with the block, not one by one.
MOST_PLACES = 12
#: Addresses listed one by one.
MOST_LISTED = 8

_RECORD_ON = "record on until the program has ended"


def heard_span(block: Block, symbols: Symbols, card: FormatCard) -> Span:
    """Give the span of a block without what lies before a long silence ahead of its bytes, or after one.

    A reader forgives silence within a leader, for as long as it likes; to an owner that is no leader.
    """
    if _missing(block) is not None:
        return block.span
    gaps = [item.gap for layout in card.block for item in layout.layout if isinstance(item, Gap)]
    longest = max(LONGEST_GAP_SECONDS, 1.5 * max(gaps, default=0.0))
    start, end = block.span.start_seconds, block.span.end_seconds
    first, last = (block.byte_seconds[0], block.byte_seconds[-1]) if len(block.byte_seconds) else (end, end)
    within = slice(
        int(np.searchsorted(symbols.end_seconds, start, "right")),
        int(np.searchsorted(symbols.start_seconds, end)),
    )
    gap_starts, gap_ends = symbols.start_seconds[within], symbols.end_seconds[within]
    is_long = (symbols.index[within] == GAP) & (gap_ends - gap_starts > longest)
    for k in np.flatnonzero(is_long):
        if start < gap_ends[k] <= first:
            start = float(gap_ends[k])
        elif last < gap_starts[k] < end and block.complete:
            end = float(gap_starts[k])
    return Span(start, end)


def explain_block(block: Block, symbols: Symbols, track: LevelTrack, card: FormatCard) -> list[Stretch]:
    """Explain a block: one stretch if it is good, else cut where it was lost.

    Returns
    -------
    list of Stretch
        In order of time; they tile the block's span.
    """
    whole = _whole(block, symbols, track)
    if whole.kind in ("good", "unchecked", "missing"):
        return [whole]
    losses = find_losses(block, symbols, track, Alphabet.of(card))
    if len(losses) > MOST_PLACES:
        worst = len(losses)
        return [replace(whole, text=f"{whole.text}; the signal was lost at {worst} places")]
    return _cut_at(whole, losses, track)


def _cut_at(whole: Stretch, losses: list[Loss], track: LevelTrack) -> list[Stretch]:
    """Cut a block at its losses; its first part tells of the whole."""
    out: list[Stretch] = []
    place, is_told = whole.span.start_seconds, False
    for loss in losses:
        start = max(loss.span.start_seconds, place)
        end = min(loss.span.end_seconds, whole.span.end_seconds)
        if whole.span.end_seconds - end < SLIVER_SECONDS:
            end = whole.span.end_seconds
        if end <= start:
            continue
        if start > place:
            out.append(_part(whole, Span(place, start), is_told))
            is_told = True
        stage = "silence" if loss.evidence.get("level_db", 0.0) < SILENT_DB else "sound"
        stage = "symbols" if loss.kind == "speed-jump" else stage
        out.append(Stretch(Span(start, end), stage, loss.kind, loss.text, loss.remedy, loss.evidence))
        place = end
    rest = Span(place, whole.span.end_seconds)
    is_over = whole.kind == "cut" and is_told and rest.seconds > 0 and track.usual_db(rest) < SILENT_DB
    if rest.seconds > 0 and not is_over:  # of a block cut short, silence at the end is no part
        out.append(_part(whole, rest, is_told))
        is_told = True
    return out if is_told else [whole]


def _part(whole: Stretch, span: Span, is_told: bool) -> Stretch:
    if not is_told:
        return replace(whole, span=span)
    return replace(whole, span=span, text="the same block goes on", remedy=None, evidence={})


# -- the block as a whole --------------------------------------------------------------------------------


def _whole(block: Block, symbols: Symbols, track: LevelTrack) -> Stretch:
    name = _name(block)
    doubtful = doubtful_bytes(block)
    evidence = {
        "bytes": float(len(block.data)),
        "doubtful_bytes": float(len(doubtful)),
        "evidence_bits": round(block.evidence_bits, 1),
        "speed": round(block.speed, 4),
        "level_db": round(decibels(block.level / np.sqrt(2)), 1),
    }

    def told(stage: str, kind: str, text: str, remedy: str | None) -> Stretch:
        return Stretch(block.span, stage, kind, f"{name}{text}", remedy, evidence)

    if block.level <= 0:
        del evidence["level_db"]
    if _missing(block) is not None:
        stage = "silence" if track.usual_db(block.span) < SILENT_DB else "sound"
        if block.span.end_seconds > track.seconds - EDGE_SECONDS:
            text = f": not heard, as the recording ends at {track.seconds:.2f} s"
            return told(stage, "missing", text, _RECORD_ON)
        return told(stage, "missing", ": not heard, though it must have been here", AGAIN)
    if not block.complete:
        end = _end(block, symbols, track)
        remedy = _RECORD_ON if end.startswith("the recording") else AGAIN
        return told("bytes", "cut", f", and there it ends too early: {end}", remedy)
    if block.check == "bad":
        if not len(doubtful):
            text = ": check failed, although no byte stands out as doubtful"
            return told("block", "check-failed", text, "compare with another recording, or with the listing")
        text = f": check failed; {byte_count(len(doubtful))} doubtful, at {_places(block, doubtful)}"
        return told("block", "check-failed", text, AGAIN)
    if block.check == "none":
        opened = [fault.text for fault in block.faults if fault.kind in (LOST_LEADER, LOST_END)]
        advice = next((fault.remedy for fault in block.faults if fault.text in opened), None)
        if len(doubtful):
            places = _places(block, doubtful)
            text = f": {byte_count(len(doubtful))} doubtful, at {places}; this format has no check"
            return told("block", "doubtful", "; ".join((text, *opened)), advice or AGAIN)
        if opened:
            return told("block", "unchecked", f": read clearly, but {'; '.join(opened)}", advice)
        return told("block", "unchecked", ": read clearly; this format has no check", None)
    if block.check == "repaired":
        return told("block", "good", ": repaired, and its check agrees now", None)
    return told("block", "good", ": every byte is there, and its check agrees", None)


def _missing(block: Block) -> Fault | None:
    return next((fault for fault in block.faults if fault.kind == "missing-block"), None)


def _name(block: Block) -> str:
    title = next((value for value in block.fields.values() if isinstance(value, str) and value.strip()), None)
    called = f" {title.strip()!r}" if title else ""
    if not block.data:
        return f"{block.kind} block{called}"
    where = ""
    if block.address is not None:
        where = f" at {block.address:04X}..{block.address + len(block.data) - 1:04X}"
    return f"{block.kind} block{called}, {byte_count(len(block.data))}{where}"


def _end(block: Block, symbols: Symbols, track: LevelTrack) -> str:
    """Say why a block ends before its layout does."""
    end = block.span.end_seconds
    other = loud_gap(symbols, track, block.span)
    if other is not None:
        return f"from {other.start_seconds:.2f} s on there is other sound"
    levels = track.smooth(Span(block.span.start_seconds, end + 0.1), 0.02, of="band_level")
    usual = float(np.percentile(levels, 75))
    last = int(np.flatnonzero(levels >= FALLEN * usual)[-1]) + 1
    falls = (track.frames(block.span).start + last) * track.frame_seconds
    if last < len(levels) - 2:
        fell = decibels(usual) - decibels(float(np.median(levels[last + 2 :])))
        by = f"{fell:.0f} dB" if fell < GONE_DB else f"more than {GONE_DB:.0f} dB"
        return f"the level falls by {by} at {falls:.2f} s and does not come back"
    if end > track.seconds - EDGE_SECONDS:
        return f"the recording ends at {track.seconds:.2f} s"
    return f"from {end:.2f} s on nothing fits its layout"


def _places(block: Block, doubtful: npt.NDArray[np.int64]) -> str:
    groups = np.split(doubtful, np.flatnonzero(np.diff(doubtful) > 1) + 1)
    sign, base = ("+", 0) if block.address is None else ("", block.address)
    words = [
        f"{sign}{base + g[0]:04X}" if len(g) == 1 else f"{sign}{base + g[0]:04X}..{base + g[-1]:04X}"
        for g in groups[:MOST_LISTED]
    ]
    return ", ".join(words) + (
        f" and {len(groups) - MOST_LISTED} more places" if len(groups) > MOST_LISTED else ""
    )
