"""Work out what the best possible receiver needs, and keep it in bounds.json.

.venv/bin/python -m benchmarks.accuracy.bounds
"""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np

from benchmarks.accuracy.distance import HARMED, smallest_distance
from benchmarks.accuracy.families import FAMILIES, Family, textbook_db
from benchmarks.accuracy.fit import needed_db
from benchmarks.accuracy.genie import Genie
from benchmarks.accuracy.scoring import overlapping, wrong_bytes
from tapewright.cards import Alphabet, load_format

__all__ = ["bounds"]

PATH = Path(__file__).parent / "bounds.json"
BITS_A_RUN, RUNS = 24_000, 16


def bounds() -> dict[str, dict[str, float]]:
    """Per card: what the textbook and the ideal receiver need, and how much more after each impairment."""
    table: dict[str, dict[str, float]] = json.loads(PATH.read_text(encoding="utf-8"))
    return table


def work_out(family: Family) -> dict[str, float]:
    """Simulate the informed receiver, and work out what each impairment takes from its distances."""
    card = load_format(family.card)
    genie = Genie(Alphabet.of(card))
    book = textbook_db(family, card.byte.bits)
    rng = np.random.default_rng(7)
    distance = smallest_distance(genie)
    # the smallest distance tells where to look
    start = textbook_db(Family(family.card, distance, ""), card.byte.bits)
    points = [start - 0.4, start, start + 0.4]
    wrong, total = [], []
    for db in points:
        bad = count = 0
        for _ in range(RUNS):
            sent, start_of, end_of, decided, from_, to = genie.symbol_errors(db, BITS_A_RUN, rng)
            match = overlapping(start_of, end_of, from_, to)
            by_byte = wrong_bytes(decided[match] != sent, card.byte.bits)
            bad, count = bad + int(by_byte.sum()), count + len(by_byte)
        wrong.append(bad)
        total.append(count)
    needed = needed_db(
        [points[0] - 6, *points, points[-1] + 6], [total[0], *wrong, 0], [total[0], *total, total[0]]
    )
    return {
        "textbook_db": round(book, 3),
        "ideal_db": round(needed.db, 3),
        "sigma_db": round(needed.sigma_db, 3),
        "distance": round(distance, 4),
        **{
            f"{name}_db": round(10 * math.log10(distance / smallest_distance(genie, name)), 3)
            for name in HARMED
        },
    }


def main() -> None:
    """Work all bounds out anew: some minutes."""
    table = {}
    for family in FAMILIES:
        table[family.card] = work_out(family)
        print(f"{family.card:24s}", table[family.card], flush=True)
    PATH.write_text(json.dumps(table, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
