"""``tapewright read``: audio to program."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from tapewright.cli.app import DAMAGED, DONE
from tapewright.cli.options import Force, FormatName, Json, Start
from tapewright.cli.screen import BAD, DOUBT, GOOD, TITLE, note, print_json, say, say_table, working

if TYPE_CHECKING:
    from tapewright.cards import FormatCard
    from tapewright.cli.together import Together
    from tapewright.model import AudioSource, Fault, Image, Reading, Stretch

__all__ = ["read"]


def read(
    audio: Annotated[
        list[str],
        Parameter(
            name="AUDIO...",
            help="Sound files (WAV, FLAC, MP3, video ...). Several of the same save are combined.",
        ),
    ],
    /,
    *,
    format: FormatName = "auto",
    output: Annotated[
        str | None,
        Parameter(
            name=["--output", "-o"],
            metavar="FILE",
            help="Program file to make: .bin, .hex, .s19 or .txt. Made even if bytes are doubtful.",
        ),
    ] = None,
    report: Annotated[
        str | None,
        Parameter(
            metavar="FILE", help="HTML page to make, with pictures of what was heard (of one recording)."
        ),
    ] = None,
    start: Start = None,
    json: Annotated[
        Json,
        Parameter(
            help="Print one JSON document instead of text; with several recordings,"
            ' {"recordings": [one document each], "format", "image", "faults"}.'
        ),
    ] = False,
    explain: Annotated[
        bool,
        Parameter(
            help="Tell for each stretch of the recording how far the reading got, why, and what to do; and"
            " the figures behind it."
        ),
    ] = False,
    force: Force = False,
) -> int:
    """Read recordings of one save."""
    from tapewright import chain
    from tapewright.audio import open_audio
    from tapewright.cards import load_format
    from tapewright.cli import telling
    from tapewright.cli.saving import place, save
    from tapewright.cli.together import put_together

    card = None if format == "auto" else load_format(format)
    _check_request(audio, card, output, report, start, force)
    sources = [open_audio(path) for path in audio]  # all of them, before minutes are spent on the first
    _refuse_repeats(sources)
    readings: list[Reading] = []
    explained: list[tuple[Stretch, ...]] = []
    for source in sources:
        with working(f"reading {source.path} ..."):
            readings.append(chain.read(source, format=card or _settled(readings) or "auto"))
        if not json:
            for line in telling.reading_lines(readings[-1]):
                say(*line)
        if explain:
            with working(f"explaining {source.path} ..."):
                chosen = card or load_format(readings[-1].format)
                explained.append(chain.explain(source, chosen, readings[-1]))
            if not json:
                _say_why(readings[-1], explained[-1])
    found = put_together(readings, card, start)
    image = place(found.image, start)
    tell = note if json else say
    if image.ranges:
        unheard = f", of which {found.unheard} were not heard and are 00" if found.unheard else ""
        tell(f"Program: {telling.image_line(image)}{unheard}")
    if output is not None:
        for sentence in save(image, output, force=force):
            tell(sentence)
    if report is not None:
        from tapewright.report import write_report

        reading, chosen = replace(readings[0], image=image), card or load_format(readings[0].format)
        stretches = explained[0] if explained else chain.explain(sources[0], chosen, reading)
        write_report(reading, report, card=chosen, source=sources[0], stretches=stretches, force=force)
        tell(f"Report: {report}")
    if json:
        _print_documents(readings, image, found.faults, explained)
    else:
        _say_verdict(found, image)
    return DAMAGED if found.damaged else DONE


def _refuse_repeats(sources: Sequence[AudioSource]) -> None:
    """Refuse one recording in place of several: heard twice it would count for twice as sure."""
    from tapewright.model import UsageError

    for first, second in combinations(sources, 2):
        if first.sha256 == second.sha256:
            is_same = first.path == second.path
            told = f"{first.path} is given twice" if is_same else f"{second.path} is a copy of {first.path}"
            raise UsageError(
                f"{told}, which makes no byte surer; leave it out, or play the tape again and record that"
            )


def _print_documents(
    readings: Sequence[Reading], image: Image, faults: Sequence[Fault], explained: Sequence[Sequence[Stretch]]
) -> None:
    """Print the document of one recording, or that of several with theirs in it."""
    from tapewright.cli.document import fault_list, image_document, reading_document, stretch_list

    documents = [reading_document(reading) for reading in readings]
    for document, stretches in zip(documents, explained, strict=False):
        document["stretches"] = stretch_list(stretches)
    if len(documents) == 1:
        print_json(documents[0] | {"image": image_document(image)})
        return
    print_json(
        {
            "recordings": documents,
            "format": readings[0].format,
            "image": image_document(image),
            "faults": fault_list(faults),
        }
    )


def _say_why(reading: Reading, stretches: Sequence[Stretch]) -> None:
    from tapewright.cli import telling
    from tapewright.cli.stretches import HEADINGS, stretch_rows

    for line in telling.explanation_lines(reading):
        say(*line)
    say(("  Stretch by stretch:", TITLE))
    say_table(HEADINGS, stretch_rows(stretches), indent=4)


def _settled(readings: list[Reading]) -> str | None:
    """Return the format that recordings before this one turned out to be in."""
    return next((reading.format for reading in readings if reading.blocks), None)


def _check_request(
    audio: list[str],
    card: FormatCard | None,
    output: str | None,
    report: str | None,
    start: int | None,
    force: bool,
) -> None:
    """Refuse now what could not be done after minutes of reading."""
    from tapewright.cli.saving import NEEDS_ADDRESS
    from tapewright.files import check_output
    from tapewright.image.storage import kind_of
    from tapewright.model import OutputError, UsageError

    for path in (output, report):
        if path is None:
            continue
        if any(Path(path).exists() and Path(path).samefile(sound) for sound in audio if Path(sound).exists()):
            raise OutputError(
                f"{path} is the recording itself, which is never written over; give another name"
            )
        check_output(path, force=force)
    if output is not None and output == report:
        raise UsageError(f"{output} cannot be both the program and the report; give two names")
    if report is not None and Path(report).suffix.lower() not in (".html", ".htm"):
        raise UsageError(f"{report}: the report is a page for the browser; name it .html")
    needs_address = output is not None and kind_of(Path(output)) in NEEDS_ADDRESS
    if card is not None and not card.carries_addresses and start is None and needs_address:
        raise UsageError(
            f"format {card.name} has no addresses on tape and {output} needs them; give --start, or name the"
            " file .bin or .txt"
        )
    if report is not None and len(audio) > 1:
        raise UsageError("a report shows one recording; leave --report out, or read each recording by itself")


def _say_verdict(found: Together, image: Image) -> None:
    from tapewright.cli import telling

    for fault in found.faults:
        say(*telling.fault_line(fault, indent=0))
    if not image.ranges:
        say(("Verdict: no program was found.", BAD))
        return
    if found.doubtful:
        say(("Doubtful bytes: ", TITLE), (telling.address_list(found.doubtful), DOUBT))
    say((f"Verdict: {found.sentence}", BAD if found.damaged else GOOD))
