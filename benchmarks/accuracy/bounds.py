"""Work out what the best possible receiver needs, and keep it in bounds.json.

.venv/bin/python -m benchmarks.accuracy.bounds              all cards, some minutes
.venv/bin/python -m benchmarks.accuracy.bounds kcs-300      only these
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.interpolate import PchipInterpolator

from benchmarks.accuracy.distance import smallest_distance
from benchmarks.accuracy.families import FAMILIES, TARGET, Family, byte_error_rate, textbook_db
from benchmarks.accuracy.fit import Needed, needed_db
from benchmarks.accuracy.genie import Genie
from benchmarks.accuracy.harm import HARMED, UNHARMED, Harm
from benchmarks.accuracy.scoring import overlapping, wrong_bytes
from tapewright.cards import Alphabet, load_format

__all__ = ["bound_rate", "bounds"]

PATH = Path(__file__).parent / "bounds.json"
BITS_A_RUN, RUNS, HARMED_RUNS = 24_000, 16, 8
#: Where the curve is simulated, in dB against what the target needs. Beyond that, theory's curve is as good:
#: errors are then single.
CURVE_DB = (-6.0, -5.0, -4.0, -3.0, -2.0, -1.0)
CURVE_RUNS = 4


def bounds() -> dict[str, dict[str, Any]]:
    """Per card: what the textbook and the ideal receiver need, and how much more after each impairment."""
    table: dict[str, dict[str, Any]] = json.loads(PATH.read_text(encoding="utf-8"))
    return table


def bound_rate(bound: dict[str, Any], eb_n0_db: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Byte error rate of the best possible receiver: simulated, and beyond the target theory's curve.

    nan where it was not simulated: at an Eb/N0 lower than any of `CURVE_DB`.
    """
    offset = np.asarray(eb_n0_db, np.float64) - bound["ideal_db"]
    simulated = PchipInterpolator([*CURVE_DB, 0.0], np.log([*bound["curve"], TARGET]), extrapolate=False)
    return np.where(offset < 0, np.exp(simulated(offset)), byte_error_rate(0.0, offset))


def work_out(family: Family) -> dict[str, Any]:
    """Simulate the informed receiver, as recorded and with each impairment that changes waveforms."""
    card = load_format(family.card)
    ideal, distance = _needed(family, UNHARMED, RUNS)
    ideal_db = round(ideal.db, 3)
    rng = np.random.default_rng(7)
    genie = Genie(Alphabet.of(card))
    curve = [_wrong_bytes(genie, ideal_db + db, card.byte.bits, CURVE_RUNS, rng) for db in CURVE_DB]
    harmed = {name: _needed(family, harm, HARMED_RUNS)[0].db for name, harm in HARMED.items()}
    return {
        "textbook_db": round(textbook_db(family, card.byte.bits), 3),
        "ideal_db": ideal_db,
        "sigma_db": round(ideal.sigma_db, 3),
        "distance": round(distance, 4),
        **{f"{name}_db": round(db - ideal_db, 3) for name, db in harmed.items()},
        "curve": [round(bad / count, 5) for bad, count in curve],
    }


def _needed(family: Family, harm: Harm, runs: int) -> tuple[Needed, float]:
    """What the informed receiver needs, and the smallest distance, which tells where to look."""
    card = load_format(family.card)
    alphabet = Alphabet.of(card)
    distance = smallest_distance(Genie(alphabet), harm)
    start = textbook_db(Family(family.card, distance, ""), card.byte.bits)
    points = [start - 0.4, start, start + 0.4]
    rng = np.random.default_rng(7)
    genie = Genie(alphabet, harm)
    counts = [_wrong_bytes(genie, db, card.byte.bits, runs, rng) for db in points]
    wrong, total = [bad for bad, _ in counts], [count for _, count in counts]
    needed = needed_db(
        [points[0] - 6, *points, points[-1] + 6], [total[0], *wrong, 0], [total[0], *total, total[0]]
    )
    return needed, distance


def _wrong_bytes(
    genie: Genie, eb_n0_db: float, bits: int, runs: int, rng: np.random.Generator
) -> tuple[int, int]:
    """Bytes that the informed receiver gets wrong, of how many."""
    bad = count = 0
    for _ in range(runs):
        sent, start, end, decided, from_, to = genie.symbol_errors(eb_n0_db, BITS_A_RUN, rng)
        match = overlapping(start, end, from_, to)
        by_byte = wrong_bytes(decided[match] != sent, bits)
        bad, count = bad + int(by_byte.sum()), count + len(by_byte)
    return bad, count


def main() -> None:
    """Work the bounds out anew, of all cards or of those named; the others stay."""
    named = sys.argv[1:]
    old = bounds() if named else {}
    table = {}
    for family in FAMILIES:
        if not named or family.card in named:
            table[family.card] = work_out(family)
            print(f"{family.card:24s}", table[family.card], flush=True)
        elif family.card in old:
            table[family.card] = old[family.card]
    PATH.write_text(json.dumps(table, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
