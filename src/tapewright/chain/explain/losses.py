"""Where a block was lost, and what was the matter there: level, noise, or speed."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from tapewright.cards import Alphabet
from tapewright.chain.explain.levels import LevelTrack, decibels
from tapewright.model import GAP, Block, Span, Symbols
from tapewright.model.reading import DOUBTFUL
from tapewright.model.words import byte_count

__all__ = ["AGAIN", "FALLEN", "GONE_DB", "Loss", "doubtful_bytes", "find_losses", "loud_gap"]

Floats = npt.NDArray[np.floating]

#: The signal fell if it is below this share of its least nearby (6 dB), and something else was louder if all
#: there is rises above so many times its most.
FALLEN, RISEN = 0.5, 2.0
#: The least that is usual is never below this share of what is usual (12 dB).
LEAST_USUAL = 0.25
#: A fall by more than this leaves nothing, and how much less than nothing is of no interest.
GONE_DB = 60.0
#: Outside the format's band, noise is told if it is louder than this share of the signal.
SHARE_OF_SIGNAL = 0.25
#: What is usual is judged by so much on either side of a bad place: levels drift.
AROUND_SECONDS = 0.5
#: A speed that differs by more than this from the symbols before to those after is a jump.
SPEED_JUMP = 0.03
SPEED_SYMBOLS = 40
#: A shorter time without symbols, though loud, is a burst of noise or a slip (chosen).
LOUD_GAP_SECONDS = 0.2
#: Doubtful bytes with no more than this many good ones between them are one place.
NEAR_BYTES = 3
#: So many bytes more than its length holds are touched by what lies across them; further ones were shifted.
BYTES_TOUCHED = 4

AGAIN = "play the tape again, or read another recording together with this one"
_CLEAN = f"clean the heads and the tape path, then {AGAIN}"
_DRIVE = f"check the recorder's belt, pinch roller and batteries, then {AGAIN}"


@dataclass(frozen=True)
class Loss:
    """A place in a block where it was lost, and why.

    Parameters
    ----------
    span : Span
    kind : {"dropout", "disturbance", "speed-jump"}
    text, remedy : str
    evidence : dict of str to float
    """

    span: Span
    kind: str
    text: str
    remedy: str
    evidence: dict[str, float]


@dataclass(frozen=True)
class _Suspect:
    """A place with doubtful bytes, or one the receiver heard nothing at."""

    span: Span
    byte_count: int
    gap: Span | None


def find_losses(block: Block, symbols: Symbols, track: LevelTrack, alphabet: Alphabet) -> list[Loss]:
    """Find the places where a block was lost and what was the matter there.

    Places at which nothing but doubtful bytes tells of a loss are left out: the block itself tells of these.

    Returns
    -------
    list of Loss
        In order of time; none overlaps another.
    """
    suspects = _suspects(block)
    search = _Search(block, symbols, track, alphabet, suspects)
    found: list[Loss] = []
    for suspect in suspects:
        loss = search.strange(suspect) or search.rise(suspect) or search.fall(suspect)
        loss = loss or search.jump(suspect) or _unheard(suspect)
        if loss is not None and (not found or loss.span.start_seconds >= found[-1].span.end_seconds):
            found.append(replace(loss, text=loss.text + _consequence(loss, suspect)))
    return found


def doubtful_bytes(block: Block) -> npt.NDArray[np.int64]:
    """Offsets of bytes that nothing vouches for and that are not sure."""
    if block.verified:
        return np.zeros(0, np.int64)
    return np.flatnonzero(block.byte_confidence < DOUBTFUL)


def _suspects(block: Block) -> list[_Suspect]:
    seconds = np.append(block.byte_seconds, block.span.end_seconds)
    if len(block.data) > 1:
        seconds[-1] = min(seconds[-1], seconds[-2] + 1.5 * float(np.median(np.diff(block.byte_seconds))))
    gaps = [fault.span for fault in block.faults if fault.kind == "dropout" and fault.span is not None]
    doubtful = doubtful_bytes(block)
    groups = np.split(doubtful, np.flatnonzero(np.diff(doubtful) > NEAR_BYTES) + 1) if len(doubtful) else []
    found = []
    for group in groups:
        span = Span(float(seconds[group[0]]), float(seconds[group[-1] + 1]))
        found.append(_Suspect(span, len(group), next((gap for gap in gaps if _touches(gap, span)), None)))
    told = [suspect.gap for suspect in found]
    found += [_Suspect(gap, 0, gap) for gap in gaps if gap not in told]
    return sorted(found, key=lambda suspect: suspect.span)


def _touches(a: Span, b: Span) -> bool:
    return a.start_seconds <= b.end_seconds and b.start_seconds <= a.end_seconds


class _Search:
    """Looks at levels and speed around places of one block."""

    def __init__(
        self, block: Block, symbols: Symbols, track: LevelTrack, alphabet: Alphabet, suspects: list[_Suspect]
    ) -> None:
        self.span, self.symbols, self.track, self.suspects = block.span, symbols, track, suspects
        chosen = slice(
            *np.searchsorted(symbols.start_seconds, (self.span.start_seconds, self.span.end_seconds))
        )
        self.heard = np.flatnonzero(symbols.index[chosen] != GAP) + chosen.start
        is_sparse = any(s.kind == "silence" for shape in alphabet.shapes for s in shape.segments)
        tones = [s.hertz for shape in alphabet.shapes for s in shape.segments if s.hertz > 0]
        longest = max(shape.seconds for shape in alphabet.shapes)
        #: A level is one only over two bits with silence in them, or else over two cycles.
        self.width = 2.0 * longest if is_sparse else max(track.frame_seconds, 2.0 / min(tones))

    def fall(self, suspect: _Suspect) -> Loss | None:
        """Find where the level of the format's band fell."""
        usual = self._usual(suspect, "band_level", self.width)
        normal = float(np.median(usual))
        least = max(float(np.percentile(usual, 5)), LEAST_USUAL * normal)  # silence nearby is not usual
        near = self._widened(suspect.span, self.width + 2 * self.track.frame_seconds)
        levels = self.track.smooth(near, self.width, of="band_level")
        lowest = int(np.argmin(levels))
        if levels[lowest] >= FALLEN * least:
            return None
        span = self._around(near, levels < np.sqrt(FALLEN) * least, lowest)
        low_db = decibels(float(levels[lowest]))
        fell = decibels(normal) - low_db
        by = f"{fell:.0f} dB" if fell < GONE_DB else f"more than {GONE_DB:.0f} dB"
        text = f"dropout: the level fell by {by} for {_milliseconds(span)}"
        return Loss(span, "dropout", text, _CLEAN, {"fall_db": round(fell, 1), "level_db": round(low_db, 1)})

    def rise(self, suspect: _Suspect) -> Loss | None:
        """Find where there was something else as loud as the signal: above its level, or beside its band."""
        width = 2 * self.track.frame_seconds
        near = self._widened(suspect.span, width)
        usual = float(np.median(self._usual(suspect, "level", width)))
        for of, least in (("level", 0.0), ("beside_level", SHARE_OF_SIGNAL * usual)):
            most = max(float(np.percentile(self._usual(suspect, of, width), 95)), least / RISEN)
            levels = self.track.smooth(near, width, of=of)
            highest = int(np.argmax(levels))
            if levels[highest] <= RISEN * most:
                continue
            span = self._around(near, levels > np.sqrt(RISEN) * most, highest)
            over = decibels(float(levels[highest])) - decibels(usual)
            loud = "as loud as the signal" if abs(over) < 1 else f"{over:+.0f} dB against the signal"
            text = f"a disturbance: noise {loud}, for {_milliseconds(span)}"
            evidence = {"over_db": round(over, 1), "level_db": round(self.track.level_db(span), 1)}
            return Loss(span, "disturbance", text, AGAIN, evidence)
        return None

    def strange(self, suspect: _Suspect) -> Loss | None:
        """Find where nothing of the format was heard though it was as loud as before."""
        span = loud_gap(self.symbols, self.track, suspect.span)
        if span is None:
            return None
        text = (
            f"for {_milliseconds(span)} other sound, as loud as the signal: another speed, or recorded over"
        )
        return Loss(span, "disturbance", text, AGAIN, {"level_db": round(self.track.level_db(span), 1)})

    def jump(self, suspect: _Suspect) -> Loss | None:
        """Find a change of speed where a bad place starts."""
        start = suspect.span.start_seconds
        before = self.heard[self.symbols.end_seconds[self.heard] <= start + 1e-6][-SPEED_SYMBOLS:]
        after = self.heard[self.symbols.start_seconds[self.heard] >= suspect.span.end_seconds - 1e-6]
        if len(after) < SPEED_SYMBOLS:  # all that follows is doubtful
            after = self.heard[self.symbols.start_seconds[self.heard] >= start]
        after = after[:SPEED_SYMBOLS]
        if min(len(before), len(after)) < SPEED_SYMBOLS // 2:
            return None
        old, new = (float(np.median(self.symbols.speed[places])) for places in (before, after))
        if abs(new / old - 1) <= SPEED_JUMP:
            return None
        text = f"the speed jumps from {100 * (old - 1):+.1f} % to {100 * (new - 1):+.1f} %"
        evidence = {"speed_before": round(old, 4), "speed_after": round(new, 4)}
        return Loss(suspect.span, "speed-jump", text, _DRIVE, evidence)

    def _usual(self, suspect: _Suspect, of: str, width: float) -> Floats:
        """Levels around a bad place, without bad places; all, if that leaves too few."""
        around = self._widened(suspect.span, AROUND_SECONDS)
        values = self.track.smooth(around, width, of=of)
        first = self.track.frames(around).start
        keep = np.ones(len(values), np.bool_)
        margin = round(width / self.track.frame_seconds) + 2
        for other in self.suspects:
            chosen = self.track.frames(other.span)
            keep[max(0, chosen.start - first - margin) : max(0, chosen.stop - first + margin)] = False
        return values[keep] if np.count_nonzero(keep) > 0.1 * len(keep) else values

    def _widened(self, span: Span, seconds: float) -> Span:
        return Span(
            max(self.span.start_seconds, span.start_seconds - seconds),
            min(self.span.end_seconds, span.end_seconds + seconds),
        )

    def _around(self, near: Span, flags: npt.NDArray[np.bool_], place: int) -> Span:
        """Give the span of the frames flagged around a place."""
        down, up = np.flatnonzero(~flags[:place]), np.flatnonzero(~flags[place:])
        first = int(down[-1]) + 1 if len(down) else 0
        end = place + int(up[0]) if len(up) else len(flags)
        start = self.track.frames(near).start
        return Span((start + first) * self.track.frame_seconds, (start + end) * self.track.frame_seconds)


def loud_gap(symbols: Symbols, track: LevelTrack, span: Span) -> Span | None:
    """Find the first stretch without symbols that is as loud as the signal.

    Parameters
    ----------
    symbols : Symbols
    track : LevelTrack
    span : Span
        Where to look; what is usual is judged by the symbols before and in it.
    """
    first, end = (
        int(k) for k in np.searchsorted(symbols.start_seconds, (span.start_seconds, span.end_seconds))
    )
    before = slice(max(0, first - SPEED_SYMBOLS), end)
    heard = np.flatnonzero(symbols.index[before] != GAP) + before.start
    if not len(heard):
        return None
    last = min(int(heard[0]) + SPEED_SYMBOLS, int(heard[-1]))
    usual = track.usual_db(symbols.span(int(heard[0]), last))
    for k in np.flatnonzero(symbols.index[first:end] == GAP) + first:
        gap = Span(float(symbols.start_seconds[k]), min(float(symbols.end_seconds[k]), span.end_seconds))
        loud = track.level[track.frames(gap)] >= FALLEN * 10 ** (usual / 20)
        if gap.seconds < LOUD_GAP_SECONDS or not loud[: len(loud) // 2].all():
            continue
        quiet = np.flatnonzero(~loud)  # the signal may end within the gap
        stop = gap.start_seconds + int(quiet[0]) * track.frame_seconds if len(quiet) else gap.end_seconds
        return Span(gap.start_seconds, min(stop, gap.end_seconds))
    return None


def _unheard(suspect: _Suspect) -> Loss | None:
    """Name a place at which the receiver heard nothing of the format, though nothing else tells why."""
    if suspect.gap is None:
        return None
    text = f"dropout: nothing of the format for {_milliseconds(suspect.gap)}"
    return Loss(suspect.gap, "dropout", text, _CLEAN, {})


def _consequence(loss: Loss, suspect: _Suspect) -> str:
    """Say which bytes it cost: those that stood there, or others too, where a lost symbol shifts them."""
    if not suspect.byte_count:
        return ""
    words = byte_count(suspect.byte_count)
    byte_seconds = suspect.span.seconds / suspect.byte_count
    if suspect.byte_count <= loss.span.seconds / byte_seconds + BYTES_TOUCHED:
        return f", where {words} stood"
    if suspect.span.start_seconds < loss.span.start_seconds - BYTES_TOUCHED * byte_seconds:
        return f"; {words} around it are doubtful"
    return f"; {words} from there on are doubtful"


def _milliseconds(span: Span) -> str:
    return f"{1000 * span.seconds:.0f} ms"
