"""The whole recording as stretches, one after another without holes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tapewright.cards import Alphabet, FormatCard
from tapewright.chain.explain.blocks import explain_block, heard_span
from tapewright.chain.explain.levels import (
    SILENT_DB,
    SLIVER_SECONDS,
    LevelTrack,
    decibels,
    listen_to_levels,
    loudest_channel,
)
from tapewright.chain.explain.sound import explain_sounds, leader_hertz, sounding_spans
from tapewright.chain.explain.speed import explain_speeds
from tapewright.chain.explain.unread import explain_symbols, runs_of_symbols
from tapewright.framing import Framer
from tapewright.model import AudioSource, Reading, Span, Stretch
from tapewright.model.stretch import PRINT_THROUGH

__all__ = ["explain"]


def explain(source: AudioSource, card: FormatCard, reading: Reading) -> tuple[Stretch, ...]:
    """Say for each stretch of a recording how far along the chain it got, and why no farther.

    The recording is streamed through twice, once for its levels and once for what is not of the format; it
    is never held whole.

    Parameters
    ----------
    source : AudioSource
        The recording.
    card : FormatCard
        The card it was read with.
    reading : Reading
        What was found.

    Returns
    -------
    tuple of Stretch
        In order of time, the first from 0 on and the last to the recording's end; each starts where the one
        before it ends. Empty for a recording without samples.

    Raises
    ------
    TapewrightError
        If the recording can no longer be read.
    """
    symbols = reading.symbols
    channel = reading.source.channel
    if not len(symbols) and source.channels > 1:  # nothing was heard, so no channel was the right one
        channel = loudest_channel(source)
    track = listen_to_levels(source, channel, Alphabet.of(card))
    if track.seconds <= 0:
        return ()
    found: list[Stretch] = []
    end = 0.0
    for block in sorted(reading.blocks, key=lambda block: block.span):
        block = replace(block, span=heard_span(block, symbols, card))
        for stretch in explain_block(block, symbols, track, card):
            clipped = _clipped(stretch, end, track.seconds)
            if clipped is not None:
                found.append(clipped)
                end = clipped.span.end_seconds
    found = _ordered(found + _printed(reading, found))
    signal_db = _signal_db(reading)
    sounding = sounding_spans(track, _holes(found, track), signal_db)
    is_known = bool(reading.blocks) or not any(fault.kind == "cannot-tell" for fault in reading.faults)
    if is_known:
        found = _ordered(found + explain_speeds(source, channel, card, symbols, sounding))
    found = _ordered(found + _unread(card, reading, track, [one.span for one in found]))
    leader = leader_hertz(card) if is_known else None
    found += explain_sounds(source, channel, leader, track, _holes(found, track), signal_db)
    return _tiled(_ordered(found), track.seconds)


def _ordered(found: list[Stretch]) -> list[Stretch]:
    return sorted(found, key=lambda stretch: stretch.span)


def _clipped(stretch: Stretch, low: float, high: float) -> Stretch | None:
    start, end = max(low, stretch.span.start_seconds), min(high, stretch.span.end_seconds)
    return replace(stretch, span=Span(start, end)) if end > start else None


def _printed(reading: Reading, found: list[Stretch]) -> list[Stretch]:
    """Give the faint copies from other turns of tape that the reading passed over."""
    ghosts = [fault for fault in reading.faults if fault.kind == PRINT_THROUGH]
    return [
        Stretch(fault.span, "symbols", PRINT_THROUGH, fault.text)
        for fault in ghosts
        if fault.span is not None and not any(_overlap(fault.span, one.span) for one in found)
    ]


def _overlap(a: Span, b: Span) -> bool:
    return a.start_seconds < b.end_seconds and b.start_seconds < a.end_seconds


def _unread(card: FormatCard, reading: Reading, track: LevelTrack, taken: list[Span]) -> list[Stretch]:
    """Explain symbols that are in no block."""
    symbols = reading.symbols
    runs = runs_of_symbols(symbols, taken)
    if not runs:
        return []
    framer = Framer(symbols, card)
    found: list[Stretch] = []
    for run in runs:
        span = symbols.span(run[0], run[1] - 1)
        if track.usual_db(span) < SILENT_DB:  # where nothing can be heard, a clear symbol is none
            continue
        is_after_block = any(abs(span.start_seconds - block.end_seconds) < 0.1 for block in taken)
        is_at_end = span.end_seconds > track.seconds - 0.1
        low = max([s.end_seconds for s in taken if s.start_seconds <= span.start_seconds], default=0.0)
        high = min(
            [s.start_seconds for s in taken if s.start_seconds > span.start_seconds], default=track.seconds
        )
        for stretch in explain_symbols(
            symbols, framer, card, run, is_after_block=is_after_block, is_at_end=is_at_end
        ):
            clipped = _clipped(stretch, low, high)
            if clipped is not None:
                found.append(clipped)
                low = clipped.span.end_seconds
    return found


def _signal_db(reading: Reading) -> float | None:
    """Level of the format's signal; None where there is none."""
    level = reading.symbols.heard_sample().level
    return decibels(float(np.median(level)) / np.sqrt(2)) if len(level) else None


def _holes(found: list[Stretch], track: LevelTrack) -> list[Span]:
    """Give what no stretch covers, slivers left out; all of a recording in which there is nothing else."""
    if not found:
        return [Span(0.0, track.seconds)]
    edges = [
        0.0,
        *(at for one in found for at in (one.span.start_seconds, one.span.end_seconds)),
        track.seconds,
    ]
    pairs = zip(edges[::2], edges[1::2], strict=True)
    return [Span(start, end) for start, end in pairs if end - start >= SLIVER_SECONDS]


def _tiled(found: list[Stretch], seconds: float) -> tuple[Stretch, ...]:
    """Let each stretch start where the one before it ends."""
    out: list[Stretch] = []
    for number, stretch in enumerate(found):
        start = out[-1].span.end_seconds if out else 0.0
        end = seconds if number == len(found) - 1 else stretch.span.end_seconds
        out.append(replace(stretch, span=Span(start, end)))
    return tuple(out)
