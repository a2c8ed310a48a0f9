"""Work out what the best possible receiver needs, and keep it in bounds.json.

.venv/bin/python -m benchmarks.accuracy.bounds
"""

from __future__ import annotations

import itertools
import json
import math
from pathlib import Path

import numpy as np
import numpy.typing as npt

from benchmarks.accuracy.families import FAMILIES, Family, textbook_db
from benchmarks.accuracy.fit import needed_db
from benchmarks.accuracy.genie import Genie
from benchmarks.accuracy.scoring import overlapping, wrong_bytes
from tapewright.cards import Alphabet, load_format

__all__ = ["bounds"]

FloatArray = npt.NDArray[np.float64]
PATH = Path(__file__).parent / "bounds.json"
#: What a recording at 44.1 kHz carries: the writer's band-limited edges end there.
CARRIED_HZ = 0.46 * 44_100.0
BITS_A_RUN, RUNS = 24_000, 16
LONGEST_EVENT = 4


def bounds() -> dict[str, dict[str, float]]:
    """Per card: textbook_db, ideal_db, sigma_db, distance, band_db."""
    table: dict[str, dict[str, float]] = json.loads(PATH.read_text(encoding="utf-8"))
    return table


def work_out(family: Family) -> dict[str, float]:
    """Simulate the informed receiver, and add what the band of the recording takes from its distances."""
    card = load_format(family.card)
    genie = Genie(Alphabet.of(card))
    book = textbook_db(family, card.byte.bits)
    rng = np.random.default_rng(7)
    distance, band_db = smallest_distance(genie)
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
        "ideal_db": round(needed.db + band_db, 3),
        "sigma_db": round(needed.sigma_db, 3),
        "distance": round(distance, 4),
        "band_db": round(band_db, 3),
    }


def smallest_distance(genie: Genie) -> tuple[float, float]:
    """The closest two different sequences that begin and end alike.

    Returns
    -------
    distance : float
        Squared distance over twice the mean energy of a bit: the `factor` of the union bound.
    band_db : float
        What it loses, relative to the bit energy, in the band a recording carries.
    """
    best = (math.inf, np.zeros(0))
    for phase in range(len(genie.phases)):
        ways: dict[tuple[int, int], list[tuple[tuple[int, ...], FloatArray]]] = {}
        for count in range(1, LONGEST_EVENT + 1):
            for bits in itertools.product((0, 1), repeat=count):
                wave, after, units = genie.wave(np.array(bits), phase)
                ways.setdefault((units, after), []).append((bits, wave))
        for alike in ways.values():
            for (bits, wave), (others, other) in itertools.combinations(alike, 2):
                if bits[0] != others[0]:
                    apart = float(np.sum((wave - other) ** 2))
                    if apart < best[0]:
                        best = (apart, wave - other)
    rate = genie.per_unit / genie.unit_seconds
    sample, _, _ = genie.wave(np.random.default_rng(1).integers(0, 2, 400), 0)
    lost_db = 10 * math.log10(_share_in_band(sample, rate) / _share_in_band(best[1], rate))
    return best[0] / (2 * genie.bit_energy), lost_db


def _share_in_band(wave: FloatArray, rate_hz: float) -> float:
    size = 1 << (8 * len(wave)).bit_length()
    power = np.abs(np.fft.rfft(wave, size)) ** 2
    inside = np.fft.rfftfreq(size, 1 / rate_hz) <= CARRIED_HZ
    return float(power[inside].sum() / power.sum())


def main() -> None:
    """Work all bounds out anew."""
    table = {}
    for family in FAMILIES:
        table[family.card] = work_out(family)
        print(f"{family.card:24s}", table[family.card], flush=True)
    PATH.write_text(json.dumps(table, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
