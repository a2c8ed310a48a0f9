"""Stretches that are the format's own sound but were not read: at a speed out of range, or passed over."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tapewright import line
from tapewright.cards import FormatCard
from tapewright.cards.layout import Lead
from tapewright.chain.explain.levels import pieces_of
from tapewright.chain.explain.spectrum import classify
from tapewright.chain.explain.unread import find_leaders
from tapewright.model import GAP, AudioSource, Recording, Span, Stretch, Symbols
from tapewright.model.recording import HIGHEST_RATE_HZ, LOWEST_RATE_HZ
from tapewright.model.scratch import pieces

__all__ = ["READABLE_SPEEDS", "SPEED_REMEDY", "explain_speeds", "speed_words"]

#: Speeds the receiver takes (measured: it finds any within 16 % of nominal).
READABLE_SPEEDS = (0.86, 1.16)
#: Speeds tried: with the receiver's own range around each they reach from 0.63 to 1.58. The nominal one is
#: among them: what a recording holds besides may have kept the receiver from hearing the format in it.
TRIED_SPEEDS = (1.0, 1.36, 0.735)
#: Each try takes the receiver a moment, so only so many stretches are tried (chosen): the steadiest, as data
#: are, and of these the longest.
MOST_TRIED = 8
SHORTEST_SECONDS = 0.5
#: So much of a stretch is listened to: leaders last five seconds, and some data should follow.
LISTENED_SECONDS = 10.0
#: It is this format if symbols cover so much of it, each counted as far as it is sure (measured: the format
#: itself reaches 0.99 and more at 17 dB of signal to noise, other formats 0.95 at most), with a leader,
#: and if at least two symbols are heard so often: one alone is a steady tone and may be anything.
LEAST_COVER, LEAST_OFTEN = 0.97, 0.01
#: What the receiver heard so much of at a speed it takes needs no other, less where it has a leader. At a
#: wrong speed it may still hear most of a leader, as other symbols (measured: up to 0.994).
HEARD_COVER, HEARD_COVER_WITH_LEADER = 0.998, 0.9

SPEED_REMEDY = (
    "set the recorder to the speed the tape was made at (motor, batteries, belt), or use a card for that"
    " speed"
)


def explain_speeds(
    source: AudioSource, channel: int | str, card: FormatCard, symbols: Symbols, spans: Sequence[Span]
) -> list[Stretch]:
    """Find which stretches of sound are the format's own, at a speed out of range or passed over.

    A recording that is said to have another sample rate is one at another speed, so the receiver itself is
    asked.

    Parameters
    ----------
    source : AudioSource
    channel : int or "average"
    card : FormatCard
    symbols : Symbols
        What was heard.
    spans : sequence of Span
        Stretches of sound that are in no block, each without silence in it.

    Returns
    -------
    list of Stretch
        In order of time.
    """
    open_spans = [span for span in spans if not _is_heard(symbols, card, span)]
    steady = dict(zip(open_spans, _steadiness(source, channel, open_spans), strict=True))
    likeliest = sorted(open_spans, key=lambda span: (-steady[span], -span.seconds))[:MOST_TRIED]
    tried = sorted(likeliest, key=lambda span: span.start_seconds)
    listened = [Span(s.start_seconds, min(s.end_seconds, s.start_seconds + LISTENED_SECONDS)) for s in tried]
    found = []
    for span, samples in zip(tried, pieces_of(source, channel, listened), strict=True):
        recording = Recording(samples.astype(np.float32), source.rate_hz)
        speed = _speed(recording, card, _cover(symbols, span.start_seconds, span.end_seconds))
        if speed is not None:
            found.append(_stretch(card, span, speed))
    return found


def _steadiness(source: AudioSource, channel: int | str, spans: Sequence[Span]) -> list[int]:
    """Count in how many of three pieces each stretch sounds like a tone or like data."""
    parts = []
    for span in spans:
        length = min(0.5, span.seconds / 3)
        starts = (span.start_seconds, 0.5 * (span.start_seconds + span.end_seconds - length))
        parts += [Span(start, start + length) for start in (*starts, span.end_seconds - length)]
    is_steady = [
        classify(piece, source.rate_hz).kind in ("tone", "keyed")
        for piece in pieces_of(source, channel, parts)
    ]
    return [sum(is_steady[k : k + 3]) for k in range(0, len(is_steady), 3)]


def _stretch(card: FormatCard, span: Span, speed: float) -> Stretch:
    evidence = {"speed": round(speed, 3)}
    if _is_readable(speed):
        at = f"{100 * speed:.0f} % of its speed"
        text = f"this sounds like format {card.name} at {at}, but the reading passed over it"
        remedy = "save this stretch alone in a sound file of its own, and read that"
        return Stretch(span, "sound", "passed-over", text, remedy, evidence)
    low, high = (_percent(limit) for limit in READABLE_SPEEDS)
    range_words = f"speeds from {low} to {high} can be read"
    text = f"this sounds like format {card.name}, but {speed_words(speed)}; {range_words}"
    return Stretch(span, "sound", "speed", text, SPEED_REMEDY, evidence)


def _is_readable(speed: float) -> bool:
    return READABLE_SPEEDS[0] <= speed <= READABLE_SPEEDS[1]


def _is_heard(symbols: Symbols, card: FormatCard, span: Span) -> bool:
    """Whether the receiver made enough of a stretch at a speed it takes, or the stretch is too short."""
    first, end = (
        int(k) for k in np.searchsorted(symbols.start_seconds, (span.start_seconds, span.end_seconds))
    )
    cover = _cover(symbols, span.start_seconds, span.end_seconds)
    has_leader = cover >= HEARD_COVER_WITH_LEADER and bool(find_leaders(symbols, card, first, end))
    return span.seconds < SHORTEST_SECONDS or cover >= HEARD_COVER or has_leader


def _cover(symbols: Symbols, start_seconds: float, end_seconds: float) -> float:
    """Share of a time in which there are symbols, each counted as far as it is sure."""
    chosen = symbols.at(slice(*np.searchsorted(symbols.start_seconds, (start_seconds, end_seconds))))
    covered = 0.0
    for part in map(chosen.at, pieces(len(chosen))):
        sure = np.where(part.index != GAP, np.exp(part.log_p.max(axis=1)), 0.0)
        covered += float(np.sum(sure * (part.end_seconds - part.start_seconds)))
    return covered / (end_seconds - start_seconds)


def _speed(recording: Recording, card: FormatCard, heard_cover: float) -> float | None:
    """Find the speed at which a piece is this format, better than it was heard to be."""
    has_leaders = any(isinstance(item, Lead) for block in card.block for item in block.layout)
    best_cover, best_speed = max(heard_cover, LEAST_COVER), None
    for tried in TRIED_SPEEDS:
        rate_hz = recording.rate_hz / tried
        if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
            continue
        played = Recording(recording.samples, rate_hz)
        symbols = line.decode(played, card).symbols
        often = np.sort(np.bincount(symbols.index[symbols.index != GAP], minlength=2))
        if often[-2] <= LEAST_OFTEN * often.sum():
            continue
        if has_leaders and not find_leaders(symbols, card, 0, len(symbols)):
            continue
        cover = _cover(symbols, 0.0, played.seconds)
        speed = tried * float(np.median(symbols.heard_sample().speed))
        if cover > best_cover and (tried == 1.0 or not _is_readable(speed)):
            best_cover, best_speed = cover, speed
    return best_speed


def speed_words(speed: float) -> str:
    """Say ``30 % too fast``."""
    return f"{abs(100 * (speed - 1)):.0f} % too {'fast' if speed > 1 else 'slow'}"


def _percent(speed: float) -> str:
    return f"{100 * (speed - 1):+.0f} %"
