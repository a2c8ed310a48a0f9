"""How often a format is learned fully right: a fresh recording decodes bit for bit and its check verifies.

Run: ``.venv/bin/python -m benchmarks.learn --count 2000 --jobs 2``; figures go to ``benchmarks/history``.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from typing import Any

import numpy as np

from benchmarks import history
from benchmarks.learn.formats import FAMILIES
from benchmarks.learn.lessons import Lesson, lessons
from benchmarks.learn.shares import failures, shares, totals

#: What is told of all families together; see `shares`.
ABOUT_CHECKS = ("claims", "wrong", "certain", "beside", "untold")


def main() -> None:
    """Learn many formats, print the share fully right by family, and every failure."""
    options = _options()
    families = options.families.split(",")
    counts = tuple(int(number) for number in options.recordings.split(","))
    seeds = range(options.first, options.first + options.count)
    found: list[Lesson] = []
    passed_over = 0
    for some in _each([(seed, families[seed % len(families)], counts) for seed in seeds], options.jobs):
        passed_over += not some
        found += some
        for lesson in some:
            if lesson.problem:
                untold = "untold" if lesson.is_untold else ""
                print(f"{lesson.seed:6d} {lesson.family:13s} {lesson.recordings} {lesson.problem[:70]:70s}"
                      f" {untold:6s} {' '.join(lesson.traits)}", flush=True)  # fmt: skip
    rows = shares(found, options.first)
    _show(rows)
    if passed_over:
        print(f"{passed_over} seeds passed over: their own cards did not read the fresh recording")
    if options.save:
        results = {"learned": rows, "failures": failures(found)}
        print(f"\nkept in {history.save('learn', results, options.commit)}")


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m benchmarks.learn", description=__doc__)
    add = parser.add_argument
    add("--count", type=int, default=2000, help="formats, of all families in turn")
    add("--first", type=int, default=0, help="seed of the first; a run from another one adds to what is kept")
    add("--families", default=",".join(FAMILIES), help="names with commas between")
    add("--recordings", default="1,2,3", help="numbers of recordings to learn from")
    add("--jobs", type=int, default=1, help="processes")
    add("--commit", help="name of this state of the package; else the working tree's commit")
    add("--no-save", dest="save", action="store_false", help="do not write to benchmarks/history")
    return parser.parse_args()


def _show(rows: list[dict[str, Any]]) -> None:
    total = totals(rows)
    print(f"\n{'fully right, from':17s} " + " ".join(f"{count:>14d}" for count in total))
    for family in [*dict.fromkeys(row["family"] for row in rows), "all"]:
        mine = totals([row for row in rows if family in (row["family"], "all")])
        cells = (f"{figures['right']} of {figures['formats']}" for figures in mine.values())
        print(f"{family:17s} " + " ".join(f"{cell:>14s}" for cell in cells))
    heading = " ".join(f"{name:>8s}" for name in ABOUT_CHECKS)
    print(f"\n{'about checks, from':18s} {heading}  processor s")
    for count, figures in total.items():
        cpu = np.median([row["cpu_seconds"] for row in rows if row["recordings"] == count])
        print(f"{count:18d} " + " ".join(f"{figures[name]:8d}" for name in ABOUT_CHECKS) + f" {cpu:12.1f}")


def _each(tasks: list[tuple[int, str, tuple[int, ...]]], jobs: int) -> Iterator[list[Lesson]]:
    if jobs == 1:
        yield from (lessons(*task) for task in tasks)
        return
    with ProcessPoolExecutor(jobs) as pool:
        yield from pool.map(lessons, *zip(*tasks, strict=True), chunksize=1)


if __name__ == "__main__":
    main()
