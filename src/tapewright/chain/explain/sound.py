"""Stretches in which nothing of the format was heard: silence, hum, noise, a tone, or something else."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from tapewright.cards import Alphabet, FormatCard
from tapewright.cards.layout import Lead
from tapewright.chain.explain.levels import SILENT_DB, LevelTrack, decibels, pieces_of
from tapewright.chain.explain.spectrum import Sound, classify
from tapewright.chain.explain.speed import READABLE_SPEEDS, SPEED_REMEDY, speed_words
from tapewright.model import AudioSource, Span, Stretch

__all__ = ["explain_sounds", "leader_hertz", "sounding_spans"]

Flags = npt.NDArray[np.bool_]

#: Where nothing of the format was heard, what is fainter than this is too faint to tell (chosen: above the
#: noise of a sound card's open input).
QUIET_DB = -50.0
#: What is so much fainter than the signal, or than the loudest there is, is silence: the noise of any tape.
BELOW_SIGNAL_DB = 30.0
#: Pieces that are looked at one by one.
PIECE_SECONDS = 0.5
EDGE_SECONDS = 0.015
#: Silence shorter than this within sound is part of it, and so is sound shorter than this within silence.
SHORTEST_SILENCE_SECONDS, SHORTEST_SOUND_SECONDS = 0.15, 0.04
#: What is shorter than this between two stretches of one kind is part of them: breath within speech.
SHORT_SECONDS = 1.2
#: Shorter sounds are not called speech or music, nor data of another format.
SHORTEST_TOLD_SECONDS, SHORTEST_DATA_SECONDS = 0.25, 1.0
#: Tones are the same if they differ by less than this share.
SAME_TONE = 0.02


@dataclass
class _Run:
    """A run of pieces of one kind."""

    span: Span
    sound: Sound

    @property
    def kind(self) -> str:
        return self.sound.kind


def explain_sounds(
    source: AudioSource, channel: int | str, leader: float | None, track: LevelTrack, spans: Sequence[Span],
    signal_db: float | None,
) -> list[Stretch]:  # fmt: skip
    """Explain stretches without symbols.

    Parameters
    ----------
    source : AudioSource
    channel : int or "average"
    leader : float or None
        Tone of the format's leader, in hertz; None where it has none or the format is not known.
    track : LevelTrack
    spans : sequence of Span
        In order of time; none overlaps another.
    signal_db : float or None
        Level of the format's signal elsewhere in the recording.

    Returns
    -------
    list of Stretch
        In order of time; they tile the spans.
    """
    silent_db = _silent_db(track, signal_db)
    cuts = [list(_cut_at_silence(track, span, silent_db)) for span in spans]
    sounding = [
        inner for parts in cuts for span, is_sound in parts if is_sound for inner in _inner(_pieces(span))
    ]
    heard = iter([classify(one, source.rate_hz) for one in pieces_of(source, channel, sounding)])
    found: list[Stretch] = []
    for parts in cuts:
        runs: list[_Run] = []
        for span, is_sound in parts:
            if not is_sound:
                runs.append(_Run(span, Sound("silence")))
                continue
            faint = track.level_db(span) < QUIET_DB and signal_db is None
            for piece in _pieces(span):
                sound = next(heard)
                is_told = sound.kind in ("hum", "tone")
                runs.append(_Run(piece, Sound("quiet") if faint and not is_told else sound))
        for run in _smoothed(_joined(runs)):
            found.append(_stretch(leader, track, run))
    return found


def sounding_spans(track: LevelTrack, spans: Sequence[Span], signal_db: float | None) -> list[Span]:
    """Give the parts of some spans that are no silence, in order of time."""
    silent_db = _silent_db(track, signal_db)
    cuts = (cut for span in spans for cut in _cut_at_silence(track, span, silent_db))
    return [span for span, is_sound in cuts if is_sound]


def _silent_db(track: LevelTrack, signal_db: float | None) -> float:
    """Level below which there is silence: so far below the signal, or else below what is loudest."""
    if signal_db is None:
        signal_db = decibels(float(np.percentile(track.level, 95)))
    return max(SILENT_DB, signal_db - BELOW_SIGNAL_DB)


def _cut_at_silence(track: LevelTrack, span: Span, silent_db: float) -> Iterator[tuple[Span, bool]]:
    """Split a span into silence and sound."""
    levels = track.level[track.frames(span)]
    if not len(levels):
        yield span, False
        return
    frame = track.frame_seconds
    is_loud = levels > 10 ** (silent_db / 20)
    is_loud = _without_short(is_loud, False, SHORTEST_SILENCE_SECONDS / frame, at_edges=False)
    is_loud = _without_short(is_loud, False, SHORTEST_SOUND_SECONDS / frame, at_edges=True)
    is_loud = _without_short(is_loud, True, SHORTEST_SOUND_SECONDS / frame, at_edges=True)
    changes = np.flatnonzero(np.diff(is_loud)) + 1
    first = track.frames(span).start
    edges = [span.start_seconds, *((first + changes) * track.frame_seconds), span.end_seconds]
    for k, place in enumerate([0, *changes]):
        yield Span(float(edges[k]), float(edges[k + 1])), bool(is_loud[place])


def _without_short(flags: Flags, value: bool, frames: float, *, at_edges: bool) -> Flags:
    """Turn over short runs of a value: those between others, and those at the edges if asked."""
    edges = [0, *(np.flatnonzero(np.diff(flags)) + 1), len(flags)]
    out = flags.copy()
    for first, end in pairwise(edges):
        is_inner = (first > 0 and end < len(flags)) or (at_edges and end - first < len(flags))
        if flags[first] == value and end - first < frames and is_inner:
            out[first:end] = not value
    return out


def _inner(pieces: list[Span]) -> list[Span]:
    """Leave out the edges of a sound, where what comes before and after may still ring."""
    edge = min(EDGE_SECONDS, 0.1 * pieces[0].seconds)
    first = Span(pieces[0].start_seconds + edge, pieces[0].end_seconds)
    pieces = [first, *pieces[1:]]
    return [*pieces[:-1], Span(pieces[-1].start_seconds, pieces[-1].end_seconds - edge)]


def _pieces(span: Span) -> list[Span]:
    count = max(1, int(span.seconds / PIECE_SECONDS))
    edges = np.linspace(span.start_seconds, span.end_seconds, count + 1)
    return [Span(float(a), float(b)) for a, b in pairwise(edges)]


def _is_same(a: Sound, b: Sound) -> bool:
    return a.kind == b.kind and abs(a.hertz - b.hertz) <= SAME_TONE * max(a.hertz, b.hertz)


def _joined(runs: list[_Run]) -> list[_Run]:
    """Join neighbours of one kind; of a tone, the frequency is that of the longer part."""
    out: list[_Run] = []
    for run in runs:
        if out and _is_same(out[-1].sound, run.sound):
            before = out[-1]
            longer = before if before.span.seconds >= run.span.seconds else run
            out[-1] = _Run(Span(before.span.start_seconds, run.span.end_seconds), longer.sound)
        else:
            out.append(run)
    return out


def _smoothed(runs: list[_Run]) -> list[_Run]:
    """Let what is short between two stretches of one kind, or a lone piece, be part of its neighbours."""
    changed = True
    while changed:
        changed = False
        for k in range(1, len(runs) - 1):
            before, run, after = runs[k - 1 : k + 2]
            is_heard = before.kind not in ("silence", "quiet")
            if is_heard and run.span.seconds < SHORT_SECONDS and _is_same(before.sound, after.sound):
                joined = _Run(Span(before.span.start_seconds, after.span.end_seconds), before.sound)
                runs = [*runs[: k - 1], joined, *runs[k + 2 :]]
                changed = True
                break
    out: list[_Run] = []
    for run in runs:  # a piece in which one sound goes over into another is like neither
        is_lone = run.kind == "other" and run.span.seconds < SHORT_SECONDS
        if is_lone and out and out[-1].kind not in ("silence", "quiet"):
            out[-1] = _Run(Span(out[-1].span.start_seconds, run.span.end_seconds), out[-1].sound)
        else:
            out.append(run)
    return _joined(out)


def leader_hertz(card: FormatCard) -> float | None:
    """Give the tone that the card's leader sounds like; None where it is not one tone."""
    leads = [item.lead for block in card.block for item in block.layout if isinstance(item, Lead)]
    if not leads:
        return None
    shapes = Alphabet.of(card)
    segments = [s for name in leads[0] for s in shapes.shapes[shapes.names.index(name)].segments]
    tones = {round(segment.hertz, 3) for segment in segments}
    return segments[0].hertz if len(tones) == 1 and segments[0].hertz > 0 else None


def _stretch(leader: float | None, track: LevelTrack, run: _Run) -> Stretch:
    level = track.usual_db(run.span) if run.kind == "silence" else track.level_db(run.span)
    evidence = {"level_db": round(level, 1)}
    if run.kind == "silence":
        return Stretch(run.span, "silence", "silence", _silence_text(level), None, evidence)
    if run.kind == "quiet":
        text = f"only a faint sound, {-level:.0f} dB below full scale: too faint to tell what it is"
        remedy = "turn the recorder's volume up, and check lead and input; then record again"
        return Stretch(run.span, "sound", "quiet", text, remedy, evidence)
    if run.kind == "tone":
        return _tone(leader, run, evidence)
    text, remedy = _WORDS[run.kind]
    if run.kind == "hum":
        text = f"mains hum: {run.sound.hertz:.0f} Hz and its multiples, and nothing of the format"
        evidence |= {"hum_hz": run.sound.hertz, "hum_share": round(run.sound.share, 3)}
    elif run.kind == "clipped":
        text = text.format(percent=100 * run.sound.share)
        evidence["cut_off_share"] = round(run.sound.share, 3)
    if run.kind == "other" and run.span.seconds < SHORTEST_TOLD_SECONDS:
        text = "a sound too short to tell what it is"
    elif run.kind == "keyed" and run.span.seconds < SHORTEST_DATA_SECONDS:
        text = "a short piece of what may be data, of this format or another"
    kind = "other" if run.kind == "keyed" else run.kind
    return Stretch(run.span, "sound", kind, text, remedy, evidence)


def _silence_text(level_db: float) -> str:
    return (
        "silence" if level_db < SILENT_DB else f"silence, but for noise {-level_db:.0f} dB below full scale"
    )


_ANOTHER = "check that it is the right recording and card; 'read --format auto' tries every card"
_WORDS = {
    "hum": ("", "keep the lead away from mains transformers, or use another lead or power supply"),
    "noise": (
        "broadband noise like tape hiss, and nothing of the format",
        "check that the tape holds a program here, and that the recorder plays it loud enough",
    ),
    "clipped": (
        "overdriven: {percent:.0f} % of the samples stand at full scale",
        "turn the level of the recording down, and record again",
    ),
    "keyed": (
        "a steady sound of more than one tone that is not of this format: most likely data of another one",
        _ANOTHER,
    ),
    "other": ("speech or music, or another format", _ANOTHER),
}


def _tone(leader: float | None, run: _Run, evidence: dict[str, float]) -> Stretch:
    hertz = run.sound.hertz
    evidence = evidence | {"tone_hz": round(hertz, 1)}
    text = f"a steady tone of {hertz:.0f} Hz"
    remedy: str | None = _ANOTHER
    if leader is not None:
        speed = hertz / leader
        if READABLE_SPEEDS[0] <= speed <= READABLE_SPEEDS[1]:
            text += f", as in this format's leader ({leader:.0f} Hz), but not enough of it to be sure"
        elif 0.5 <= speed <= 2.0:
            text += f": this format's leader ({leader:.0f} Hz) if the tape ran {speed_words(speed)}"
            remedy = SPEED_REMEDY
            evidence["speed"] = round(speed, 3)
        else:
            text += f", which is not this format's leader ({leader:.0f} Hz)"
    return Stretch(run.span, "sound", "tone", text, remedy, evidence)
