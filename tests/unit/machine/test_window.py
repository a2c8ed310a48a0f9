"""The map: what it calls certain is so in the full simulation, and the edges are where it says."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from small_machines import (
    COMPARATOR,
    TRANSISTOR,
    machine,
    scaled,
    sound_of,
    with_hum,
    with_treble_lift,
)
from tapewright.machine.eye import Eye
from tapewright.machine.played import Played, dulled
from tapewright.machine.simulate import edges
from tapewright.machine.window import Island, WindowMap, islands_at, load_at, maps

LEVELS_DB = np.arange(-30.0, 12.1, 3.0)
CORNERS_HZ = np.array([700.0, 1500.0, 3000.0, 8000.0, np.inf])
STEPS = "sorrel-step-1200"


def loads(part: Played, eye: Eye, level_db: float, corner_hz: float = np.inf) -> bool:
    """Load all of it once, at full detail, without anything the map uses to be fast."""
    volts = np.float32(10.0 ** (level_db / 20.0)) * dulled(part.sound, corner_hz)
    return eye.reader.first_wrong(edges(volts, eye.port), part.symbol) is None


def truth(part: Played, eye: Eye) -> np.ndarray:
    return np.array([[loads(part, eye, level, corner) for level in LEVELS_DB] for corner in CORNERS_HZ])


def slow_transistor() -> Eye:
    """Its capacitor takes half a second to settle."""
    return machine({**TRANSISTOR, "coupling_farads": "1u", "pulldown_ohms": "100k"})


def weak_end() -> Played:
    """Long after the excerpt the level drops by 6 dB."""
    return scaled(sound_of(), 1.0, 1.2, 0.5)


CASES = {
    "wide": lambda: (sound_of(), machine(COMPARATOR)),
    "one transistor": lambda: (sound_of(), machine(TRANSISTOR)),
    "slow to settle": lambda: (sound_of(), slow_transistor()),
    "steps": lambda: (sound_of(STEPS), machine(TRANSISTOR, name=STEPS)),
    "bright steps": lambda: (with_treble_lift(sound_of(STEPS), 1500), machine(TRANSISTOR, name=STEPS)),
    "hum": lambda: (with_hum(sound_of(), 0.5), machine(COMPARATOR)),
    "weak end": lambda: (weak_end(), machine(COMPARATOR)),
    "lead bare": lambda: (sound_of(), replace(machine(TRANSISTOR), has_lead_parts=False)),
}


@pytest.fixture(scope="module", params=CASES)
def case(request: pytest.FixtureRequest) -> tuple[list[WindowMap], np.ndarray]:
    part, eye = CASES[request.param]()
    return list(maps([part], eye.port, eye.reader, LEVELS_DB, CORNERS_HZ)), truth(part, eye)


def test_map_and_full_simulation_agree_on_every_certain_cell(case):
    (*_, last), true = case
    assert np.array_equal(last.loads[last.is_certain], true[last.is_certain])


def test_likely_cells_load_too(case):
    (*_, last), true = case
    assert true[last.loads & ~last.is_certain].all()


def test_where_the_excerpt_fails_all_of_it_fails(case):
    (first, *_), true = case
    assert not true[~first.loads].any()
    assert np.array_equal(first.is_certain, ~first.loads)


def test_margins_stand_where_it_loads_and_nowhere_else(case):
    last = case[0][-1]
    assert np.array_equal(last.margin_db > 0, last.loads)
    assert np.array_equal(np.isfinite(last.timing), last.loads)
    assert np.nanmax(last.timing, initial=0) <= 1


def test_what_the_excerpt_flatters_is_put_right():
    part, eye = CASES["weak end"]()
    first, *_, last = maps([part], eye.port, eye.reader, LEVELS_DB, CORNERS_HZ)
    assert (first.loads & ~last.loads).any()


def test_all_parts_have_to_load():
    eye = machine(COMPARATOR)
    quiet = scaled(sound_of(seed=2), 0.0, 9.0, 0.25)
    (one,) = islands_at([sound_of()], eye.port, eye.reader, np.inf)
    (both,) = islands_at([sound_of(), quiet], eye.port, eye.reader, np.inf)
    assert both.low_db - one.low_db == pytest.approx(20 * np.log10(4), abs=0.2)


@pytest.mark.parametrize("name", ["wide", "one transistor", "steps", "hum"])
@pytest.mark.parametrize("corner_hz", [np.inf, 6000.0])
def test_edges_are_right_to_a_tenth_of_a_decibel(name, corner_hz):
    part, eye = CASES[name]()
    found = islands_at([part], eye.port, eye.reader, corner_hz)
    assert found
    for island in found:
        assert loads(part, eye, island.low_db, corner_hz)
        assert loads(part, eye, island.high_db, corner_hz)
        assert not loads(part, eye, island.low_db - 0.11, corner_hz)
        if island.high_db < 15.0:  # else it goes on beyond the levels looked at
            assert not loads(part, eye, island.high_db + 0.11, corner_hz)


def test_a_window_narrower_than_the_grid_is_found():
    part, eye = with_treble_lift(sound_of(STEPS), 1500, 3.0), machine(TRANSISTOR, name=STEPS)
    coarse = np.arange(-45.0, 15.1, 5.0)
    found = islands_at([part], eye.port, eye.reader, np.inf, coarse)
    assert not load_at([part], eye.port, eye.reader, coarse).any()
    assert found
    for one in found:
        assert one.width_db < 1.5
        assert loads(part, eye, 0.5 * (one.low_db + one.high_db))


# Facts of the trade (common practice, issue 4).
def test_one_transistor_wants_steps_within_a_few_decibels():
    part, eye = CASES["steps"]()
    (island,) = islands_at([part], eye.port, eye.reader, np.inf)
    assert 1 < island.width_db < 10


def test_a_brighter_tone_narrows_the_window_and_a_duller_one_opens_it():
    eye = machine(TRANSISTOR, name=STEPS)

    def width(part: Played, corner_hz: float = np.inf) -> float:
        found = islands_at([part], eye.port, eye.reader, corner_hz)
        return max((one.width_db for one in found), default=0.0)

    plain, bright = sound_of(STEPS), with_treble_lift(sound_of(STEPS), 1500)
    assert width(bright) < 0.5 < width(plain)
    assert width(bright, 3000.0) > width(bright, 6000.0) > width(bright)


def test_without_the_part_in_the_lead_nothing_loads_at_ordinary_levels():
    part, eye = CASES["lead bare"]()
    ordinary = np.arange(-40.0, 9.1, 1.0)  # 10 mV to 2.8 V
    assert not load_at([part], eye.port, eye.reader, ordinary).any()
    whole = replace(eye, has_lead_parts=True)
    assert load_at([part], whole.port, whole.reader, ordinary).any()


def a_map(rows: list[str]) -> WindowMap:
    cells = np.array([[cell == "#" for cell in row] for row in rows])
    blank = np.full(cells.shape, np.nan)
    tones, levels = cells.shape
    return WindowMap(2.0 * np.arange(levels), np.arange(1.0, tones + 1), cells, cells, blank)


def test_islands_of_a_row_and_the_widest_of_all():
    drawn = a_map([".##..#.", ".......", "..###..", ".###..."])
    assert drawn.islands(0) == [Island(2, 4), Island(10, 10)]
    assert drawn.islands(1) == []
    assert drawn.widest() == (3, Island(2, 6))  # the brighter of two of the same width
    assert a_map(["...", "..."]).widest() is None


def test_margin_is_the_room_to_the_nearer_edge_and_half_a_step():
    assert a_map([".#####."]).margin_db[0].tolist() == [0, 1, 3, 5, 3, 1, 0]
