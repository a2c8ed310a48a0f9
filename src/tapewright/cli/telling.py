"""A reading in plain words, for people at a terminal."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

import numpy as np

from tapewright.cli.screen import BAD, DOUBT, GOOD, QUIET, Part
from tapewright.model import Block, Fault, Image, Range, Reading
from tapewright.model.reading import DOUBTFUL, confidence_text
from tapewright.model.words import byte_count

__all__ = [
    "address_list", "clock", "explanation_lines", "fault_line",
    "has_tried_formats", "image_line", "length", "reading_lines", "was_found",
]  # fmt: skip

Line = tuple[Part, ...]

_CHECK_WORDS: dict[str, Part] = {
    "ok": ("check agrees", GOOD),
    "repaired": ("repaired, and the check agrees now", GOOD),
    "bad": ("CHECK FAILS", BAD),
    "none": "no check in this format",
}
#: Fields the card language knows as addresses; other numbers are counts.
ADDRESS_FIELDS = ("start", "end", "run")
#: Half a percent is within what any recorder does.
NOTABLE_SPEED = 0.005


def length(seconds: float) -> str:
    """``12.3 s``, ``3 min 5 s``."""
    if seconds < 60:
        return f"{seconds:.1f} s"
    whole = round(seconds)
    return f"{whole // 60} min {whole % 60} s"


def clock(seconds: float) -> str:
    """Say when on the recording: ``12.30 s``, or ``3:05.2`` from a minute on."""
    if seconds < 60:
        return f"{seconds:.2f} s"
    tenths = round(10 * seconds)
    return f"{tenths // 600}:{tenths % 600 // 10:02d}.{tenths % 10}"


def address_list(places: Iterable[int]) -> str:
    """Join neighbouring addresses: ``0203, 0210..0213``."""
    ordered = np.unique(np.fromiter(places, np.int64))
    groups = np.split(ordered, np.flatnonzero(np.diff(ordered) > 1) + 1) if len(ordered) else []
    return ", ".join(f"{g[0]:04X}" if len(g) == 1 else f"{g[0]:04X}..{g[-1]:04X}" for g in groups)


def image_line(image: Image) -> str:
    """Say what program there is, and where."""
    name = f"{image.name.strip()!r}, " if image.name and image.name.strip() else ""
    run = "" if image.run is None else f", starts running at {image.run:04X}"
    return f"{name}{byte_count(len(image))} {_places(image.ranges)}{run}"


def _places(ranges: Sequence[Range]) -> str:
    known = [f"{r.address:04X}..{r.end:04X}" for r in ranges if r.address is not None]
    loose = len(ranges) - len(known)
    if not known:
        return "without an address" if loose == 1 else f"in {loose} pieces without addresses"
    return f"at {', '.join(known)}" + (f", and {loose} without an address" if loose else "")


def reading_lines(reading: Reading) -> Iterator[Line]:
    """Tell what was found, block by block."""
    source = reading.source
    channel = "" if source.channels == 1 else f", {_channel(source.channel, source.channels)}"
    name = source.path or "the recording"
    is_open = has_tried_formats(reading) and not reading.blocks
    read_as = "no format found" if is_open else f"read as {reading.format}"
    yield ((name, "bold"), f": {length(source.seconds)} at {source.rate_hz:g} Hz{channel}, {read_as}")
    if reading.rivals and reading.blocks:
        yield (f"  {_choice(reading)}",)
    for block in reading.blocks:
        yield from _block_lines(block)
    speeds = [block.speed for block in reading.blocks if was_found(block)]
    if speeds and abs(float(np.mean(speeds)) - 1) > NOTABLE_SPEED:
        percent = 100 * (float(np.mean(speeds)) - 1)
        yield (f"  the tape runs {abs(percent):.1f} % {'fast' if percent > 0 else 'slow'}",)
    if not reading.blocks:
        yield (("  nothing found", BAD),)
    for fault in reading.faults:
        yield fault_line(fault)


def was_found(block: Block) -> bool:
    """Whether anything was heard of a block; others tell of those that were not."""
    return not any(fault.kind == "missing-block" for fault in block.faults)


def has_tried_formats(reading: Reading) -> bool:
    """Whether the format was not named but looked for."""
    return bool(reading.rivals) or any(fault.kind == "cannot-tell" for fault in reading.faults)


def _choice(reading: Reading) -> str:
    """Say by how much the format found is ahead of the next best."""
    (winner, bits), *others = reading.rivals
    found = f"format found: {winner}, with {bits:.0f} bits of evidence"
    if not others:
        return f"{found}; no other sounds like it"
    runner_up, next_bits = others[0]
    margin = bits - next_bits
    if margin < 0:
        rival = f"runner-up: {runner_up}, with {next_bits:.0f} bits but no check that agrees"
        return f"{found}, as its check agrees; {rival}"
    return f"{found}; runner-up: {runner_up}, {margin:.0f} bits behind"


def _channel(channel: int | str, channels: int) -> str:
    if isinstance(channel, str):
        return f"all {channels} channels together"
    side = {0: " (left)", 1: " (right)"}.get(channel, "") if channels == 2 else ""
    return f"channel {channel} of {channels}{side}"


def _block_lines(block: Block) -> Iterator[Line]:
    where = "" if block.address is None or not block.data else f" at {_span(block)}"
    fields = ", ".join(f"{name} {_field(name, value)}" for name, value in block.fields.items())
    size = f", {byte_count(len(block.data))}{where}" if block.data else ""
    told = f" ({fields})" if fields else ""
    yield (f"  {clock(block.span.start_seconds):>9}  {block.kind} block{size}{told}: ", *_state(block))
    if block.repaired_offsets:
        base = block.address or 0
        yield (f"{'':13}repaired: {address_list(base + offset for offset in block.repaired_offsets)}",)
    for fault in block.faults:
        yield fault_line(fault, indent=13)


def _state(block: Block) -> Line:
    if not was_found(block):
        return (("NOT FOUND", BAD),)
    incomplete = () if block.complete else (", ", ("NOT COMPLETE", BAD))
    return (_CHECK_WORDS.get(block.check, block.check), *incomplete)


def _span(block: Block) -> str:
    first = block.address or 0
    return f"{first:04X}..{first + len(block.data) - 1:04X}"


def _field(name: str, value: int | str) -> str:
    if isinstance(value, str):
        return repr(value.rstrip())
    return f"{value:04X}" if name in ADDRESS_FIELDS else str(value)


def fault_line(fault: Fault, indent: int = 2) -> Line:
    """Tell one fault, and what to do about it if there is something."""
    remedy = f"; {fault.remedy}" if fault.remedy else ""
    return (" " * indent, (f"{fault.text}{remedy}", DOUBT))


def explanation_lines(reading: Reading) -> Iterator[Line]:
    """Tell the figures behind a reading: why this card, how strong, how sure."""
    yield (("  How it was read:", "bold"),)
    if len(reading.rivals) > 1:
        rivals = ", ".join(f"{name} {bits:g} bits" for name, bits in reading.rivals)
        yield (f"    formats considered, by evidence: {rivals}",)
    count, gaps = len(reading.symbols), int(np.count_nonzero(reading.symbols.index < 0))
    yield (f"    symbols heard: {count - gaps}, with {gaps} gaps between them",)
    for block in filter(was_found, reading.blocks):
        sure = block.byte_confidence
        least = f", least sure byte {confidence_text(float(np.min(sure)))}" if len(block.data) else ""
        yield (
            f"    {clock(block.span.start_seconds):>9}  {block.kind}: speed {100 * (block.speed - 1):+.2f} %,"
            f" level {_decibels(block.level)}, noise {_decibels(block.noise)},"
            f" evidence {block.evidence_bits:.0f} bits{least}",
        )
        unsure = np.flatnonzero(sure < DOUBTFUL)
        for k in unsure[:MOST_EXPLAINED]:
            yield (
                f"{'':15}{_place(block, int(k))} at {clock(float(block.byte_seconds[k]))}:"
                f" {block.data[k]:02X} with confidence {confidence_text(float(sure[k]))}",
            )
        if len(unsure) > MOST_EXPLAINED:
            yield ((f"{'':15}and {len(unsure) - MOST_EXPLAINED} more; --json lists every byte", QUIET),)


#: Doubtful bytes listed one by one for each block.
MOST_EXPLAINED = 32


def _place(block: Block, offset: int) -> str:
    return f"+{offset:04X}" if block.address is None else f"{block.address + offset:04X}"


def _decibels(amplitude: float) -> str:
    return f"{20 * np.log10(amplitude):+.0f} dBFS" if amplitude > 0 else "unknown"
