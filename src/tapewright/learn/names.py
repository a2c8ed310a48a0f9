"""Names among the bytes of a block: of fixed length and filled up, or ended by a byte of its own."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from tapewright.learn.facts import Facts
from tapewright.learn.known import CODINGS, HEX_DIGITS, as_held
from tapewright.learn.parts import Option, Part

__all__ = ["EndedName", "ended_names", "filled_names", "from_digits"]

#: A name costs this, and for each character; and how long it is, or what ends it: usual bytes or others.
TEXT_BITS, CHARACTER_BITS, PAD_BITS = 8.0, 6.0, 0.5
LENGTH_BITS, USUAL_END_BITS, OTHER_END_BITS = 3.0, 2.0, 5.0
#: It is filled up with spaces or zeros, or with something else.
PAD_KIND_BITS, OTHER_PAD_BITS = 1.0, 5.0
#: A name of fixed length that is cut off, and then goes on behind it, is hardly one.
GOES_ON_BITS = 8.0
SHORTEST_TEXT, LONGEST_TEXT = 2, 32
USUAL_ENDS, OTHER_ENDS = (0x0D, 0x00), (0x0A, 0x03, 0x04, 0x1A, 0x22, 0xFF)


@dataclass(frozen=True)
class EndedName:
    """A name ended by a byte of its own.

    Parameters
    ----------
    begin : int
        Where it begins in each block.
    part : Part
        With its first place, and the bytes it takes in each block.
    cost : float
        In bits.
    """

    begin: int
    part: Part
    cost: float


def ended_names(runs: Sequence[bytes], facts: Facts, coding: str) -> Iterator[EndedName]:
    """Every name that may be ended by a usual byte.

    Parameters
    ----------
    runs : sequence of bytes
        Of each block, as they stand on tape.
    facts : Facts
    coding : {"plain", "hex"}
        ``hex``: it may be written as hexadecimal characters.
    """
    for begin in range(min([LONGEST_TEXT, *map(len, runs)])):
        for written in ("plain",) if coding == "plain" else CODINGS:
            rests = [as_held(run[begin:], written) for run in runs]
            for end in USUAL_ENDS + OTHER_ENDS:
                names = [rest[: rest.find(end)] for rest in rests if 0 < rest.find(end) <= LONGEST_TEXT]
                if len(names) < len(runs) or not all(map(_is_text, names)):
                    continue
                if max(map(len, names)) >= SHORTEST_TEXT:
                    yield _ended_name(begin, end, written, names, facts)


def _ended_name(begin: int, end: int, written: str, names: Sequence[bytes], facts: Facts) -> EndedName:
    widths = tuple((len(name) + 1) * (2 if written == "hex" else 1) for name in names)
    part = Part("text", begin, widths, coding=written, value=bytes([end]), is_ended=True)
    cost = TEXT_BITS + (USUAL_END_BITS if end in USUAL_ENDS else OTHER_END_BITS)
    return EndedName(
        begin, part, cost + sum(_text_bits(name, 0, known) for name, known in _apart(names, facts))
    )


def filled_names(runs: Sequence[bytes], facts: Facts, place: int, coding: str) -> Iterator[Option]:
    """Every name of fixed length that may begin at a place, filled up.

    Parameters
    ----------
    runs : sequence of bytes
        Of each block, all equally long.
    facts : Facts
    place : int
    coding : {"plain", "hex"}
        How it is written.
    """
    each = 2 if coding == "hex" else 1
    longest = min(_longest_text(run[place : place + LONGEST_TEXT * each], coding) for run in set(runs))
    for length in range(SHORTEST_TEXT, longest + 1):
        end = place + length * each
        taken = [run[place:end] if each == 1 else from_digits(run[place:end]) for run in runs]
        for pad, pad_bits in _pads(taken, facts.names):
            names = [text.rstrip(pad) for text in taken if text is not None]
            if len(names) < len(taken) or not all(_is_text(name) for name in names):
                continue
            if max(map(len, names)) < SHORTEST_TEXT:
                continue
            cost = TEXT_BITS + LENGTH_BITS + pad_bits + sum(
                _text_bits(name, length - len(name), known) for name, known in _apart(names, facts)
            )  # fmt: skip
            rests = zip(runs, facts.names, strict=True)
            if each == 1 and any(_goes_on(run[place:], length, known) for run, known in rests):
                cost += GOES_ON_BITS
            yield Option(
                Part("text", place, (length * each,) * len(runs), coding=coding, value=pad), cost, end
            )


def _longest_text(run: bytes, coding: str) -> int:
    """How many characters at the beginning of a run may be a name, filled up with one that is none."""
    if coding == "hex":
        run = as_held(run, coding)
    text = next((k for k in range(len(run)) if not _is_text(run[k : k + 1])), len(run))
    return len(run) - len(run[text:].lstrip(run[text : text + 1]))


def from_digits(text: bytes) -> bytes | None:
    """Bytes from their two hexadecimal characters each, or None where they are none."""
    if len(text) % 2 or any(character not in HEX_DIGITS for character in text):
        return None
    return bytes.fromhex(text.decode("ascii"))


def _goes_on(run: bytes, length: int, known: str | None) -> bool:
    """Whether a known name goes on where a text of this length would end."""
    if known is None or len(known) <= length:
        return False
    return run.startswith(known[: length + 1].encode("ascii", "replace"))


def _pads(texts: Sequence[bytes | None], known: Sequence[str | None]) -> Iterator[tuple[bytes, float]]:
    """What names may be filled up with, and how much of a surprise that is."""
    usual = b" ", b"\0"
    yield from ((pad, PAD_KIND_BITS) for pad in usual)
    ends = {text[-1:] for text in texts if text is not None and text[-1:] == text[-2:-1]}
    ends |= {
        text[-1:]
        for text, name in zip(texts, known, strict=True)
        if text is not None and name and text[:-1] == name.encode("ascii", "replace")
    }
    yield from ((pad, OTHER_PAD_BITS) for pad in sorted(ends.difference(usual)) if pad.isascii())


def _apart(names: Sequence[bytes], facts: Facts) -> set[tuple[bytes, str | None]]:
    """Different names: the same one is paid for once a recording."""
    return {(name, known) for name, known, _ in zip(names, facts.names, facts.saves, strict=True)}


def _text_bits(name: bytes, pads: int, known: str | None) -> float:
    if known and name.decode("ascii") == known[: len(name)] and len(name) >= min(len(known), 3):
        return 0.0
    return CHARACTER_BITS * len(name) + PAD_BITS * pads


def _is_text(run: bytes) -> bool:
    return all(0x20 <= byte < 0x7F for byte in run)
