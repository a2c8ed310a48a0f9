"""How much more signal the receiver needs than the best possible one, family by family.

Examples
--------
::

    .venv/bin/python -m benchmarks.accuracy --quick
    .venv/bin/python -m benchmarks.accuracy --cards kcs-300,reed-pwm-1500 --points --no-save
    .venv/bin/python -m benchmarks.accuracy --impairments all --bytes 3000 --nothing
    .venv/bin/python -m benchmarks.accuracy --page
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from typing import Any, TypeVar

import numpy as np

from benchmarks import history, page
from benchmarks.accuracy import table
from benchmarks.accuracy.bars import bar_db
from benchmarks.accuracy.bounds import bounds
from benchmarks.accuracy.dropouts import wrong_in_dropouts
from benchmarks.accuracy.families import FAMILIES, Family
from benchmarks.accuracy.fit import needed_db
from benchmarks.accuracy.measure import Count, measure_curve
from benchmarks.accuracy.nothing import claims_in_nothing
from benchmarks.accuracy.peer import INSTALL, peer_for, peer_name
from benchmarks.accuracy.signals import IMPAIRMENTS
from tapewright.cards import Alphabet, load_format

#: Payload bytes a point, at least: for one figure, and for the many points of the page.
BYTES, PAGE_BYTES = 3000, 2000
T = TypeVar("T")
R = TypeVar("R")


def main() -> None:
    """Measure, print and keep."""
    options = _options()
    families = [f for f in FAMILIES if f.card in options.cards]
    if peer_name() is None:
        print(f"no peer to compare with; to have it: {INSTALL}\n", flush=True)
    results: list[dict[str, Any]] = []
    claims: list[dict[str, Any]] = []
    faded: list[dict[str, Any]] = []
    if options.impairments:
        print(table.HEADING, flush=True)
        tasks = [(family, name, options) for family in families for name in options.impairments]
        for result in _each(_curve, tasks, options.jobs):
            results.append(result)
            print(table.curve_line(result), flush=True)
            if options.points:
                print(table.point_lines(result), flush=True)
        print(table.calibration(results), flush=True)
    if options.nothing:
        print(table.CLAIMS_HEADING)
        for part in _each(_nothing, [(f.card, options.nothing_seconds) for f in families], options.jobs):
            claims += part
            print("\n".join(table.claim_lines(part)), flush=True)
    if options.dropouts:
        print(table.DROPOUTS_HEADING)
        for part in _each(_dropouts, [(f.card, options.dropout_seconds) for f in families], options.jobs):
            faded += part
            print("\n".join(table.dropout_lines(part)), flush=True)
    if options.save:
        found = {
            "bytes_a_point": options.bytes, "curves": results, "nothing": claims, "dropouts": faded
        }  # fmt: skip
        print(f"\nkept in {history.save('accuracy', found, options.commit)}")
    if options.page:
        print(f"made {page.write()}")


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="python -m benchmarks.accuracy", description="See the module's text."
    )
    add = parser.add_argument
    cards = [family.card for family in FAMILIES]
    add("--cards", default="all", help="all, or names with commas between")
    add("--impairments", default="clean", help=f"all, none, or of: {', '.join(IMPAIRMENTS)}")
    add("--bytes", type=int, help=f"payload bytes a point, at least: {BYTES}, for the page {PAGE_BYTES}")
    add("--page", action="store_true", help="whole curves where clean, and make docs/benchmarks.md anew")
    add("--points", action="store_true", help="show every point of every curve")
    add("--nothing", action="store_true", help="also what is claimed in noise, hum, music and speech")
    add("--nothing-seconds", type=float, default=30.0)
    add("--dropouts", action="store_true", help="also whether wrong bytes in dropouts are flagged")
    add("--dropout-seconds", type=float, default=60.0)
    add("--jobs", type=int, default=1, help="processes")
    add("--quick", action="store_true", help="one family, few bytes, not kept")
    add("--commit", help="name of this state of the receiver; else the working tree's commit")
    add("--no-save", dest="save", action="store_false", help="do not write to benchmarks/history")
    options = parser.parse_args()
    options.bytes = options.bytes or (PAGE_BYTES if options.page else BYTES)
    if options.page and (options.quick or not options.save):
        parser.error("the page is made from what is kept: give --page without --quick and --no-save")
    if options.quick:
        options.bytes, options.save = min(options.bytes, 1500), False
        if options.cards == "all":
            options.cards = "heron-cycle-1600"
    options.cards = _chosen(parser, "cards", options.cards, cards)
    options.impairments = _chosen(parser, "impairments", options.impairments, list(IMPAIRMENTS))
    return options


def _chosen(parser: argparse.ArgumentParser, option: str, text: str, known: list[str]) -> list[str]:
    """Names that were given with commas between; all and none are words for themselves."""
    names = {"all": known, "none": []}.get(text, text.split(","))
    unknown = [name for name in names if name not in known]
    if unknown:
        parser.error(f"--{option}: {unknown[0]!r} is not measured; choose of: all, none, {', '.join(known)}")
    return names


def _each(work: Callable[[T], R], tasks: list[T], jobs: int) -> Iterator[R]:
    if jobs == 1:
        yield from map(work, tasks)
        return
    with ProcessPoolExecutor(jobs) as pool:
        yield from pool.map(work, tasks)


def _curve(task: tuple[Family, str, argparse.Namespace]) -> dict[str, Any]:
    family, impairment, options = task
    began = time.perf_counter()
    bound = bounds()[family.card]
    told_db = bound["ideal_db"] + bound.get(f"{IMPAIRMENTS[impairment].harm or impairment}_db", 0.0)
    points, ideal_db = measure_curve(
        family, impairment, options.bytes, told_db, whole=options.page and impairment == "clean"
    )
    at = sorted(points)
    needed = needed_db(at, [points[db].wrong for db in at], [points[db].bytes_ for db in at])
    framed = needed_db(at, [points[db].wrong_framed for db in at], [points[db].framed for db in at])
    peer, no_peer = peer_for(Alphabet.of(load_format(family.card)))
    peer_needed = needed_db(at, [points[db].peer_wrong for db in at], [points[db].peer_bytes for db in at])
    return {
        "card": family.card,
        "impairment": impairment,
        "ideal_db": round(ideal_db, 3),
        "textbook_db": round(bound["textbook_db"] + ideal_db - told_db, 3),
        "needed_db": _number(needed.db),
        "sigma_db": _number(needed.sigma_db),
        "how": needed.how,
        "framed_db": _number(framed.db),
        "bar_db": bar_db(family, impairment),
        "peer": peer_name() if peer else None,
        "no_peer": no_peer,
        "peer_needed_db": _number(peer_needed.db),
        "took_seconds": round(time.perf_counter() - began, 1),
        "points": [{"eb_n0_db": db, **_plain(points[db])} for db in at],
    }


def _nothing(task: tuple[str, float]) -> list[dict[str, Any]]:
    return [asdict(claim) for claim in claims_in_nothing(*task)]


def _dropouts(task: tuple[str, float]) -> list[dict[str, Any]]:
    return [asdict(found) for found in wrong_in_dropouts(*task)]


def _number(value: float) -> float | None:
    return None if math.isnan(value) else round(value, 3)


def _plain(count: Count) -> dict[str, Any]:
    return {
        key: [round(float(v), 4) for v in value] if isinstance(value, np.ndarray) else value
        for key, value in asdict(count).items()
    }


if __name__ == "__main__":
    main()
