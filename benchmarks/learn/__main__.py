"""How often a format is learned fully right: a fresh recording decodes bit for bit and its check verifies.

Run: ``.venv/bin/python -m benchmarks.learn --count 2000 --jobs 2``; figures go to ``benchmarks/history``.
"""

from __future__ import annotations

import argparse
import json
import time
from collections import defaultdict
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np

from benchmarks.learn.agreement import problem_of
from benchmarks.learn.contradicted import Contradicted, claims_of, contradicted
from benchmarks.learn.formats import FAMILIES, MadeUp, random_format, random_program, random_start
from benchmarks.learn.saves import save
from tapewright import read
from tapewright.chain.learn import Learned, learn
from tapewright.learn.known import Known
from tapewright.model import Recording

#: What the product asks for first is some hundred bytes; a fresh recording may be shorter.
TAUGHT_BYTES, FRESH_BYTES = (256, 600), (32, 512)
NAMES = ("MADEUP", "OTHER", "THIRD", "FRESH")
#: How many drafts of a format are passed over because its own card does not read the fresh recording.
MOST_DRAFTS = 5


@dataclass(frozen=True)
class Lesson:
    """What came of learning one format from so many recordings.

    Parameters
    ----------
    seed : int
    family : str
    traits : tuple of str
    recordings : int
    problem : str
        Empty where all is right.
    claims : int
        Checks claimed for blocks with data.
    wrong : tuple of str
        How sure each claim was that the fresh recording shows to be wrong (`Contradicted`).
    beside : int
        Claims it contradicts that were held open, with a rival that holds.
    cpu : float
        Seconds of the processor that learning took.
    """

    seed: int
    family: str
    traits: tuple[str, ...]
    recordings: int
    problem: str
    claims: int
    wrong: tuple[str, ...]
    beside: int
    cpu: float


def _saved(
    made_up: MadeUp, name: str, limits: tuple[int, int], rng: np.random.Generator
) -> tuple[Recording, Known]:
    count = round(float(np.exp(rng.uniform(*np.log(limits)))))
    program, start = random_program(rng, made_up, count), random_start(rng)
    return save(made_up, program, start, name, rng), Known(program, start, name)


def lessons(seed: int, family: str, counts: tuple[int, ...]) -> list[Lesson]:
    """Make a format up, and learn it from one recording, from two, from three."""
    rng = np.random.default_rng([seed, 17])
    for _ in range(MOST_DRAFTS):
        made_up = random_format(rng, family)
        saves = [_saved(made_up, name, TAUGHT_BYTES, rng) for name in NAMES[: max(counts)]]
        fresh, known = _saved(made_up, NAMES[-1], FRESH_BYTES, rng)
        if not problem_of(read(fresh, format=made_up.card), made_up, known.data, known.start or 0):
            return [_lesson(seed, made_up, saves[:count], fresh, known) for count in counts]
    return []


def _lesson(
    seed: int, made_up: MadeUp, saves: list[tuple[Recording, Known]], fresh: Recording, known: Known
) -> Lesson:
    began = time.process_time()
    try:
        learned = learn([recording for recording, _ in saves], [one for _, one in saves])
    except Exception as error:
        learned = Learned(problem=f"fault: {error!r}")
    cpu = time.process_time() - began
    against = Contradicted()
    claims = [claim for kind in (learned.layout.kinds if learned.layout else ()) for claim in claims_of(kind)]
    problem = learned.problem.rstrip(".")
    if learned.card is not None:
        reading = read(fresh, format=learned.card)
        problem = problem_of(reading, made_up, known.data, known.start or 0)
        if b"".join(piece.data for piece in reading.image) == known.data:  # so it is the check that is not
            against = contradicted(learned, reading, fresh)
    return Lesson(
        seed, made_up.family, made_up.traits, len(saves), problem, len(claims), against.wrong,
        against.beside, cpu,
    )  # fmt: skip


def main() -> None:
    """Learn many formats, print the share fully right by family, and every failure."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.learn", description=__doc__)
    parser.add_argument("--count", type=int, default=2000, help="formats, of all families in turn")
    parser.add_argument("--first", type=int, default=0, help="seed of the first")
    parser.add_argument("--families", help="names with commas between; else all")
    parser.add_argument("--recordings", default="1,2,3", help="numbers of recordings to learn from")
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    parser.add_argument("--keep", type=Path, help="file to keep the figures in")
    options = parser.parse_args()
    families = options.families.split(",") if options.families else list(FAMILIES)
    counts = tuple(int(number) for number in options.recordings.split(","))
    seeds = range(options.first, options.first + options.count)
    found: list[Lesson] = []
    passed_over = 0
    for some in _each([(seed, families[seed % len(families)], counts) for seed in seeds], options.jobs):
        passed_over += not some
        found += some
        for lesson in some:
            if lesson.problem:
                print(f"{lesson.seed:6d} {lesson.family:13s} {lesson.recordings} {lesson.problem[:70]:70s}"
                      f" {' '.join(lesson.traits)}", flush=True)  # fmt: skip
    print(f"\n{'fully right, from':14s} " + " ".join(f"{count:>14d}" for count in counts))
    for family in [*families, "all"]:
        print(f"{family:17s} " + " ".join(f"{_share(found, family, count):>14s}" for count in counts))
    for count in counts:
        mine = [lesson for lesson in found if lesson.recordings == count]
        wrong = [surety for lesson in mine for surety in lesson.wrong]
        claims = sum(lesson.claims for lesson in mine)
        beside = sum(lesson.beside for lesson in mine)
        cpu = np.median([lesson.cpu for lesson in mine])
        print(
            f"{count} recording(s): {len(wrong)} of {claims} claims about checks wrong"
            f" ({wrong.count('certain')} called certain, {wrong.count('open')} open without the right one);"
            f" {beside} more held open beside the right one; median {cpu:.1f} s of the processor"
        )
    if passed_over:
        print(f"{passed_over} seeds passed over: their own cards did not read the fresh recording")
    if options.keep:
        options.keep.write_text(json.dumps([asdict(lesson) for lesson in found], indent=0), encoding="utf-8")


def _share(found: list[Lesson], family: str, count: int) -> str:
    counted: dict[bool, int] = defaultdict(int)
    for lesson in found:
        if lesson.recordings == count and family in (lesson.family, "all"):
            counted[not lesson.problem] += 1
    total = counted[True] + counted[False]
    return f"{counted[True]:4d} of {total:<4d}" if total else "-"


def _each(tasks: list[tuple[int, str, tuple[int, ...]]], jobs: int) -> Iterator[list[Lesson]]:
    if jobs == 1:
        yield from (lessons(*task) for task in tasks)
        return
    with ProcessPoolExecutor(jobs) as pool:
        yield from pool.map(lessons, *zip(*tasks, strict=True), chunksize=1)


if __name__ == "__main__":
    main()
