"""What a map of a machine costs, against simulating each of its loads, and against real time.

A load of ten seconds, random bytes behind a leader, at a grid of levels and tones. Everything in one run and
one process, compiled code warm. Seconds are those of the processor, of all threads together; for the first
picture those of the clock too. Other programs on the machine can only add to them, so the least of some runs
counts.

Examples
--------
::

    .venv/bin/python -m benchmarks.eye
    .venv/bin/python -m benchmarks.eye --quick
"""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Callable
from typing import Any

import numpy as np

from benchmarks import history
from tapewright import blocks, framing, line
from tapewright.cards import Alphabet, load_format
from tapewright.cards.machine import MachineCard
from tapewright.machine.eye import Eye
from tapewright.machine.played import Played, dulled
from tapewright.machine.simulate import RATE_HZ, edges, edges_at
from tapewright.machine.window import maps
from tapewright.model import Image, TapePart

#: The grid, and the length of the load.
LEVELS, TONES, SECONDS, LEADER_SECONDS = 40, 20, 10.0, 1.0
#: The bars: seconds of the processor (two cores have twice that in the time), times real time, seconds.
MOST_MAP_SECONDS, LEAST_TIMES, MOST_FIRST_SECONDS = 4.0, 1000.0, 2.0
RUNS = 3
EDGE_SECONDS = 0.1
FORMAT, LOOP = (
    "heron-cycle-1600",
    {"poll_seconds": "10u", "reads": "cycle", "limits": ["280u", "600u", "1200u"]},
)
STAGES: dict[str, dict[str, Any]] = {
    "transistor": {
        "coupling_farads": "100n", "pulldown_ohms": "10k", "base_ohms": "10k", "collector_ohms": "4.7k",
        "low_volts": 1.4, "high_volts": 1.4, "is_inverted": True,
    },
    "comparator": {"coupling_farads": "1u", "bias_ohms": "100k", "hysteresis_volts": 0.2},
    "inverter": {
        "coupling_farads": "100n", "feedback_ohms": "1M", "low_volts": 2.4, "high_volts": 2.6,
        "is_inverted": True,
    },
    "schmitt": {
        "coupling_farads": "100n", "upper_ohms": "100k", "lower_ohms": "100k", "low_volts": 1.8,
        "high_volts": 2.8,
    },
    "clamp": {
        "coupling_farads": "100n", "clamp_ohms": "1k", "bias_ohms": "100k", "bias_volts": 2.5,
        "low_volts": 1.8, "high_volts": 3.0,
    },
}  # fmt: skip


def main() -> None:
    """Measure, print and keep."""
    options = _options()
    print(HEADING, flush=True)
    part = load_of(SECONDS)
    rows = []
    for kind in options.stages.split(","):
        rows.append(measured(kind, part))
        print(_line(rows[-1]), flush=True)
    if options.save:
        results = {"rows": rows, "load_average": os.getloadavg()}
        print(f"\nkept in {history.save('eye', results, options.commit)}")


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m benchmarks.eye", description="See the module's text.")
    add = parser.add_argument
    add("--stages", default=",".join(STAGES), help="names, commas between; only all are kept")
    add("--quick", action="store_true", help="one input stage, not kept")
    add("--commit", help="name of this state of the package; else the working tree's commit")
    add("--no-save", dest="save", action="store_false", help="do not write to benchmarks/history")
    options = parser.parse_args()
    if options.quick:
        options.save, options.stages = False, next(iter(STAGES))
    options.save = options.save and options.stages == ",".join(STAGES)
    return options


def load_of(seconds: float) -> Played:
    """Make a load of so many seconds, of random bytes."""
    card = load_format(FORMAT)
    alphabet = Alphabet.of(card)
    data = np.random.default_rng(1).integers(0, 256, 2000, dtype=np.uint8).tobytes()
    text = ""
    for piece in framing.encode(blocks.encode(Image.from_bytes(data, 0), card), card):
        once = sum(alphabet.shapes[k].seconds for k in alphabet.indices(piece.symbols))
        text += piece.symbols * (round(LEADER_SECONDS / once) if piece.kind == "lead" else 1)
    lengths = np.array([shape.seconds for shape in alphabet.shapes])[alphabet.indices(text)]
    count = int(np.searchsorted(np.cumsum(lengths), seconds - 2 * EDGE_SECONDS))
    edge = TapePart("gap", seconds=EDGE_SECONDS)
    waves = list(line.wave_of([edge, TapePart("symbols", symbols=text[:count]), edge], alphabet))
    sound = np.concatenate(list(line.render(waves, RATE_HZ))).astype(np.float32)
    end = EDGE_SECONDS + np.cumsum(lengths[:count])
    return Played(sound, 0.0, np.array(alphabet.indices(text[:count])), end - lengths[:count], end)


def measured(kind: str, part: Played) -> dict[str, Any]:
    """Measure one input stage."""
    card = {"card": "machine", "name": "bench", "title": "-", "source": "-", "format": FORMAT, "loop": LOOP}
    eye = Eye.of(
        MachineCard.model_validate({**card, "input": {"kind": kind, **STAGES[kind]}}), load_format(FORMAT)
    )
    levels_db = np.linspace(-45.0, 15.0, LEVELS)
    corners_hz = np.append(np.geomspace(800.0, 16_000.0, TONES - 1), np.inf)
    port, reader = eye.port, eye.reader
    cells: list[int] = []

    def picture() -> None:
        cells[:] = [int(last.loads.sum()) for last in maps([part], port, reader, levels_db, corners_hz)]

    def first_picture() -> None:
        # what a user waits for: the machine's circuit worked out anew as well
        fresh = Eye(eye.card, eye.reader)
        next(iter(maps([part], fresh.port, reader, levels_db, corners_hz)))

    def every_load() -> None:
        gains = 10.0 ** (levels_db / 20.0)
        for corner in corners_hz:
            for heard in edges_at(dulled(part.sound, float(corner)), port, gains):
                reader.first_wrong(heard, part.symbol)

    def one_load() -> None:
        reader.first_wrong(edges(part.sound, port), part.symbol)

    for warm in (one_load, first_picture):
        warm()
    whole, _ = _timed(every_load, 1)
    seconds, _ = _timed(picture, RUNS)
    first, first_wall = _timed(first_picture, RUNS)
    one, _ = _timed(one_load, 5 * RUNS)
    return {
        "stage": kind,
        "cells": LEVELS * TONES,
        "load_seconds": round(part.seconds, 2),
        "loading_cells": cells[-1],
        "map_cpu_seconds": round(seconds, 3),
        "every_load_cpu_seconds": round(whole, 3),
        "map_share": round(seconds / whole, 3),
        "first_cpu_seconds": round(first, 3),
        "first_wall_seconds": round(first_wall, 3),
        "times_real_time": round(part.seconds / one),
        "meets": {
            "map": seconds <= MOST_MAP_SECONDS,
            "first": first_wall < MOST_FIRST_SECONDS,
            "load": part.seconds / one >= LEAST_TIMES,
        },
    }


def _timed(what: Callable[[], None], runs: int) -> tuple[float, float]:
    """Least seconds, of the processor and of the clock."""
    taken = []
    for _ in range(runs):
        cpu, wall = time.process_time(), time.perf_counter()
        what()
        taken.append((time.process_time() - cpu, time.perf_counter() - wall))
    cpu, wall = np.min(np.array(taken), axis=0)
    return float(cpu), float(wall)


HEADING = (
    f"{'input stage':12s} {'load':>4s} {'map CPU s':>9s} {'all 800 s':>9s} {'ratio':>6s} {'first CPU s':>11s}"
    f" {'clock s':>7s} {'one load, x real time':>21s}"
)


def _line(row: dict[str, Any]) -> str:
    missed = [name for name, meets in row["meets"].items() if not meets]
    return (
        f"{row['stage']:12s} {row['loading_cells']:4d} {row['map_cpu_seconds']:9.2f}"
        f" {row['every_load_cpu_seconds']:9.2f} {row['map_share']:6.2f} {row['first_cpu_seconds']:11.2f}"
        f" {row['first_wall_seconds']:7.2f} {row['times_real_time']:21.0f}"
        + (f"   misses: {', '.join(missed)}" if missed else "")
    )


if __name__ == "__main__":
    main()
