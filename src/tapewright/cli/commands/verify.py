"""``tapewright verify``: is this tape a true copy of that program?"""

from __future__ import annotations

from typing import Annotated

from cyclopts import Parameter

from tapewright.cli.app import DAMAGED, DONE
from tapewright.cli.options import FormatName, ImagePath, Json, Start
from tapewright.cli.screen import BAD, DOUBT, GOOD, print_json, say, working

__all__ = ["verify"]


def verify(
    audio: Annotated[str, Parameter(help="Sound file: the recording of the tape.")],
    image: ImagePath,
    /,
    *,
    format: FormatName = "auto",
    start: Start = None,
    json: Json = False,
) -> int:
    """Compare a tape with the program it should hold."""
    from tapewright import chain
    from tapewright.audio import open_audio
    from tapewright.cards import load_format
    from tapewright.cli import telling
    from tapewright.cli.document import comparison_document, reading_document
    from tapewright.image import load_image

    program = load_image(image, address=start)
    card = "auto" if format == "auto" else load_format(format)
    source = open_audio(audio)
    with working(f"reading {audio} ..."):
        verdict = chain.verify(source, program, format=card)
    if json:
        read = reading_document(verdict.reading)
        print_json(
            {
                "safe": verdict.safe,
                "sentence": verdict.sentence,
                "recording": read["recording"],
                "format": read["format"],
                **comparison_document(verdict.comparison, "program", "tape"),
                "doubtful": list(verdict.doubtful),
                "faults": read["faults"],
            }
        )
        return DONE if verdict.safe else DAMAGED
    say((verdict.sentence, GOOD if verdict.safe else BAD))
    if verdict.reading.blocks and not verdict.safe:
        for difference in verdict.comparison.lines():
            say(f"  {difference}")
    if verdict.doubtful:
        say("  doubtful on tape: ", (telling.address_list(verdict.doubtful), DOUBT))
    for line in telling.reading_lines(verdict.reading):
        say(*line)
    return DONE if verdict.safe else DAMAGED
