"""How fast recordings are read, where the time goes, and how much memory it takes.

Each recording is a FLAC file at 44.1 kHz, read in a process of its own after everything has been compiled.
The library's time is what libsndfile alone needs to decode the same file in the same process: the ratio of
the two hardly depends on the machine. Both, and how many times faster than real time that is, are in seconds
of the processor, so that other programs hardly count; the split by stage is by the clock.

Examples
--------
::

    .venv/bin/python -m benchmarks.speed --quick
    .venv/bin/python -m benchmarks.speed --minutes 30
    .venv/bin/python -m benchmarks.speed --minutes 120 --cards kcs-300 --recordings clean
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from benchmarks import history
from benchmarks.speed.recording import NOISE_DB, write_recording

#: Functions that take less of the time are not listed.
LEAST_SHARE = 0.01
CARDS = ("kcs-300", "kcs-1200", "heron-cycle-1600", "larch-biphase-l-2000", "v21-300")


def main() -> None:
    """Measure, print and keep."""
    options = _options()
    print(HEADING, flush=True)
    runs: list[dict[str, Any]] = []
    with tempfile.TemporaryDirectory() as folder:
        for card in options.cards.split(","):
            for recording in options.recordings.split(","):
                path = Path(folder) / f"{card}-{recording}.flac"
                seconds = write_recording(card, recording, 60 * options.minutes, path)
                run = {"card": card, "recording": recording, "seconds": round(seconds, 1)}
                run |= _in_new_process(card, path, options.stages)
                path.unlink()
                runs.append(run)
                print(_lines(run), flush=True)
    if options.save:
        print(
            f"\nkept in {history.save('speed', {'minutes': options.minutes, 'runs': runs}, options.commit)}"
        )


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m benchmarks.speed", description="See the module's text.")
    add = parser.add_argument
    add("--cards", default=",".join(CARDS), help="names with commas between")
    add("--recordings", default="clean,noisy", help=f"of: {', '.join(NOISE_DB)}")
    add("--minutes", type=float, default=5.0)
    add("--quick", action="store_true", help="one family, one minute, not kept")
    add(
        "--no-stages",
        dest="stages",
        action="store_false",
        help="do not split the time (saves a little of it)",
    )
    add("--commit", help="name of this state of the receiver; else the working tree's commit")
    add("--no-save", dest="save", action="store_false", help="do not write to benchmarks/history")
    options = parser.parse_args()
    if options.quick:
        options.minutes, options.save = min(options.minutes, 1.0), False
        options.cards = "kcs-1200" if options.cards == ",".join(CARDS) else options.cards
    return options


def _in_new_process(card: str, path: Path, stages: bool) -> dict[str, Any]:
    """Read a file in a fresh process, so that the peak of memory is this file's."""
    import json

    command = [sys.executable, "-m", "benchmarks.speed.stages", card, str(path), *["--stages"] * stages]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    result: dict[str, Any] = json.loads(done.stdout)
    return result


HEADING = (
    f"{'card':22s} {'recording':9s} {'audio s':>8s} {'cpu s':>7s} {'x real time':>11s} {'x libsndfile':>12s}"
    f" {'peak MB':>8s} {'above start':>12s}"
)


def _lines(run: dict[str, Any]) -> str:
    line = (
        f"{run['card']:22s} {run['recording']:9s} {run['seconds']:8.0f} {run['cpu_seconds']:7.2f}"
        f" {run['times_real_time']:11.1f} {run['times_library']:12.1f} {run['peak_megabytes']:8.0f}"
        f" {run['peak_megabytes'] - run['idle_megabytes']:12.0f}"
    )
    for name, seconds in run["stages"].items():
        line += f"\n    {name:44s} {seconds:8.2f} s {100 * seconds / run['took_seconds']:5.1f} %"
    for name, seconds in run["functions"].items():
        share = seconds / run["took_seconds"]
        if share >= LEAST_SHARE:
            line += f"\n        {name:40s} {seconds:8.2f} s {100 * share:5.1f} %"
    return line


if __name__ == "__main__":
    main()
