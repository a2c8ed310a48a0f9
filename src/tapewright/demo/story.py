"""What happens in the demonstration, told as it happens."""

from __future__ import annotations

import shlex
import textwrap
import time
from collections.abc import Sequence
from importlib import resources
from pathlib import Path

from tapewright.cli import main
from tapewright.cli.screen import BAD, GOOD, QUIET, TITLE, say
from tapewright.files import check_output, write_text
from tapewright.image import save_image
from tapewright.model import Image, OutputError

__all__ = ["run"]

FORMAT, MACHINE = "mallow-fsk-600", "fescue-trainer"

#: Bytes for a second tape: every value once, out of order, and some more, to learn a format from.
SCALE = bytes((37 * n + 11) % 256 for n in range(256)) + bytes(range(0, 90, 3))
SCALE_START = 0x0340
#: What the demonstration leaves behind, in the order it makes them.
FILES = {
    "evening-song.txt": "the program: a listing with the bytes as Ottilie keyed them in",
    "evening-song.hex": "the same as Intel HEX, for other tools",
    "evening-song.pdf": "the same as a sheet to key in from, every row with a check",
    "board.wav": "what the board sends to the recorder",
    "tape.wav": "what the worn recorder gives back",
    "tape.hex": "the program read from that tape",
    "tape.html": "a report on that tape: open it in a browser",
    "recorder.toml": "Ottilie's recorder, as measured: a rig card",
    "map.html": "at which volume and tone the board loads: open it in a browser",
    "fitted.wav": "the song as sound that is designed for the board's input",
    "fitted-map.html": "the same map for that sound",
    "scale.hex": "a second program: bytes that are all there for the learning",
    "scale-board.wav": "what the board sends when that is saved",
    "scale-tape.wav": "what the worn recorder gives back of it",
    "learned.toml": "the board's tape format, learned from the two tapes: a format card",
    "learned.html": "what was taken for what: open it in a browser",
    "learned.wav": "the song, written with the learned card",
    "creased.wav": "the same tape with a crease in it",
    "creased.hex": "what could be read of it: with the doubtful bytes in their places",
    "creased.html": "a report on the creased tape: it shows where and how",
}


class UnexpectedEndError(Exception):
    """A command ended otherwise than it should."""


def run(folder: str, *, force: bool = False) -> int:
    """Run the demonstration.

    Parameters
    ----------
    folder : str
        Where its files go; made if it is not there.
    force : bool
        Whether files of an earlier run may be replaced.

    Returns
    -------
    int
        0 if everything came out as it must, 1 if not, 130 if interrupted.

    Raises
    ------
    OutputError
        If the folder cannot be made, or a file is there already and `force` is false.
    """
    place = Path(folder)
    try:
        place.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(
            f"the folder {folder} cannot be made: {error.strerror or error}; give another name"
        ) from error
    for name in FILES:
        check_output(place / name, force=force)
    started = time.monotonic()
    try:
        _tell(place, force)
    except UnexpectedEndError as error:
        say((f"The demonstration did not go as it must: {error}. Please report it.", BAD))
        return 1
    say()
    say(("What is in ", TITLE), (f"{place}", TITLE), (" now:", TITLE))
    for name, what in FILES.items():
        if (place / name).exists():
            say(f"  {name:18}{what}")
    say()
    say((f"All of it went as it must. It took {time.monotonic() - started:.0f} seconds.", GOOD))
    return 0


def _tell(place: Path, force: bool) -> None:
    from tapewright.demo.recorder import DAMAGED, WORN, play_tape, told

    step = _Steps(place, force)

    step.begin("The program")
    _narrate(
        "Ottilie has a Fescue trainer: a small computer on one board, with a keypad, a display and a"
        " loudspeaker. She has keyed in a program that plays an evening song. (Owner, board, processor and"
        " song are made up.) It begins:"
    )
    listing = resources.files("tapewright.demo").joinpath("evening-song.txt").read_text(encoding="utf-8")
    write_text(place / "evening-song.txt", listing, force=force)
    for line in _excerpt(listing):
        say((f"    {line}", QUIET))
    _narrate("From the listing, a file other tools understand, and a sheet to key it in from again:")
    step.command("image convert", "evening-song.txt", "-o", "evening-song.hex")
    step.command("image sheet", "evening-song.hex", "-o", "evening-song.pdf", "--title", "Evening song")

    step.begin("To tape")
    _narrate(
        "The board forgets everything when it is switched off, so the song goes on cassette. The board makes"
        " its sound with two port bits and a few resistors; the sound file is what those put out:"
    )
    step.command("write", "evening-song.hex", "-o", "board.wav", "--machine", MACHINE, "--name", "SONG")

    step.begin("The recorder")
    _narrate("Ottilie's recorder has seen better days:")
    for line in told(WORN):
        say(f"  - {line}")
    play_tape(place / "board.wav", place / "tape.wav", WORN, force=force)
    _narrate(f"What it plays back is in {place / 'tape.wav'}.")

    step.begin("Back from tape")
    _narrate("Can that be read?")
    step.command("read", "tape.wav", "--format", FORMAT, "-o", "tape.hex", "--report", "tape.html")
    _narrate("And the question that matters, before she reaches for the switch: is it the program in memory?")
    step.command("verify", "tape.wav", "evening-song.hex", "--format", FORMAT)

    step.begin("Will the board load it?")
    _narrate(
        "Tapewright reads the tape, but the board has only a transistor and one input bit. So the board's"
        " input and its load routine are simulated, at every volume and tone. Her recorder's dials were"
        " measured once and stand in a card; as they are today:"
    )
    rig = resources.files("tapewright.demo").joinpath("recorder.toml").read_text(encoding="utf-8")
    write_text(place / "recorder.toml", rig, force=force)
    at_board = ("--machine", MACHINE, "--rig", "recorder.toml")
    step.command("window", "board.wav", *at_board, code=1)
    _narrate(
        "Columns are levels, loud ones on the right; rows are tones, dull ones at the bottom; # is where it"
        " loads, ? where the dials are. With a bright tone the volume has to be right to a hair. Turned half"
        " way down, there is room:"
    )
    step.command("window", "board.wav", *at_board, "--tone-mark", "5", "--mark", "8.2", "--map", "map.html")
    _narrate("And sound that is designed for this board's input has room at any tone:")
    step.command("write", "evening-song.hex", "-o", "fitted.wav", "--machine", MACHINE, "--fit", "tape")
    step.command("window", "fitted.wav", *at_board, "--mark", "7.7", "--map", "fitted-map.html")

    step.begin("A format nobody wrote down")
    _narrate(
        "Tapewright has a card for this board's tape format. Had it none, two tapes would do, of programs"
        " whose bytes are known. Besides the song Ottilie saves some hundred other bytes, at another address"
        " and under another name:"
    )
    save_image(Image.from_bytes(SCALE, SCALE_START), place / "scale.hex", force=force)
    step.command("write", "scale.hex", "-o", "scale-board.wav", "--machine", MACHINE, "--name", "SCALES")
    play_tape(place / "scale-board.wav", place / "scale-tape.wav", WORN, force=force)
    tapes = ("tape.wav", "scale-tape.wav")
    known = ("--known", "evening-song.hex", "scale.hex", "--name", "SONG", "SCALES")
    step.command("learn", *tapes, *known, "-o", "learned.toml", "--report", "learned.html")
    _narrate("The card that came of it writes the song as well, and the board loads what it writes:")
    named = ("--format", "learned.toml", "--name", "SONG")
    step.command("write", "evening-song.hex", "-o", "learned.wav", *named)
    step.command("window", "learned.wav", *at_board, "--tone-mark", "5", "--mark", "8.2")

    step.begin("The same with a crease in the tape")
    _narrate(
        f"Had the cassette a crease, the sound would be all but gone for {DAMAGED.dropout_seconds:g} seconds,"
        " in the middle of the program. Nothing is made up then and nothing thrown away: bytes that cannot be"
        " trusted are named, and keep their places."
    )
    play_tape(place / "board.wav", place / "creased.wav", DAMAGED, force=force)
    step.command(
        "read", "creased.wav", "--format", FORMAT, "-o", "creased.hex", "--report", "creased.html", code=1
    )
    step.command("verify", "creased.wav", "evening-song.hex", "--format", FORMAT, code=1)
    _narrate("So she would leave the board on, take another cassette, and save the song again.")


def _narrate(text: str) -> None:
    say()
    for line in textwrap.wrap(text, 78):
        say(line)


class _Steps:
    """Numbers the steps, and runs commands as anybody would type them."""

    def __init__(self, place: Path, force: bool) -> None:
        self.place, self.force, self.number = place, force, 0

    def begin(self, title: str) -> None:
        self.number += 1
        say()
        say((f"{self.number}. {title}", TITLE))

    def command(self, name: str, *words: str, code: int = 0) -> None:
        """Show a command, run it, and see that it ends with `code`."""
        typed = [*name.split(), *(self._in_place(word) for word in words)]
        say()
        say((f"$ tapewright {shlex.join(typed)}", TITLE))
        started = time.monotonic()
        ended = main([*typed, "--force"] if self.force and "-o" in words else typed)
        if ended == 130:
            raise KeyboardInterrupt
        say((f"  ({time.monotonic() - started:.1f} s, exit code {ended})", QUIET))
        if ended != code:
            raise UnexpectedEndError(f"'tapewright {shlex.join(typed)}' ended with {ended}, not {code}")

    def _in_place(self, word: str) -> str:
        return str(self.place / word) if word in FILES else word


def _excerpt(listing: str) -> Sequence[str]:
    """Return the first lines of code, enough to see what it is."""
    code = [line for line in listing.splitlines() if line[:1] == "0"]
    return [*code[:6], "..."]
