"""``tapewright write``: program to audio."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Literal

from cyclopts import Parameter

from tapewright.cli.app import DONE
from tapewright.cli.numbers import ADDRESS_RULE, to_address, to_whole
from tapewright.cli.options import Force, ImagePath, Output, Start
from tapewright.cli.screen import BAD, DOUBT, GOOD, TITLE, note, say, working

if TYPE_CHECKING:
    from tapewright.machine.fitted import Fitting

__all__ = ["write"]

_NOT_ON_TAPE = {
    "name": "a name: it is not on the tape",
    "start": "an address: note down the start, as whoever loads the program has to give it",
    "run": "the address to run from: note it down with the tape",
}


def write(
    image: ImagePath,
    /,
    *,
    output: Annotated[Output, Parameter(metavar="FILE", help="Sound file to make: .wav or .flac.")],
    format: Annotated[
        str | None,
        Parameter(
            metavar="CARD",
            help="How the bytes stand on tape: a name from 'tapewright formats list', or a TOML file."
            " May be left out with --machine, whose card names it.",
        ),
    ] = None,
    start: Start = None,
    machine: Annotated[
        str | None,
        Parameter(
            metavar="CARD",
            help="Shape the sound as this machine's output stage would: a name from"
            " 'tapewright machines list', or a TOML file.",
        ),
    ] = None,
    rate: Annotated[
        float, Parameter(metavar="HZ", help="Samples per second, in Hz.", show_default=True)
    ] = 44_100.0,
    encoding: Annotated[
        Literal["pcm16", "pcm24", "float32"], Parameter(help="How samples are stored.", show_default=True)
    ] = "pcm16",
    level: Annotated[
        float,
        Parameter(metavar="PEAK", help="Peak level; full scale is 1 and 0.8 the most.", show_default=True),
    ] = 0.6,
    inverted: Annotated[bool, Parameter(help="Turn the waveform upside down.")] = False,
    copies: Annotated[
        int,
        Parameter(
            converter=to_whole, metavar="N", help="How many times to save the program.", show_default=True
        ),
    ] = 1,
    pause: Annotated[
        float, Parameter(metavar="SECONDS", help="Silence between copies, in seconds.", show_default=True)
    ] = 2.0,
    name: Annotated[
        str | None, Parameter(metavar="TEXT", help="Name on tape, where the format has one.")
    ] = None,
    run: Annotated[
        int | None,
        Parameter(
            converter=to_address,
            metavar="ADDR",
            help=f"Where the program starts running, where the format says so. {ADDRESS_RULE}",
        ),
    ] = None,
    fit: Annotated[
        Literal["direct", "tape"] | None,
        Parameter(
            help="Design the sound for the machine's input, so that it loads over as wide a span of levels as"
            " can be: played straight to it, or from a tape it is recorded on. Goes with --machine."
        ),
    ] = None,
    force: Force = False,
) -> int:
    """Write a program as sound."""
    from tapewright import chain
    from tapewright.cards import load_machine
    from tapewright.cli.telling import length
    from tapewright.model.words import byte_count

    card = load_machine(machine) if machine is not None else None
    with working(f"writing {output} ..."):
        made = chain.write(
            image, output, format=format, machine=card, start=start, rate_hz=rate, encoding=encoding,
            level=level, inverted=inverted, copies=copies, pause_seconds=pause, name=name, run=run, fit=fit,
            force=force,
        )  # fmt: skip
    times = f", {copies} times," if copies > 1 else ""
    shaped = f", as {card.name} sends it" if card is not None and card.output is not None else ""
    if card is not None and made.fitting is not None:
        shaped = f", fitted to the input of {card.name}"
    say((made.path, TITLE), f": {byte_count(made.byte_count)}{times} in format {made.format}{shaped}")
    say(f"It plays for {length(made.seconds)}, {made.rate_hz:g} samples a second.")
    for what in made.not_on_tape:
        note(f"format {made.format} has no place for {_NOT_ON_TAPE[what]}")
    if made.outside_memory and card is not None and card.memory is not None:
        first, last = card.memory.programs
        note(
            f"{card.name}: its card says that programs live at {first:04X}..{last:04X}, and"
            f" {byte_count(made.outside_memory)} of this one would lie elsewhere; check the address"
        )
    if made.fitting is not None:
        say(*_fitting_line(made.fitting))
    elif card is not None and card.output is None:
        note(f"{card.name}: this card describes no output stage; the sound is the ideal one of the format")
    for caution in card.caution if card is not None else ():
        say(("Before you connect anything: ", DOUBT), caution.text)
    return DONE


def _fitting_line(fitting: Fitting) -> list[str | tuple[str, str]]:
    if fitting.island is None:
        return [("It would load at no level, whatever the shape of the sound.", BAD)]
    low, high = (10.0 ** (db / 20.0) for db in (fitting.island.low_db, fitting.island.high_db))
    if fitting.shape is None:
        wide = (
            f", {fitting.after_db:.1f} dB wide over the worst player: as it is, the sound is as good as any."
        )
        return [(f"It loads from {low:.2g} to {high:.2g} V peak", GOOD), wide]
    if fitting.is_too_loud:
        return [
            (f"It loads from {low:.2g} to {high:.2g} V peak only", DOUBT),
            ", more than players of this kind give.",
        ]
    return [
        (f"It loads from {low:.2g} to {high:.2g} V peak", GOOD),
        f", {fitting.after_db:.1f} dB wide over the worst player ({fitting.before_db:.1f} dB unfitted).",
    ]
