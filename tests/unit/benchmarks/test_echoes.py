"""The bound's search through filters, against trying every sequence."""

import itertools

import numpy as np

from benchmarks.accuracy.genie import Genie
from benchmarks.accuracy.harm import HARMED
from tapewright.cards import Alphabet, load_format

UNITS, TRIALS = 10, 60


def test_what_it_finds_is_the_likeliest_of_all_sequences() -> None:
    """In noise in which the likeliest is seldom what was sent."""
    dull = HARMED["dull"]
    genie = Genie(Alphabet.of(load_format("sedge-half-2700")), dull)
    rate_hz = genie.per_unit / genie.unit_seconds
    every = [
        np.array(bits)
        for count in range(UNITS // 2, UNITS + 1)
        for bits in itertools.product((0, 1), repeat=count)
        if count + sum(bits) == UNITS
    ]
    waves = np.stack([dull(genie.wave(bits, 0)[0], rate_hz) for bits in every])
    rng = np.random.default_rng(4)
    found = as_sent = 0
    for _ in range(TRIALS):
        sent = rng.integers(len(every))
        heard = waves[sent] + 4.0 * rng.standard_normal(waves.shape[1])
        likeliest = every[int(np.argmin(np.sum((heard - waves) ** 2, axis=1)))]
        decided, places = genie.echoes.search(heard, genie.units, genie.next_phase)
        found += np.array_equal(decided, likeliest)
        as_sent += np.array_equal(decided, every[sent])
        assert np.array_equal(places, np.cumsum([0, *genie.units[decided][:-1]]))
    assert found >= 0.95 * TRIALS
    assert as_sent < 0.7 * TRIALS
