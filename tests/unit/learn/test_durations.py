from __future__ import annotations

import numpy as np
import pytest

from tapewright.learn.durations import duration_classes, shared_tempo, stretches, tokens_of
from tapewright.learn.marks import Marks


def marks_from(us: np.ndarray) -> Marks:
    """Make marks so many microseconds apart, the first one rising."""
    times = np.concatenate(([0.0], np.cumsum(us))) * 1e-6
    nothing = np.zeros(1, np.float32)
    return Marks(times, np.arange(len(times)) % 2 == 0, nothing, nothing, 44_100.0)


def jittered(us: np.ndarray, deviation_us: float = 3.0, seed: int = 1) -> np.ndarray:
    return us + deviation_us * np.random.default_rng(seed).standard_normal(len(us))


def random_bits(count: int, seed: int = 2) -> np.ndarray:
    return np.random.default_rng(seed).integers(0, 2, count)


def test_a_leader_is_told_from_data() -> None:
    data = np.where(random_bits(500), 400.0, 200.0)
    tokens = tokens_of(marks_from(jittered(np.concatenate([np.full(1000, 200.0), data]))))
    assert (tokens.leader[:950] == 2).all()
    assert (tokens.leader[1050:] > 0).mean() < 0.1
    rest = tokens.data()
    assert len(rest.us) < 600
    assert rest.breaks.sum() == 1


def test_a_leader_may_repeat_a_whole_pattern() -> None:
    pattern = np.repeat([140.0, 210.0], [12, 8])
    data = np.where(random_bits(500), 140.0, 210.0)
    tokens = tokens_of(marks_from(jittered(np.concatenate([np.tile(pattern, 60), data]))))
    assert (tokens.leader[:1100] == 20).all()


def test_a_short_leader_of_half_waves_much_longer_than_those_of_data_is_one() -> None:
    data = np.where(random_bits(2000), 480.0, 270.0)
    tokens = tokens_of(marks_from(jittered(np.concatenate([np.full(144, 800.0), data]))))  # 0.115 s of it
    assert (tokens.leader[:140] == 2).all()


def test_a_slicing_offset_is_taken_out() -> None:
    cycles = np.repeat(np.where(random_bits(400), 500.0, 250.0), 2)
    lopsided = cycles + np.tile([40.0, -40.0], 400)
    tokens = tokens_of(marks_from(jittered(lopsided, 1.0)))
    assert tokens.skew_us == pytest.approx(40.0, abs=1.0)
    assert np.abs(tokens.us - cycles).max() < 8.0


def test_pulses_and_rests_are_no_slicing_offset() -> None:
    cells = np.where(random_bits(400), 400.0, 900.0)
    tokens = tokens_of(marks_from(jittered(np.stack([np.full(400, 120.0), cells], axis=1).ravel())))
    assert tokens.skew_us == 0.0


@pytest.mark.parametrize("rest_us", [230.0, 300.0, 420.0])
def test_pulses_hardly_wider_than_the_rests_between_them_are_no_slicing_offset(rest_us: float) -> None:
    pulses = np.where(random_bits(400), 540.0, 250.0)
    sent = np.stack([pulses, np.full(400, rest_us)], axis=1).ravel()
    heard = jittered(sent)
    tokens = tokens_of(marks_from(heard))
    assert tokens.us == pytest.approx(heard)


@pytest.mark.parametrize("lengths", [(200.0, 400.0), (175.0, 254.0, 332.0), (230.0, 300.0)])
def test_classes_are_the_lengths_there_are(lengths: tuple[float, ...]) -> None:
    us = jittered(np.random.default_rng(3).choice(lengths, 2000), 5.0)
    found = [np.exp(opinion) for opinion in duration_classes(np.log(us))]
    assert any(len(one) == len(lengths) and np.allclose(one, lengths, rtol=0.01) for one in found)


def test_tempo_of_recordings_is_told_from_their_durations() -> None:
    us = np.random.default_rng(4).choice([200.0, 400.0], 2000)
    takes = [tokens_of(marks_from(jittered(us * tempo, 3.0))) for tempo in (1.0, 1.06, 0.95)]
    late = shared_tempo(takes)
    assert late.sum() == pytest.approx(0.0, abs=1e-9)
    assert late - late[0] == pytest.approx(np.log([1.0, 1.06, 0.95]), abs=0.001)


def test_tempo_is_told_where_pulses_are_as_wide_as_the_recorder_makes_them() -> None:
    cells = np.where(random_bits(1500), 500.0, 1000.0)
    takes = [
        tokens_of(marks_from(jittered(np.stack([np.full(1500, 170.0), cells * tempo - 170.0], 1).ravel())))
        for tempo in (1.0, 1.04)
    ]
    late = shared_tempo(takes)
    assert late[1] - late[0] == pytest.approx(np.log(1.04), abs=0.001)


def test_stretches_are_runs_of_true() -> None:
    assert stretches(np.array([True, False, True, True])) == [(0, 1), (2, 4)]
    assert stretches(np.zeros(3, np.bool_)) == []
