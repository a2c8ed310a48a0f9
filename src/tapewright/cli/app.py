"""The commands and what surrounds them: errors as one line, exit codes, interruption."""

from __future__ import annotations

import gc
import itertools
import os
import signal
import sys
import traceback
import warnings
from collections.abc import Sequence

from cyclopts import App, CycloptsError, Parameter

import tapewright
from tapewright.cli.screen import console, flush, note, set_up_streams
from tapewright.cli.usage import usage_sentence

__all__ = ["DAMAGED", "DONE", "FAILED", "INTERRUPTED", "app", "main"]

#: Exit codes: done and all that can be verified is; done, but something is damaged or differs; could not be
#: done; interrupted.
DONE, DAMAGED, FAILED, INTERRUPTED = 0, 1, 2, 130

#: Objects made before the collector looks at the new ones, and how many such looks before older ones' turn.
COLLECT_SELDOM = 100_000, 50, 50

_order = itertools.count()
_HERE = "tapewright.cli.commands"

app = App(
    name="tapewright",
    help="Save programs of vintage computers on cassette, and get them back.",
    version=f"tapewright {tapewright.__version__}",
    help_format="plaintext",
    help_epilogue="""\
To begin:

  tapewright demo
  tapewright write game.hex -o game.wav --format kcs-300
  tapewright read tape.wav -o game.hex --report tape.html
  tapewright COMMAND --help

Exit codes: 0 done and verified, 1 done but something is damaged or differs,
2 could not be done, 130 interrupted.
""",
    default_parameter=Parameter(negative="", show_default=False),
    suppress_keyboard_interrupt=False,
)


def _add(parent: App, name: str, function: str, help: str, *examples: str) -> None:
    """Add a command, imported when it is used; commands are listed in the order they are added here."""
    parent.command(
        f"{_HERE}.{function}", name=name, help=help, help_epilogue=_examples(*examples), sort_key=next(_order)
    )


def _examples(*examples: str) -> str:
    return "\n".join(["For example:", "", *(f"  tapewright {example}" for example in examples), ""])


_add(
    app,
    "write",
    "write:write",
    "Turn a program into sound, for a cassette or for the machine itself.",
    "write game.hex -o game.wav --format mallow-fsk-600",
    "write game.bin --start 0x0200 -o game.wav --machine fescue-trainer",
)
_add(
    app,
    "read",
    "read:read",
    "Turn the sound of a cassette back into a program.",
    "read tape.wav",
    "read tape.wav --format kcs-300 --start 0x0200 -o game.hex",
    "read take-1.wav take-2.flac --format mallow-fsk-600 -o game.hex",
)
_add(
    app,
    "verify",
    "verify:verify",
    "Is this tape a true copy of that program? Says which addresses differ.",
    "verify tape.wav game.hex --format mallow-fsk-600",
    "verify tape.wav game.bin --start 0x0200",
)
_add(
    app,
    "window",
    "window:window",
    "Will the machine load it: at which playback level and tone, and why not elsewhere.",
    "window tape.wav --machine fescue-trainer",
    "window game.hex --machine fescue-trainer --volts 0.4 --tone 3000",
    "window tape.wav --machine fescue-trainer --change gain=0.5",
)
_add(
    app,
    "learn",
    "learn:learn",
    "Work out an unknown format from recordings of saves whose bytes are known.",
    "learn save.wav --known program.hex -o my-machine.toml",
    "learn a.wav b.wav --known a.bin b.bin --start 0243 D357 -o my.toml",
    "learn a.wav --known a.hex --name STAR -o my.toml --report my.html",
)
_formats = App(
    name="formats",
    sort_key=next(_order),
    help="The format cards at hand: how machines put bytes on tape.",
    help_epilogue=_examples("formats list", "formats show kcs-300"),
)
_add(_formats, "list", "cards:list_formats", "List the built-in format cards.", "formats list")
_add(
    _formats,
    "show",
    "cards:show_format",
    "Tell a format in plain words, or print its card.",
    "formats show kcs-300",
    "formats show heron-cycle-1600 --toml > my-machine.toml",
)
_add(
    _formats,
    "check",
    "cards:check_formats",
    "Say whether format cards keep the rules.",
    "formats check my-machine.toml",
)
_machines = App(
    name="machines",
    sort_key=next(_order),
    help="The machine cards at hand: input and output stage, load routine, lead, memory, cautions.",
    help_epilogue=_examples("machines list", "machines show fescue-trainer"),
)
_add(_machines, "list", "cards:list_machines", "List the built-in machine cards.", "machines list")
_add(
    _machines,
    "show",
    "cards:show_machine",
    "Tell a machine in plain words, or print its card.",
    "machines show fescue-trainer",
    "machines show fescue-trainer --toml > my-board.toml",
)
_add(
    _machines,
    "check",
    "cards:check_machines",
    "Say whether machine cards keep the rules.",
    "machines check my-board.toml",
)
_rig = App(
    name="rig",
    sort_key=next(_order),
    help="Your recorder: measure its volume dial, so that windows are told in marks.",
    help_epilogue=_examples("rig steps -o steps.wav", "rig measure played.wav -o my-recorder.toml"),
)
_add(
    _rig,
    "steps",
    "rig:steps",
    "Make the sound of level steps, to be played while the dial goes from mark to mark.",
    "rig steps -o steps.wav",
    "rig steps -o my-steps.wav --marks 2,4,5,6,7,8,9,10",
)
_add(
    _rig,
    "measure",
    "rig:measure_rig",
    "Measure a recording of the steps, and write a rig card.",
    "rig measure played.wav -o my-recorder.toml --millivolts 6=260",
)
_image = App(
    name="image",
    sort_key=next(_order),
    help="Program files: show, convert, compare, and a sheet to key in from.",
    help_epilogue=_examples("image show game.hex", "image convert game.hex -o game.s19"),
)
_add(
    _image,
    "show",
    "image:show",
    "Show a program's bytes in hexadecimal.",
    "image show game.hex",
    "image show game.bin --start 0x0200",
)
_add(
    _image,
    "convert",
    "image:convert",
    "Turn one kind of program file into another, or move a program.",
    "image convert game.hex -o game.txt",
    "image convert game.bin --start C000 -o game.s19",
    "image convert parts.hex -o game.bin --fill 0xFF",
)
_add(
    _image,
    "compare",
    "image:compare",
    "Say at which addresses two programs differ.",
    "image compare game.hex game-from-tape.hex",
)
_add(
    _image,
    "sheet",
    "image:sheet",
    "Make a sheet to key a program in from, every row with a check.",
    "image sheet game.hex",
    "image sheet game.hex -o game.pdf --title 'Star game, side A'",
)
for _group in (_formats, _machines, _rig, _image):
    app.command(_group)
_add(
    app,
    "demo",
    "demo:demo",
    "Do the whole job, end to end, on a made-up machine and a worn recorder.",
    "demo",
    "demo somewhere/else",
)


def main(argv: Sequence[str] | None = None) -> int:
    """Run a command line.

    Parameters
    ----------
    argv : sequence of str, optional
        The words after the program's name; those of this process if not given.

    Returns
    -------
    int
        The exit code: 0, 1, 2 or 130. What cannot be done is told in one line on stderr.
    """
    if argv is not None:
        return _run(list(argv))
    # A process of our own: it lives for one command and leaves hardly anything for the collector of reference
    # cycles, which would take a quarter of the time a short command takes.
    gc.set_threshold(*COLLECT_SELDOM)
    # Nothing here multiplies matrices large enough for the threads that numpy would start for it.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    _end_as_if_interrupted()
    try:
        return _run(sys.argv[1:])
    finally:
        gc.freeze()  # nothing to collect at the end either


def _end_as_if_interrupted() -> None:
    """Have a closed terminal, or a request to end, clear up as Ctrl-C does."""

    def end(_number: int, _frame: object) -> None:
        raise KeyboardInterrupt

    for name in ("SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) is signal.SIG_DFL:  # nohup ignores it on purpose
            signal.signal(number, end)


def _run(words: list[str]) -> int:
    set_up_streams()
    is_debugging = os.environ.get("TAPEWRIGHT_DEBUG") == "1"
    try:
        with warnings.catch_warnings():
            if not is_debugging:
                warnings.simplefilter("ignore")  # those are for programmers; users get faults and errors
            code = app(
                words,
                exit_on_error=False,
                print_error=False,
                result_action="return_value",
                console=console(),
                error_console=console(stderr=True),
            )
        flush()
    except KeyboardInterrupt:
        note("tapewright: interrupted; files that were not complete are gone, complete ones are kept")
        return INTERRUPTED
    except CycloptsError as error:
        note(f"tapewright: {usage_sentence(error)}")
        return FAILED
    except Exception as error:
        note(f"tapewright: {_sentence(error, is_debugging)}")
        return FAILED
    return code if isinstance(code, int) else DONE


def _sentence(error: Exception, is_debugging: bool) -> str:
    from tapewright.model import TapewrightError

    if isinstance(error, TapewrightError):
        return str(error)
    if isinstance(error, OSError) and error.filename is None:  # of a file we did not open: stdout
        return f"the output cannot be written: {error.strerror or error}; make room or send it elsewhere"
    if is_debugging:
        traceback.print_exc()
    what = " ".join(f"{type(error).__name__}: {error}".split())
    return (
        f"this should not have happened ({what}); please report it, with the command and, if you can, the"
        " file (TAPEWRIGHT_DEBUG=1 shows where it happened)"
    )
