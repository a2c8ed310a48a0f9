"""How long a command takes from its first word to its last: the first time on a machine, and later.

``tapewright read`` runs in a process of its own. For a first start the cache of compiled code is an empty
folder, so that everything a format needs is compiled; later starts find it there, and their median counts.
The short recordings hold a whole program: one without is read again with other tones, which is no start.
Other programs do not count: seconds are those of the processor, which on an idle machine are those of the
clock as well (both are kept). What the operating system keeps in memory of files it has read stays there.

Examples
--------
::

    .venv/bin/python -m benchmarks.start
    .venv/bin/python -m benchmarks.start --cards kcs-1200 --no-auto --no-save
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import IO, Any

import numpy as np
import soundfile

import tapewright as tw
from benchmarks import history
from benchmarks.speed.recording import write_recording

CARDS = ("kcs-1200", "larch-biphase-l-2000", "v21-300")
RECORDING = "clean"
SHORT_SECONDS, LONG_SECONDS = 10.0, 600.0
LATER_STARTS = 5
#: Of the short recordings, against full scale: 50 dB below what a recorder plays.
LEVEL, HISS = 0.25, 0.0008
#: Where the program belongs: some formats have no room for lower addresses.
START = 0x8000
#: Of a recording of some length `auto` is timed once.
ONE_START = 1


def main() -> None:
    """Measure, print and keep."""
    options = _options()
    print(HEADING, flush=True)
    rows: list[dict[str, Any]] = []
    with tempfile.TemporaryDirectory() as folder:
        for card in options.cards.split(","):
            path = Path(folder) / f"{card}.flac"
            seconds = write_program(card, size_of(card, SHORT_SECONDS), path)
            cache = Path(folder) / f"cache-{card}"
            first = run(path, card, cache)
            row = {"card": card, "recording": "short", "seconds": round(seconds, 1)}
            row |= {f"first_{name}": value for name, value in first.items()}
            rows.append(row | _later(path, card, cache, LATER_STARTS))
            print(_line(rows[-1]), flush=True)
        if options.auto:
            card, cache = options.cards.split(",")[0], Path(folder) / "cache-auto"
            for name, starts in (("short", LATER_STARTS), ("long", ONE_START)):
                path = Path(folder) / f"{name}.flac"
                if name == "short":
                    seconds = write_program(card, size_of(card, SHORT_SECONDS), path)
                    run(path, "auto", cache)
                else:
                    seconds = write_recording(card, RECORDING, LONG_SECONDS, path)
                row = {"card": "auto", "recording": f"{name}, {card}", "seconds": round(seconds, 1)}
                rows.append(row | _later(path, "auto", cache, starts))
                print(_line(rows[-1]), flush=True)
    if options.save:
        results = {
            "starts": rows,
            "load_average": os.getloadavg(),
        }  # a busy machine takes longer for the same
        print(f"\nkept in {history.save('start', results, options.commit)}")


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m benchmarks.start", description="See the module's text.")
    add = parser.add_argument
    add("--cards", default=",".join(CARDS), help="names with commas between; `auto` hears the first")
    add("--no-auto", dest="auto", action="store_false", help="leave `--format auto` out")
    add("--commit", help="name of this state of the package; else the working tree's commit")
    add("--no-save", dest="save", action="store_false", help="do not write to benchmarks/history")
    return parser.parse_args()


def write_program(card: str, size: int, path: Path) -> float:
    """Write a tape with a program of so many random bytes; returns its length in seconds."""
    rng = np.random.default_rng(3)
    tape = _tape(card, rng.bytes(size))
    hiss = rng.standard_normal(tape.samples.shape, dtype=np.float32)
    sound = np.float32(LEVEL) * tape.samples + np.float32(HISS) * hiss
    soundfile.write(path, sound, int(tape.rate_hz), "PCM_16")
    return tape.seconds


def size_of(card: str, seconds: float) -> int:
    """Give the size of a program whose tape takes about so long."""
    some, more = (_tape(card, bytes(size)).seconds for size in (100, 200))
    return max(1, 100 + round(100 * (seconds - some) / (more - some)))


def _tape(card: str, program: bytes) -> tw.Recording:
    return tw.synthesize(tw.Image.from_bytes(program, START), format=card)


def run(path: Path, card: str, cache: Path) -> dict[str, Any]:
    """Run the command once.

    Returns
    -------
    dict
        ``cpu_seconds`` and ``wall_seconds``; ``message``, the first line on stderr ("" if there was none),
        and ``message_seconds``, by the clock, after which it came.
    """
    environment = os.environ | {"NUMBA_CACHE_DIR": str(cache)}
    environment.pop("PYTHONDONTWRITEBYTECODE", None)  # an installed package has its bytecode beside it
    words = [sys.executable, "-m", "tapewright", "read", str(path), "--format", card]
    said: list[tuple[float, str]] = []
    began = time.perf_counter()
    with subprocess.Popen(
        words, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stderr is not None
        listener = threading.Thread(target=_listen, args=(process.stderr, began, said))
        listener.start()
        _, status, used = os.wait4(process.pid, 0)
        wall = time.perf_counter() - began
        process.returncode = os.waitstatus_to_exitcode(status)
        listener.join()
    if process.returncode not in (0, 1):  # 1: some byte is not vouched for
        raise RuntimeError(f"{' '.join(words)} failed: {' '.join(line for _, line in said)}")
    after, message = said[0] if said else (0.0, "")
    return {
        "cpu_seconds": round(used.ru_utime + used.ru_stime, 2),
        "wall_seconds": round(wall, 2),
        "message": message,
        "message_seconds": round(after, 2),
    }


def _listen(stream: IO[str], began: float, said: list[tuple[float, str]]) -> None:
    for line in stream:
        said.append((time.perf_counter() - began, line.strip()))


def _later(path: Path, card: str, cache: Path, starts: int) -> dict[str, Any]:
    runs = [run(path, card, cache) for _ in range(starts)]
    return {
        "later_cpu_seconds": statistics.median(found["cpu_seconds"] for found in runs),
        "later_wall_seconds": statistics.median(found["wall_seconds"] for found in runs),
        "later_starts": starts,
    }


HEADING = f"{'format':22s} {'recording':16s} {'audio s':>8s} {'first s':>8s} {'message':>8s} {'later s':>8s}"


def _line(row: dict[str, Any]) -> str:
    first, message = (
        f"{row[name]:8.2f}" if name in row else f"{'':8s}"
        for name in ("first_cpu_seconds", "first_message_seconds")
    )
    return (
        f"{row['card']:22s} {row['recording']:16s} {row['seconds']:8.0f} {first} {message}"
        f" {row['later_cpu_seconds']:8.2f}"
    )


if __name__ == "__main__":
    main()
