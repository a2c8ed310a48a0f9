"""What only a process of its own shows: pipes that close, colour, a full disk, the first run."""

from __future__ import annotations

import gc
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from command_line import QUICK_CARD, run
from tapewright.cli import compilation, screen

COMMAND = [sys.executable, "-m", "tapewright"]
PLAIN_ENVIRONMENT = {
    k: v for k, v in os.environ.items() if k not in ("NO_COLOR", "FORCE_COLOR", "TTY_COMPATIBLE")
}


def on_terminal(*words: str, **environment: str) -> bytes:
    """Run a command with a terminal for stdout, and return what it printed there."""
    pty = pytest.importorskip("pty")
    ours, theirs = pty.openpty()
    try:
        subprocess.run(
            [*COMMAND, *words], stdout=theirs, stderr=subprocess.PIPE, check=True,
            env=PLAIN_ENVIRONMENT | {"TERM": "xterm-256color"} | environment,
        )  # fmt: skip
        return os.read(ours, 1 << 16)
    finally:
        os.close(ours)
        os.close(theirs)


def test_colour_on_a_terminal_and_none_with_no_color_or_in_a_pipe(tmp_path, monkeypatch):
    (tmp_path / "quick.toml").write_text(QUICK_CARD)
    monkeypatch.chdir(tmp_path)
    assert b"\x1b[1;32mall right" in on_terminal("formats", "check", "quick.toml")
    # Bold is no colour, and NO_COLOR is about colour (no-color.org): what is left must not be one.
    shown = on_terminal("formats", "check", "quick.toml", NO_COLOR="1")
    assert b"all right" in shown
    for colour in (b"\x1b[3", b"\x1b[1;3", b"\x1b[9"):
        assert colour not in shown
    piped = subprocess.run(
        [*COMMAND, "formats", "list"], capture_output=True, check=True, env=PLAIN_ENVIRONMENT
    )
    assert b"\x1b" not in piped.stdout + piped.stderr


def test_a_reader_that_goes_away_is_no_mistake(tmp_path):
    program = tmp_path / "large.bin"
    program.write_bytes(bytes(1 << 20))
    with subprocess.Popen(
        [*COMMAND, "image", "show", program], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.readline()
        process.stdout.close()
        said = process.stderr.read()
    assert (process.returncode, said) == (0, b"")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full, which this system lacks")
@pytest.mark.parametrize("words", [["formats", "list"], ["formats", "list", "--json"], ["--help"]])
def test_output_that_cannot_be_written_is_told(words):
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run([*COMMAND, *words], stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert done.returncode == 2
    assert done.stderr.splitlines()[-1].startswith("tapewright: the output cannot be written: ")
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_whatever_asks_it_to_end_no_part_of_a_file_stays(tmp_path, name):
    if not hasattr(signal, name):
        pytest.skip(f"this system has no {name}")
    program, out = tmp_path / "program.bin", tmp_path / "out.wav"
    program.write_bytes(bytes(2000))
    words = ["write", program, "-o", out, "--format", "kcs-300", "--copies", "100"]
    with subprocess.Popen([*COMMAND, *words], stderr=subprocess.PIPE, text=True) as process:
        while process.poll() is None and not list(tmp_path.glob(".*.part")):
            time.sleep(0.01)
        process.send_signal(getattr(signal, name))
        _, said = process.communicate()
    assert process.returncode == 130
    assert "tapewright: interrupted" in said
    assert [path.name for path in tmp_path.iterdir()] == ["program.bin"]


def test_the_first_run_says_once_why_it_takes_long(capsys, monkeypatch):
    import numba

    monkeypatch.setattr(compilation, "_has_told", False)
    with screen.working("testing"):
        assert capsys.readouterr().err == ""
        numba.njit(lambda x: x + 1)(1)
        assert "preparing the receiver for this computer (once" in capsys.readouterr().err
        numba.njit(lambda x: x + 2)(1)
        assert capsys.readouterr().err == ""


def test_garbage_is_left_alone_while_a_function_and_what_it_calls_are_compiled():
    import numba
    from numba.core import event

    class Witness(event.Listener):
        def on_start(self, event):
            pass

        def on_end(self, event):
            seen.append(gc.isenabled())

    seen, inner = [], numba.njit(lambda x: x + 3)
    with screen.working("testing"), event.install_listener("numba:compile", Witness()):
        assert gc.isenabled()
        numba.njit(lambda x: inner(x) + inner(2.0 * x))(1)
    assert gc.isenabled()
    assert len(seen) == 3
    assert not any(seen[:2])


def test_results_on_stdout_and_remarks_on_stderr():
    ran = run("formats", "list")
    assert "kcs-300" in ran.out
    assert "tells more" not in ran.out
    assert "tells more" in ran.err
