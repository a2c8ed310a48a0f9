"""Numbers, names and notices as people read them."""

from __future__ import annotations

import math

from tapewright.model.reading import confidence_text

__all__ = [
    "CAUTIONS",
    "GLOSSARY",
    "LEVEL_CAUTION",
    "address_text",
    "channel_text",
    "confidence_text",
    "count",
    "length_text",
    "plain",
    "seconds_text",
    "speed_text",
]

#: The words the page uses, as the manual defines them.
GLOSSARY = (
    ("recording", "Audio that came from, or is meant for, a tape."),
    ("symbol", "One element of the line code: what one bit, or a leader or sync mark, sounds like."),
    ("block", "One run of bytes on tape with its leader, sync, fields, data and check."),
    ("image", "Program bytes with their memory addresses; it may have several ranges."),
    ("format card", "A short text file that says how one kind of machine puts bytes on tape."),
    (
        "check",
        "The block's own checksum or CRC: ok, bad, none (the format has none), or repaired (made good by this"
        " program, which says which bytes it changed).",
    ),
    (
        "confidence",
        "The probability, 0 to 1, that a byte is right: of many bytes at 0.9, nine in ten are right.",
    ),
    ("evidence", "How much better a block explains what was heard than chance does, in bits."),
    ("gap", "A stretch in which no symbol of this format was heard."),
    ("half-wave", "The sound between two crossings of the zero line."),
    (
        "speed",
        "Tape speed against the format card's: above 0 % the tape runs fast, and everything on it is shorter"
        " and higher.",
    ),
    ("wow", "Slow, regular changes of speed: a bent spindle or a worn roller."),
    ("noise", "What is left in the receiver's band when the signal is taken away."),
    ("dBFS", "Level in decibels; 0 is the loudest a recording can hold."),
    ("SHA-256", "A fingerprint of the recording file: if it is the same, so is the file."),
)

#: For pages that say how loud to play.
LEVEL_CAUTION = (
    "An ear or loudspeaker socket can give several volts, more than many inputs stand: begin with the volume"
    " low, and check what your machine and sound card take. Never ground one side of an output that floats."
)

CAUTIONS = (
    "Data tapes are loud and shrill. Never listen to one on headphones, and turn loudspeakers down first.",
    "Keep the original recording. A reading can always be made again; a tape may not play again.",
    "Break off the tabs of a cassette that matters before it goes into a recorder.",
)


def plain(text: str) -> str:
    """Replace what cannot be printed, or would change how the text around it reads, with a mark.

    Names from tapes and file systems may hold control characters, half characters, and signs that turn the
    direction of writing.
    """
    return "".join(sign if sign.isprintable() else "\N{REPLACEMENT CHARACTER}" for sign in text)


def count(number: int, one: str, many: str | None = None) -> str:
    """Say how many: ``1 byte``, ``3 bytes``, ``12 345 bytes``."""
    shown = f"{number:,}".replace(",", "\N{NARROW NO-BREAK SPACE}")
    return f"{shown} {one if number == 1 else many or one + 's'}"


def length_text(seconds: float) -> str:
    """Say how long: ``12.3 s``, ``3 min 5 s``, ``1 h 2 min``."""
    if seconds < 59.95:
        return f"{seconds:.1f} s"
    whole = round(seconds)
    hours, minutes, rest = whole // 3600, whole // 60 % 60, whole % 60
    return f"{hours} h {minutes} min" if hours else f"{minutes} min {rest} s"


def seconds_text(seconds: float) -> str:
    """Say when on the recording, to the millisecond; a dash where nobody knows."""
    return f"{seconds:.3f} s" if math.isfinite(seconds) else "\N{EN DASH}"


def address_text(address: int | None, offset: int = 0, digits: int = 4) -> str:
    """Say where: ``0200``; ``+0010`` is an offset where no address is known."""
    return f"+{offset:0{digits}X}" if address is None else f"{address + offset:0{digits}X}"


def speed_text(speed: float) -> str:
    """Say how fast the tape ran: ``1.3 % fast``."""
    percent = 100 * (speed - 1)
    if abs(percent) < 0.05:
        return "as it should be"
    return f"{abs(percent):.1f} % {'fast' if percent > 0 else 'slow'}"


def channel_text(channel: int | str, channels: int) -> str:
    """Say what was listened to."""
    if channels == 1:
        return "the only channel"
    if isinstance(channel, str):
        return f"the average of {'both' if channels == 2 else f'all {channels}'} channels"
    side = {0: ", left", 1: ", right"}.get(channel, "") if channels == 2 else ""
    return f"channel {channel} of {channels} (counted from 0{side})"
