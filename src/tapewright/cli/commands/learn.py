"""``tapewright learn``: recordings of saves, best of such whose bytes are known, to a format card."""

from __future__ import annotations

import re
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from tapewright.cli.app import DAMAGED, DONE
from tapewright.cli.numbers import ADDRESS_RULE, parse_address
from tapewright.cli.options import Force, Json
from tapewright.cli.screen import BAD, DOUBT, GOOD, QUIET, TITLE, note, print_json, say, say_table, working

if TYPE_CHECKING:
    from tapewright.chain.lesson import Lesson
    from tapewright.chain.timings import Timings
    from tapewright.learn.conclusions import Conclusion

__all__ = ["learn"]

_LOOKS = {"certain": GOOD, "likely": DOUBT, "open": BAD}


def learn(
    audio: Annotated[
        list[str], Parameter(name="AUDIO...", help="Sound files: recordings of saves of one machine.")
    ],
    /,
    *,
    known: Annotated[
        list[str] | None,
        Parameter(
            metavar="IMAGE",
            consume_multiple=True,
            help="What was saved: a program file for each recording in the same order, or one for all."
            " Without it the format is guessed.",
        ),
    ] = None,
    start: Annotated[
        list[str] | None,
        Parameter(
            metavar="ADDR",
            consume_multiple=True,
            help="Address of the first byte, where the program file does not say it; one for each recording,"
            f" or one for all. {ADDRESS_RULE}",
        ),
    ] = None,
    name: Annotated[
        list[str] | None,
        Parameter(
            metavar="TEXT",
            consume_multiple=True,
            help="What was typed as the program's name when saving; one for each recording, or one for all.",
        ),
    ] = None,
    output: Annotated[
        str, Parameter(name=["--output", "-o"], metavar="FILE", help="Format card to make: a .toml file.")
    ],
    report: Annotated[
        str | None,
        Parameter(
            metavar="FILE",
            help="HTML page to make, with pictures of what was heard and what each byte was taken for; made"
            " even if no card is.",
        ),
    ] = None,
    force: Force = False,
    json: Json = False,
) -> int:
    """Learn a format."""
    _check_request(audio, output, report, force)
    starts = [parse_address(text, "--start") for text in start] if start else None
    from tapewright.chain.lesson import learn_format

    with working(f"learning from {', '.join(audio)} ..."):
        lesson = learn_format(
            audio, known=known or None, start=starts, name=name or None, card_name=_card_name(output)
        )
    if lesson.card is not None:
        lesson.save(output, force=force)
    if report is not None:
        from tapewright.report.lesson import write_lesson

        write_lesson(lesson, report, force=force)
    made = output if lesson.card is not None else None
    if json:
        print_json(_document(lesson, audio, made))
        if report is not None:
            note(f"Report: {report}")
    else:
        _say(lesson, audio, made, report)
    return DONE if lesson.is_proved else DAMAGED


def _check_request(audio: list[str], output: str, report: str | None, force: bool) -> None:
    """Refuse now what could not be done after the work."""
    from tapewright.files import check_output
    from tapewright.model import OutputError, UsageError

    if Path(output).suffix.lower() != ".toml":
        raise UsageError(f"{output}: a format card is a .toml file; name it so")
    if report is not None and Path(report).suffix.lower() not in (".html", ".htm"):
        raise UsageError(f"{report}: the report is a page for the browser; name it .html")
    for path in filter(None, (output, report)):
        if any(Path(path).exists() and Path(path).samefile(sound) for sound in audio if Path(sound).exists()):
            raise OutputError(
                f"{path} is the recording itself, which is never written over; give another name"
            )
        check_output(path, force=force)


def _card_name(output: str) -> str:
    """A name a card may have, from that of its file."""
    name = re.sub(r"[^a-z0-9]+", "-", Path(output).stem.lower()).strip("-")
    return name[:60].rstrip("-") or "learned"


def _say(lesson: Lesson, audio: list[str], made: str | None, report: str | None) -> None:
    if lesson.conclusions:
        say(("What was found out:", TITLE))
        say_table(
            ("what", "how sure", "in words"),
            [_row(conclusion) for conclusion in lesson.conclusions],
            indent=2,
        )
        _say_open(lesson)
    if lesson.proof:
        say(("Reading the recordings with the card:", TITLE))
        for path, back in zip(audio, lesson.proof, strict=True):
            check = {"ok": "check agrees", "none": "no check"}.get(back.check, f"check {back.check}")
            look = DOUBT if lesson.is_guess else GOOD if back.holds else BAD
            right = "as supposed" if lesson.is_guess else "right"
            say("  ", (path, TITLE), ": ", (f"{back.right} of {back.total} bytes {right}, {check}", look))
            for unlike in back.unlike:
                say("    ", (str(unlike), BAD))
            if back.timings is not None:
                say("    ", (_timings_words(back.timings), GOOD if back.timings.agree else DOUBT))
    if made is not None:
        say("Card: ", (made, TITLE))
    if report is not None:
        say(f"Report: {report}")
    is_made_guess = lesson.is_guess and lesson.card is not None
    say((f"Verdict: {lesson.sentence}", GOOD if lesson.is_proved else DOUBT if is_made_guess else BAD))
    if lesson.remedy:
        say(("What to do: ", TITLE), f"{lesson.remedy}.")


def _timings_words(timings: Timings) -> str:
    """How the sound the card makes compares with the recording."""
    return (
        f"written with the card, the half-waves are within {timings.offset_us:.1f} us of the recording's"
        f" ({timings.compared} compared, which vary by {timings.spread_us:.1f} us)"
    )


def _row(conclusion: Conclusion) -> tuple[str | tuple[str, str], ...]:
    return _called(conclusion), (conclusion.certainty, _LOOKS[conclusion.certainty]), conclusion.says


def _called(conclusion: Conclusion) -> str:
    return f"{conclusion.what} ({conclusion.block})" if conclusion.block else conclusion.what


def _say_open(lesson: Lesson) -> None:
    """Say what else it may be, and what to record next."""
    doubted = [conclusion for conclusion in lesson.conclusions if conclusion.rivals]
    if doubted:
        say(("What it may be instead:", TITLE))
    for conclusion in doubted:
        say(f"  {_called(conclusion)}: {'; or '.join(conclusion.rivals)}")
    if not lesson.suggestions:
        say("Nothing is open that another recording could settle.")
        return
    say(("What would settle it:", TITLE))
    for suggestion in lesson.suggestions:
        say(f"  {suggestion.words} ", (f"(settles {', '.join(suggestion.settles)})", QUIET))


def _document(lesson: Lesson, audio: list[str], made: str | None) -> dict[str, object]:
    return {
        "recordings": audio,
        "card": made,
        "stage": lesson.stage,
        "guess": lesson.is_guess,
        "proved": lesson.is_proved,
        "sentence": lesson.sentence,
        "remedy": lesson.remedy or None,
        "conclusions": [
            {
                "what": conclusion.what,
                "block": conclusion.block or None,
                "says": conclusion.says,
                "certainty": conclusion.certainty,
                "evidence": conclusion.evidence,
                "rivals": list(conclusion.rivals),
            }
            for conclusion in lesson.conclusions
        ],
        "next": [
            {"words": suggestion.words, "settles": list(suggestion.settles)}
            for suggestion in lesson.suggestions
        ],
        "proof": [
            {
                "path": path,
                "right": back.right,
                "total": back.total,
                "check": back.check,
                "differences": [asdict(byte) for byte in back.unlike],
                "timings": None
                if back.timings is None
                else {
                    "compared": back.timings.compared,
                    "offset_us": round(back.timings.offset_us, 2),
                    "spread_us": round(back.timings.spread_us, 2),
                },
            }
            for path, back in zip(audio, lesson.proof, strict=False)
        ],
    }
