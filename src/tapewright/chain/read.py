"""Audio to program: line, framing, blocks, image, with every layer kept."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from tapewright import audio, blocks, framing, line
from tapewright.cards import Alphabet, FormatCard, format_names, load_format
from tapewright.chain.combine import combine
from tapewright.chain.excerpt import Excerpt
from tapewright.chain.explain.levels import SILENT_DB
from tapewright.chain.other_data import other_data
from tapewright.chain.tone import TONES, Toned
from tapewright.model import AudioSource, Block, Fault, Reading, Recording, Source, Span, UsageError
from tapewright.model.stretch import PRINT_THROUGH

__all__ = ["AudioLike", "open_source", "read", "read_source"]

AudioLike = AudioSource | Recording | npt.NDArray[np.floating] | str | os.PathLike[str]
CardLike = str | Path | FormatCard

AUTO = "auto"
#: The kind of fault where a recording holds good blocks that are not in the program.
OTHER_PROGRAM = "other-program"
#: The kind of fault where no format, or more than one, may be the right one.
CANNOT_TELL = "cannot-tell"
#: With `auto`, this many of the likeliest cards compete, fewer if checks vouch for what one found.
CARDS_IN_CONTEST = 4
#: At least so many of those that sound alike at all, so that there is a runner-up.
FEWEST_IN_CONTEST = 2
#: Cards with less than this share of the best one's evidence are not.
LEAST_SHARE = 0.6
#: They are read with so much of the recording first, from where it begins to sound like the likeliest, then
#: more: most of an hour tells nothing new about which card it is, and a wrong card takes far longer to read
#: with than the right one. All the rest is read with the two likeliest.
CONTEST_SECONDS = (20.0, 90.0, 360.0)
#: The leader's beginning may not sound like data yet.
SECONDS_BEFORE = 1.0
#: A piece of a recording sounds like a format if it has this share of the evidence that any piece has.
ALIKE_SHARE = 0.5
#: Another tone is tried if a few pieces of the recording have this share of the evidence with it that they
#: have as they are: noise, music and good tapes with dropouts are not read four times for nothing.
TONE_SHARE = 0.5
#: A recording that nowhere reaches this peak is silent.
SILENT_PEAK = 10 ** (SILENT_DB / 20)
#: The best card must explain the recording this many bits better than the next, or it is too close to call.
LEAST_MARGIN_BITS = 10.0


def read(
    sound: AudioLike, *, format: CardLike | Sequence[CardLike] = AUTO, rate_hz: float | None = None
) -> Reading:
    """Read a recording.

    Parameters
    ----------
    sound : path, Recording, or ndarray
        An array of shape (n,) or (n, channels) needs `rate_hz`.
    format : str, path or FormatCard, or several
        A card; ``"auto"`` tries every built-in one, a list tries those in it.
    rate_hz : float, optional
        Sample rate of an array.

    Returns
    -------
    Reading
        Blocks, image, confidences, times, faults; its repr tells a person what was found. Without a program
        `blocks` is empty and `faults` say where the chain stopped.

    Raises
    ------
    TapewrightError
        If the recording or a card cannot be used.
    """
    source = open_source(sound, rate_hz)
    if isinstance(format, (str, Path, FormatCard)) and format != AUTO:
        return _best_tone(source, [load_format(format)], lambda toned, cards: read_source(toned, cards[0]))
    names: Sequence[CardLike] = format_names() if isinstance(format, (str, Path, FormatCard)) else format
    if not names:
        raise UsageError("no format cards to try; name at least one")
    return _best_tone(source, [load_format(name) for name in names], _best_card)


def open_source(sound: AudioLike, rate_hz: float | None = None) -> AudioSource:
    """Turn what a caller has into something with chunks of samples."""
    if isinstance(sound, np.ndarray):
        if rate_hz is None:
            raise UsageError("an array of samples needs its sample rate; give rate_hz")
        return Recording(sound.astype(np.float32), rate_hz)
    if isinstance(sound, (str, os.PathLike)):
        return audio.open_audio(sound)
    if not hasattr(sound, "chunks"):
        raise UsageError(
            f"a {type(sound).__name__} is no recording; give the path of a sound file, a Recording, or an"
            " array of samples"
        )
    return sound


def read_source(
    source: AudioSource, card: FormatCard, *, surveyed: line.Survey | None = None,
    prospect: line.Prospect | None = None,
) -> Reading:  # fmt: skip
    """Read a recording with one card.

    A format made of absolute levels reads as another program upside down, so both ways are tried and the
    one whose blocks hold more evidence is kept.
    """
    surveyed = surveyed or line.survey(source)
    reading = _read_one_way(source, card, surveyed, prospect, inverted=False)
    if line.is_polar(Alphabet.of(card)) and not reading.verified:
        other = _read_one_way(source, card, surveyed, None, inverted=True)
        if _evidence(other) > _evidence(reading):
            return other
    return reading


def _best_tone(
    source: AudioSource,
    cards: list[FormatCard],
    read_cards: Callable[[AudioSource, list[FormatCard]], Reading],
) -> Reading:
    """Read a recording as it is; where that is not well, with another tone too, and keep what tells most."""
    best = read_cards(source, cards)
    if not best.damaged:
        return best
    others = best.rivals[1:]
    if best.blocks and not any(fault.kind == CANNOT_TELL for fault in best.faults):
        cards = [card for card in cards if card.name == best.format]
    least = TONE_SHARE * _evidence_by_sound(source, cards)
    for tone in TONES:
        toned = Toned(source, tone)
        if _evidence_by_sound(toned, cards) <= least:
            continue
        reading = read_cards(toned, cards)
        if _worth(reading) > _worth(best):
            rivals = (*reading.rivals, *others) if len(cards) == 1 else reading.rivals
            best = replace(reading, rivals=rivals, faults=(*reading.faults, tone.fault))
            if not best.damaged:
                break
    return best


def _evidence_by_sound(source: AudioSource, cards: list[FormatCard]) -> float:
    ranked = line.rank(line.survey(source), cards, source.channels)
    return max((prospect.evidence_bits for prospect in ranked), default=0.0)


def _worth(reading: Reading) -> tuple[bool, bool, float]:
    """How well a recording was read, to be compared."""
    return reading.verified, not reading.damaged, _evidence(reading)


def _read_one_way(
    source: AudioSource, card: FormatCard, surveyed: line.Survey, prospect: line.Prospect | None,
    *, inverted: bool,
) -> Reading:  # fmt: skip
    heard = line.decode(source, card, inverted=inverted, surveyed=surveyed, prospect=prospect)
    about = Source(source.path, source.sha256, source.rate_hz, heard.seconds, heard.channel, source.channels)
    faults = list(getattr(source, "faults", ()))
    found: tuple[Block, ...] = ()
    if len(heard.symbols):
        found, why = blocks.decode(heard.symbols, framing.Framer(heard.symbols, card), card)
        faults += why
    else:
        faults.append(_silence(source) or _unlike(card))
    found, image, confidence = combine(found, card)
    faults += [*_other_program(blocks.left_out(found, image)), *_print_through(heard.ghosts)]
    return Reading(about, card.name, found, image, confidence, heard.symbols, tuple(faults))


def _print_through(ghosts: tuple[line.Ghost, ...]) -> list[Fault]:
    return [
        Fault(
            PRINT_THROUGH,
            f"a faint copy of what is heard {abs(ghost.late_seconds):.1f} s"
            f" {'before' if ghost.late_seconds > 0 else 'after'} it, {-ghost.level_db:.0f} dB down, was"
            f" passed over at {ghost.span.start_seconds:.1f} s: it printed through from the next turn"
            " of tape",
            ghost.span,
        )
        for ghost in ghosts
    ]


def _silence(source: AudioSource) -> Fault | None:
    """Say so where there is no sound at all, told by one more pass over the recording."""
    if any(np.abs(chunk).max(initial=0.0) >= SILENT_PEAK for chunk in source.chunks(5.0)):
        return None
    return Fault(
        "silence",
        "the recording is silent",
        remedy="check the lead, the volume, and which socket was recorded from",
    )


def _unlike(card: FormatCard) -> Fault:
    return Fault(
        "no-signal",
        f"nothing in this recording sounds like format {card.name}",
        remedy="check that it is the right recording and card; 'read --format auto' tries every card",
    )


def _other_program(left: Sequence[Block]) -> list[Fault]:
    """Say what of the recording is not in the program, as something else stands at its addresses."""
    if not left:
        return []
    count = sum(len(block.data) for block in left)
    place = Span(left[0].span.start_seconds, left[-1].span.end_seconds)
    text = (
        f"{count} bytes in {place} are not in the program, which has other bytes at their addresses, as if"
        " there were more programs than one"
    )
    return [
        Fault(OTHER_PROGRAM, text, remedy="cut the recording between programs, and read each part by itself")
    ]


def _evidence(reading: Reading) -> float:
    return float(sum(block.evidence_bits for block in reading.blocks))


def _best_card(source: AudioSource, cards: list[FormatCard]) -> Reading:
    """Rank cards by what is likely data; by any sound, where that makes no block."""
    readings = []
    overview = line.overview(source)
    for surveyed in overview.surveys:
        readings.append(_best_for(source, surveyed, cards))
        if readings[-1].blocks:
            best = readings[-1]
            return replace(best, faults=(*best.faults, *other_data(overview.likely_data, best)))
    return readings[0]


def _best_for(source: AudioSource, surveyed: line.Survey, cards: list[FormatCard]) -> Reading:
    """Rank cards by how well they explain a few pieces, then by the blocks that reading finds."""
    ranked = line.rank(surveyed, cards, source.channels)
    heard = [prospect for prospect in ranked if prospect.evidence_bits > 0]
    if not heard:
        reading = read_source(source, ranked[0].card, surveyed=surveyed)
        others = [fault for fault in reading.faults if fault.kind not in ("no-signal", "silence")]
        silence = next((fault for fault in reading.faults if fault.kind == "silence"), None)
        why = _nothing_alike(len(cards), len(surveyed.pieces))
        if silence is not None:
            why = replace(silence, kind=CANNOT_TELL, text=f"cannot tell the format: {silence.text}")
        return replace(reading, faults=(*others, why))
    least = LEAST_SHARE * heard[0].evidence_bits
    hopeful = [prospect for prospect in heard if prospect.evidence_bits >= least]
    count = max(len(hopeful[:CARDS_IN_CONTEST]), FEWEST_IN_CONTEST)  # or there would be no runner-up
    start = _where_it_begins(surveyed, heard[0].card, source.channels)
    for seconds in (*CONTEST_SECONDS, math.inf):
        part = Excerpt(source, start, seconds)
        readings = _contest(part, heard[: count if math.isfinite(seconds) else FEWEST_IN_CONTEST], surveyed)
        if part.reaches_end or (readings[0].blocks and not _cannot_tell(readings, len(cards))):
            break
    rivals = tuple((reading.format, round(_evidence(reading), 1)) for reading in readings)
    best = readings[0]
    if not part.is_whole:
        winner = next(prospect for prospect in heard if prospect.card.name == best.format)
        best = read_source(source, winner.card, surveyed=surveyed, prospect=winner)
    return replace(best, rivals=rivals, faults=(*best.faults, *_cannot_tell(readings, len(cards))))


def _where_it_begins(surveyed: line.Survey, card: FormatCard, channels: int) -> float:
    """Where the sound begins, in seconds, that the first piece is from that sounds like a format."""
    first = 0
    if len(set(surveyed.starts)) > 1:
        alone = [replace(surveyed, pieces=(piece,)) for piece in surveyed.pieces]
        evidence = [line.rank(piece, [card], channels)[0].evidence_bits for piece in alone]
        first = int(np.argmax(np.array(evidence) >= ALIKE_SHARE * max(evidence)))
    return max(surveyed.starts[first] - SECONDS_BEFORE, 0.0)


def _contest(source: AudioSource, prospects: list[line.Prospect], surveyed: line.Survey) -> list[Reading]:
    """Read with several cards; the best reading first."""
    readings: list[Reading] = []
    for prospect in prospects:
        readings.append(read_source(source, prospect.card, surveyed=surveyed, prospect=prospect))
        if len(readings) >= FEWEST_IN_CONTEST and any(reading.verified for reading in readings):
            break  # nothing outranks it
    return sorted(readings, key=_rank, reverse=True)


def _nothing_alike(count: int, pieces: int) -> Fault:
    where = (
        "this recording" if pieces < 2 else f"the {pieces} seconds listened to, from all over the recording,"
    )
    return Fault(
        CANNOT_TELL,
        f"cannot tell the format: nothing in {where} sounds like any of the {count} tried",
        remedy="name the format with --format, and every second is listened to, or check that it is the right"
        " recording; 'read --explain' says what it sounds like",
    )


def _cannot_tell(readings: list[Reading], count: int) -> tuple[Fault, ...]:
    """Say so where no card, or more than one, explains the recording."""
    best, others = readings[0], readings[1:]
    if not best.blocks:
        likely = " and ".join(reading.format for reading in readings[:2])
        text = f"cannot tell the format: none of the {count} tried made a block; likeliest by sound: {likely}"
        remedy = "name the format with --format; with --explain it says where the reading stops"
        return (Fault(CANNOT_TELL, text, remedy=remedy),)
    rival = next((reading for reading in others if reading.blocks), None)
    if rival is None or (best.verified and not rival.verified):
        return ()
    margin = _evidence(best) - _evidence(rival)
    if margin >= LEAST_MARGIN_BITS:
        return ()
    text = (
        f"cannot tell whether the format is {best.format} or {rival.format}: the evidence differs by"
        f" {margin:.1f} bits, and {LEAST_MARGIN_BITS:g} are needed"
    )
    return (Fault(CANNOT_TELL, text, remedy="name the format with --format"),)


def _rank(reading: Reading) -> tuple[bool, float]:
    """A check that vouches for every block outranks any amount of evidence."""
    return reading.verified, _evidence(reading)
