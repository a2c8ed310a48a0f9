"""Whether made-up formats are read with their own cards: a check of the generator, and of the reader."""

from __future__ import annotations

import argparse
import time
from collections import Counter
from collections.abc import Collection, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np

from benchmarks.learn.formats import FAMILIES, MadeUp, random_format, random_program, random_start
from benchmarks.learn.saves import save
from tapewright.chain import read
from tapewright.model import Reading
from tapewright.model.reading import unvouched

__all__ = ["Trial", "main", "try_format"]

SHORTEST, LONGEST = 32, 512


@dataclass(frozen=True)
class Trial:
    """One recording of a made-up format, read with its own card.

    Parameters
    ----------
    seed : int
    channel : bool
        Whether it went through a cassette.
    problem : str
        Empty where all bytes and their check are right.
    seconds : float
        Length of the recording.
    save_cpu, read_cpu : float
        Seconds of the processor.
    """

    seed: int
    family: str
    traits: tuple[str, ...]
    channel: bool
    problem: str
    seconds: float
    save_cpu: float
    read_cpu: float


def problem_of(reading: Reading, made_up: MadeUp, program: bytes, start: int) -> str:
    """Say what is wrong with a reading, in a word or two; nothing where all is right."""
    if not reading.blocks:
        return "no block: " + "; ".join(fault.kind for fault in reading.faults)
    if len(reading.image.ranges) != 1:
        return f"{len(reading.image.ranges)} ranges"
    found = reading.image.ranges[0]
    if found.data != program:
        wrong = sum(a != b for a, b in zip(found.data, program, strict=False))
        return f"bytes: {len(found.data)} of {len(program)}, {wrong} wrong"
    if made_up.has_addresses and found.address != start:
        return "address"
    if made_up.has_check and not _is_verified(reading, made_up.constant_kinds):
        return "not verified: " + ",".join(block.check for block in reading.blocks)
    return ""


def _is_verified(reading: Reading, constant_kinds: Collection[str]) -> bool:
    """Whether checks vouch for all that differs from tape to tape."""
    return all(
        block.kind in constant_kinds and block.complete and block.check == "none"
        for block in unvouched(reading.blocks)
    )


def try_format(seed: int, channel: bool, family: str | None = None) -> Trial:
    """Make a format up, save a program in it, and read the recording."""
    rng = np.random.default_rng([seed, 17])
    made_up = random_format(rng, family)
    count = round(float(np.exp(rng.uniform(np.log(SHORTEST), np.log(LONGEST)))))
    program, start = random_program(rng, made_up, count), random_start(rng)
    began = time.process_time()
    recording = save(made_up, program, start, "MADEUP", rng, channel=channel)
    saved = time.process_time()
    reading = read(recording, format=made_up.card)
    read_cpu = time.process_time() - saved
    problem = problem_of(reading, made_up, program, start)
    return Trial(
        seed, made_up.family, made_up.traits, channel, problem, recording.seconds, saved - began, read_cpu
    )


def main() -> None:
    """Try many formats, print the share read by family, and every failure."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.learn.formats", description=__doc__)
    parser.add_argument("--count", type=int, default=200, help="formats, of all families in turn")
    parser.add_argument("--first", type=int, default=0, help="seed of the first")
    parser.add_argument("--families", help="names with commas between; else all")
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    options = parser.parse_args()
    families = options.families.split(",") if options.families else list(FAMILIES)
    seeds = range(options.first, options.first + options.count)
    tasks = [(seed, channel, families[seed % len(families)]) for seed in seeds for channel in (False, True)]
    trials = []
    for trial in _each(tasks, options.jobs):
        trials.append(trial)
        if trial.problem:
            where = "cassette" if trial.channel else "clean"
            print(f"{trial.seed:6d} {trial.family:13s} {where:8s} {trial.problem[:60]:60s}"
                  f" {' '.join(trial.traits)}", flush=True)  # fmt: skip
    print(f"\n{'family':14s} {'clean':>12s} {'cassette':>12s}")
    for family in [*families, "all"]:
        of_family = [trial for trial in trials if family in (trial.family, "all")]
        counts = Counter((trial.channel, not trial.problem) for trial in of_family)
        shares = [f"{counts[c, True]:5d} of {counts[c, True] + counts[c, False]:<4d}" for c in (False, True)]
        print(f"{family:14s} {' '.join(shares)}")
    sound = sum(trial.seconds for trial in trials)
    print(
        f"\nprocessor seconds for ten of sound: saving {10 * sum(t.save_cpu for t in trials) / sound:.2f},"
        f" reading {10 * sum(t.read_cpu for t in trials) / sound:.2f}"
    )


def _each(tasks: list[tuple[int, bool, str]], jobs: int) -> Iterator[Trial]:
    if jobs == 1:
        yield from (try_format(*task) for task in tasks)
        return
    with ProcessPoolExecutor(jobs) as pool:
        yield from pool.map(try_format, *zip(*tasks, strict=True))
