"""Dials: through the measured points, never turning back, honest about the rest, plain advice."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapewright.cards.load import load_rig
from tapewright.cards.rig import EarSocket, RigCard
from tapewright.machine.dial import Dial, eye_dial, tone_dial, volume_dial
from tapewright.model import UsageError

EVEN = Dial(range(11), [-50.0 + 5.0 * mark for mark in range(11)])  # 5 dB a mark
KNOWN = Dial([*range(11), 5], [*(-50.0 + 5.0 * mark for mark in range(11)), -25.0], ends=(0.0, 10.0))
ONE_VOLT = {"card": "rig", "name": "one-volt", "title": "1 V rms at mark 5"}


@st.composite
def measured(draw):
    """Marks and levels of a dial that goes one way, in steps of 0.1 to 12 dB a mark."""
    gaps = draw(st.lists(st.floats(0.5, 3.0), min_size=1, max_size=9))
    slopes = draw(st.lists(st.floats(0.1, 12.0), min_size=len(gaps), max_size=len(gaps)))
    marks = np.concatenate(([0.0], np.cumsum(gaps))) + draw(st.floats(-5.0, 5.0))
    levels = np.concatenate(([0.0], np.cumsum(np.multiply(gaps, slopes)))) - draw(st.floats(0.0, 80.0))
    return marks, levels * draw(st.sampled_from([1.0, -1.0]))


@given(measured(), st.permutations(range(10)))
def test_it_goes_through_its_points_in_whatever_order_they_were_measured(points, order):
    marks, levels = points
    order = [place for place in order if place < len(marks)]
    dial = Dial(marks[order], levels[order])
    assert [dial.level_db(mark) for mark in marks] == pytest.approx(list(levels), abs=1e-9)


@given(measured(), st.floats(-0.5, 1.5), st.floats(-0.5, 1.5))
def test_a_higher_mark_never_turns_the_other_way(points, one, other):
    # PCHIP is monotone where its points are: Fritsch and Butland 1984, as scipy documents PchipInterpolator
    marks, levels = points
    dial = Dial(marks, levels)
    low, high = sorted(marks[0] + share * (marks[-1] - marks[0]) for share in (one, other))
    change = dial.level_db(high) - dial.level_db(low)
    assert (-change if dial.is_reversed else change) >= -1e-9
    assert dial.is_reversed == (levels[-1] < levels[0])


@given(measured(), st.floats(-0.5, 1.5))
def test_the_mark_of_a_level_has_that_level(points, share):
    marks, levels = points
    dial = Dial(marks, levels)
    level = levels[0] + share * (levels[-1] - levels[0])
    assert dial.level_db(dial.mark_of(level)) == pytest.approx(level, abs=1e-6)


@given(measured(), st.floats(0.0, 1.0))
def test_between_two_marks_the_level_is_between_theirs(points, share):
    marks, levels = points
    level = Dial(marks, levels).level_db(marks[0] + share * (marks[1] - marks[0]))
    assert min(levels[:2]) - 1e-9 <= level <= max(levels[:2]) + 1e-9


def test_straight_points_go_straight_on():
    assert EVEN.level_db(-1.5) == pytest.approx(-57.5)
    assert EVEN.level_db(12.0) == pytest.approx(10.0)
    assert EVEN.mark_of(-60.0) == pytest.approx(-2.0)
    assert EVEN.mark_of(5.0) == pytest.approx(11.0)


def test_a_curve_that_ends_flat_does_not_stay_flat_beyond():
    # three points of a curve flattening so fast that a parabola through them would turn back
    dial = Dial([1.0, 2.0, 3.0], [-40.0, -20.0, -19.0])
    assert dial.level_db(4.0) >= -18.5  # half the last slope, at least
    assert dial.mark_of(-18.0) < 5.1


# Potentiometers, from their definitions: a linear one divides by m/10; a logarithmic one goes evenly in dB;
# common "logarithmic" ones are two straight pieces, here 15 % at half turn (common practice).
TAPERS = {
    "linear": lambda mark: 20 * math.log10(mark / 10),
    "logarithmic": lambda mark: -50 + 5 * mark,
    "two pieces": lambda mark: 20 * math.log10(0.03 * mark if mark < 5 else 0.15 + 0.17 * (mark - 5)),
    "exponential": lambda mark: 20 * math.log10((81 ** (mark / 10) - 1) / 80),
}


@pytest.mark.parametrize("taper", TAPERS.values(), ids=list(TAPERS))
def test_tapers_measured_at_every_mark_stay_within_what_is_promised(taper):
    dial = Dial(range(1, 11), [taper(mark) for mark in range(1, 11)])
    for mark in np.linspace(0.5, 10.0, 400):
        assert abs(dial.level_db(mark) - taper(mark)) <= dial.uncertainty_db(mark)


def test_it_is_surest_where_it_was_measured_and_less_and_less_beyond():
    at, near, middle = (EVEN.uncertainty_db(mark) for mark in (5.0, 5.1, 5.5))
    assert at < near < middle
    assert middle < 0.5 * 5.0 + at  # the level is between those of marks 5 and 6
    beyond = [EVEN.uncertainty_db(mark) for mark in (10.0, 10.5, 11.0, 12.0, 14.0)]
    assert np.all(np.diff(beyond) > 0)
    assert beyond[4] - beyond[3] > 2 * (beyond[2] - beyond[0])  # it grows faster than in proportion
    assert EVEN.uncertainty_db(-1.0) == pytest.approx(EVEN.uncertainty_db(11.0))
    assert EVEN.uncertainty_marks(5.0) == pytest.approx(at / 5.0)


def test_what_was_measured_twice_tells_how_it_scatters():
    same = Dial([1, 1, 2, 2, 3], [-30.0, -30.0, -20.0, -20.0, -10.0])
    apart = Dial([1, 1, 2, 2, 3], [-30.7, -29.3, -20.7, -19.3, -10.0])
    once = Dial([1, 2, 3], [-30.0, -20.0, -10.0])
    assert same.uncertainty_db(2.0) < once.uncertainty_db(2.0) < apart.uncertainty_db(2.0)
    # two pairs 1.4 dB apart: each lies 0.7 dB off its mean, with two degrees of freedom sqrt(4 * 0.49 / 2)
    assert apart.uncertainty_db(2.0) == pytest.approx(math.sqrt(0.98))
    assert apart.level_db(1.0) == pytest.approx(-30.0)


@pytest.mark.parametrize(
    "marks, levels, kind, said",
    [
        ([], [], None, "0 mark was measured; measure at two different marks at least"),
        ([1], [-30], None, "1 mark was measured"),
        ([1, 1], [-30, -30.5], None, "1 mark was measured"),
        ([1, 2], [-30], None, "2 marks but 1 levels"),
        ([1, 2, 3], [-30, math.nan, -10], None, "not a finite number"),
        ([1, math.inf], [-30, -20], None, "not a finite number"),
        ([1, 2, 2], [-30, -20, -18], None, "at mark 2 one level is -20.0 dB and another -18.0 dB"),
        ([1, 2, 3, 4], [-30, -20, -24, -10], None, "from mark 2 to 3 the level goes from -20.0"),
        ([1, 2, 3, 4], [-10, -20, -15, -30], None, "though the rest of the dial goes down"),
        ([1, 2, 3], [-30, -20, -20], None, "marks 2 and 3 have the same level, -20.0 dB"),
        ([1, 2], [-20, -20], None, "have the same level"),
        ([1, 2, 3], [-10, -20, -30], "up", "though the card says direction = 'up'"),
        ([1, 2, 3], [-30, -20, -10], "down", "though the card says direction = 'down'"),
    ],
)  # fmt: skip
def test_points_that_are_no_dial_are_refused_in_one_sentence(marks, levels, kind, said):
    with pytest.raises(UsageError, match=re.escape(said)) as caught:
        Dial(marks, levels, direction=kind)
    assert "\n" not in str(caught.value)


def test_questions_that_make_no_sense_are_refused():
    for ask in (EVEN.level_db, EVEN.mark_of, EVEN.uncertainty_db, EVEN.shifted):
        with pytest.raises(UsageError, match="give a finite number"):
            ask(math.nan)
    for low, high in [(-10, -20), (math.nan, 1), (1, math.nan), (math.inf, math.inf), (-math.inf, -math.inf)]:
        with pytest.raises(UsageError, match="give the lower first"):
            EVEN.words(low, high)
    for ends in [(10, 0), (0, 0), (-math.inf, 10), (math.nan, 10)]:
        with pytest.raises(UsageError, match="give the lower mark first"):
            Dial([1, 2], [-30, -20], ends=ends)


def level(mark):
    return -50 + 5 * mark


@pytest.mark.parametrize(
    "low, high, words",
    [
        (2.53, 2.93, "load between marks 2.6 and 2.9; set 2.7"),
        (3.0, 7.0, "load between marks 3.0 and 7.0; set 5.0"),
        # only one tenth lies inside; to show 4.9 or 5.1 would be to round outwards
        (4.955, 5.075, "load at mark 5.0, the one tenth between 4.96 and 5.07"),
        (5.012, 5.048, "load between marks 5.02 and 5.04; set 5.03; the window is narrower"),
        (5.012, 5.026, "load at mark 5.02; the window is narrower than a tenth of a mark"),
        (5.012, 5.018, "the window is at mark 5.015 and narrower than a hundredth of a mark"),
        (5.0, 5.0, "load at mark 5.00; the window is narrower"),
        (8.0, 12.0, "load between marks 8.0 and 10.0; set 9.0"),
        (-1.0, 2.0, "load between marks 0.0 and 2.0; set 1.0"),
    ],
)  # fmt: skip
def test_words(low, high, words):
    said = KNOWN.words(level(low), level(high))
    assert said.startswith(words)
    if "narrower" not in words and "tenth" not in words:
        assert said == words


def test_words_where_an_edge_is_open():
    assert KNOWN.words(level(8.0), math.inf) == "load between marks 8.0 and 10.0; set 9.0"
    assert KNOWN.words(-math.inf, level(4.0)) == "load between marks 0.0 and 4.0; set 2.0"
    assert KNOWN.words(-math.inf, math.inf) == "load between marks 0.0 and 10.0; set 5.0"
    unknown_ends = Dial([1, 2, 3], [-30.0, -20.0, -10.0])
    assert unknown_ends.words(-25.0, math.inf) == "load between marks 1.5 and 3.0; set 2.2"
    assert not unknown_ends.window(-25.0, math.inf).is_beyond_measured


def test_words_beyond_what_was_measured():
    dial = Dial([2, 3, 4], [-40.0, -35.0, -30.0])
    said = dial.words(-28.0, -26.0)
    assert said.startswith(
        "load between marks 4.4 and 4.8; set 4.6; both are beyond the marks measured, 2 to 4"
    )
    assert re.search(r"sure to ±\d\.\d only$", said)
    assert dial.words(-32.5, -28.0).split("; ")[2].startswith("the higher is beyond")
    assert dial.words(-42.0, -32.5).split("; ")[2].startswith("the lower is beyond")
    far = dial.window(10.0, 12.0)
    assert far.words.startswith(
        "the window is somewhere above mark 12, far beyond the marks measured, 2 to 4"
    )
    assert "measure nearer to it first" in far.words
    assert far.set_mark is None
    assert "somewhere below mark -2, far" in dial.words(-70.0, -60.0)


def test_words_where_the_dial_does_not_reach():
    assert KNOWN.words(3.0, 6.0) == (
        "the dial does not reach the window: at mark 10, where it ends, it is 3.0 dB below it"
    )
    assert "at mark 0, where it ends, it is 4.0 dB above it" in KNOWN.words(-60.0, -54.0)
    short = Dial([2, 3, 4], [-40.0, -35.0, -30.0], ends=(0, 5))
    assert short.words(0.0, 6.0).endswith("it is 25.0 dB below it, to judge by marks 2 to 4")


def test_words_of_a_dial_that_turns_down():
    dial = Dial([1, 2, 3, 4], [-10.0, -20.0, -30.0, -40.0], ends=(0, 10))
    assert dial.words(-30.0, -20.0) == (
        "load between marks 2.0 and 3.0; set 2.5; on this dial higher marks turn down"
    )
    assert "at mark 0, where it ends, it is 10.0 dB below it" in dial.words(10.0, 20.0)


def test_words_say_when_the_marks_are_less_sure_than_the_window_is_wide():
    assert "so try a little to either side" in EVEN.words(level(4.4), level(4.6))
    assert "so try a little to either side" not in EVEN.words(level(4.0), level(5.0))


@given(measured(), st.floats(-0.2, 1.2), st.floats(-0.2, 1.2))
def test_marks_shown_lie_in_the_window(points, one, other):
    marks, levels = points
    dial = Dial(marks, levels)
    low, high = sorted(levels[0] + share * (levels[-1] - levels[0]) for share in (one, other))
    found = dial.window(low, high)
    ends = sorted(dial.mark_of(edge) for edge in (low, high))
    if found.low_mark is None:  # half as far beyond the marks measured as they span: no guess
        assert max(marks[0] - ends[1], ends[0] - marks[-1]) > 0.499 * (marks[-1] - marks[0])
        return
    assert (found.low_mark, found.high_mark) == pytest.approx(tuple(ends), abs=1e-6)
    if found.set_mark is None:
        assert "no hand can set" in found.words
        assert ends[1] - ends[0] < 0.01
        return
    shown = [float(text) for text in re.findall(r"-?\d+\.\d+", found.words.split(";")[0])]
    assert 1 <= len(shown) <= 3
    for mark in [*shown, found.set_mark]:
        assert ends[0] - 2e-6 <= mark <= ends[1] + 2e-6


def rig(points, **more):
    return RigCard.model_validate({**ONE_VOLT, "volume": {"points": points}, **more})


def test_the_eye_counts_in_decibels_over_one_volt_peak():
    points = [{"mark": 4, "level_db": -30.0}, {"mark": 5, "level_db": -20.0, "millivolts": 1000}]
    dial = eye_dial(rig(points))
    # a sine of 1 V rms has a peak of sqrt 2 V, which is 3.0103 dB over 1 V (definition)
    assert dial.level_db(5.0) == pytest.approx(3.0103, abs=1e-4)
    assert dial.level_db(4.0) == pytest.approx(3.0103 - 10.0, abs=1e-4)
    # the test tone is written at -12 dB full scale; a program at -2 dB comes out 10 dB louder
    assert eye_dial(rig(points), -2.0).level_db(5.0) == pytest.approx(13.0103, abs=1e-4)


def test_a_meter_that_read_beside_a_load_is_told_what_there_is_without():
    points = [{"mark": 4, "millivolts": 100}, {"mark": 5, "millivolts": 1000}]
    loaded = eye_dial(rig(points, ear={"source_ohms": "1k", "load_ohms": "1k"}))
    # half of it stayed on the source: a factor of 2 is 6.0206 dB (definition)
    assert loaded.level_db(5.0) - eye_dial(rig(points)).level_db(5.0) == pytest.approx(6.0206, abs=1e-4)
    assert EarSocket(source_ohms=600.0).unloaded_ratio == 1.0


def test_without_a_meter_there_are_no_volts():
    with pytest.raises(UsageError, match="add millivolts to that point"):
        eye_dial(rig([{"mark": 4, "level_db": -30.0}, {"mark": 5, "level_db": -20.0}]))


def test_a_shifted_dial_keeps_its_marks():
    moved = KNOWN.shifted(7.0)
    assert moved.words(level(2.53) + 7.0, level(2.93) + 7.0) == KNOWN.words(level(2.53), level(2.93))
    assert moved.level_db(11.0) == pytest.approx(KNOWN.level_db(11.0) + 7.0)


def test_the_tone_dial_of_the_example():
    card = load_rig("wren-portable")
    dial = tone_dial(card)
    corners = [10 ** (dial.level_db(point.mark) / 20) for point in card.tone.points]
    assert corners == pytest.approx([point.corner for point in card.tone.points])
    assert corners[0] < corners[1] < corners[2]
    assert tone_dial(rig([{"mark": 4, "level_db": -30}, {"mark": 5, "level_db": -20}])) is None
    words = dial.words(20 * math.log10(3000), math.inf)
    assert words.startswith("load between marks 6.")


def test_the_volume_dial_of_the_example():
    card = load_rig("wren-portable")
    dial = volume_dial(card)
    assert dial.level_db(4.0) == pytest.approx((-25.4 - 25.9) / 2)
    assert dial.ends == (0.0, 10.0)
    peak_volts = 10 ** (eye_dial(card).level_db(6.0) / 20)
    assert peak_volts == pytest.approx(0.260 * math.sqrt(2))
