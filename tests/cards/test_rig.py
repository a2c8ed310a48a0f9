"""Rig cards: the example, the page about them, what is refused, and that what is written is read back."""

from __future__ import annotations

import math
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from doc_blocks import python_failures
from tapewright.cards import MachineCard, format_names, machine_names, parse_card
from tapewright.cards.load import load_rig, rig_names
from tapewright.cards.rig import (
    EarSocket,
    RigCard,
    TonePoint,
    ToneScale,
    VolumePoint,
    VolumeScale,
    rig_text,
)
from tapewright.model import CardError

PAGE = (Path(__file__).parents[2] / "docs" / "rig.md").read_text(encoding="utf-8")
(EXAMPLE,) = re.findall(r"```toml\n(.*?)```", PAGE, re.S)
TABLES = (RigCard, EarSocket, VolumeScale, VolumePoint, ToneScale, TonePoint)


def error_of(text):
    with pytest.raises(CardError) as caught:
        parse_card(text, RigCard, "my.toml")
    assert str(caught.value).startswith("my.toml: ")
    assert "\n" not in str(caught.value)
    return caught.value


def changed(old, new):
    assert EXAMPLE.count(old) == 1
    return EXAMPLE.replace(old, new)


# ---- the example and the page


def test_the_built_in_rigs_are_examples_of_their_own_names():
    assert rig_names() == ["wren-portable"]
    for name in rig_names():
        card = load_rig(name)
        assert card.name == name
        assert card.notes.startswith("made up for Tapewright")
        assert load_rig(card) is card
    assert not set(rig_names()) & {*format_names(), *machine_names()}


def test_the_page_has_every_key_and_every_example():
    keys = {key for table in TABLES for key in table.model_fields} - {"ear", "volume", "tone"}
    assert [key for key in sorted(keys) if f"`{key}`" not in PAGE] == []
    assert [name for name in ("ear", "volume", "tone") if f"\n[{name}]\n" not in EXAMPLE] == []
    assert [name for name in rig_names() if f"`{name}`" not in PAGE] == []


def test_the_sessions_on_the_page(tmp_path):
    assert python_failures(PAGE, tmp_path) == ""


def test_the_card_on_the_page():
    card = parse_card(EXAMPLE, RigCard, "page")
    assert card.ear.load_ohms == 10_000
    assert [point.mark for point in card.volume.points] == [1, 3, 5, 5, 6, 8]
    assert card.tone.direction == "up"


@pytest.mark.parametrize("old, new", [("-16.5", "-26.5"), ("millivolts", "milivolts")])
def test_the_errors_on_the_page(old, new):
    with pytest.raises(CardError) as caught:
        parse_card(changed(old, new), RigCard, "my-recorder.toml")
    assert f"\n{caught.value}\n" in PAGE


def test_cautions_come_before_the_first_measurement():
    before = PAGE.partition("## The card")[0]
    for word in ("headphones", "Loudspeaker level", "qualified technician", "isolation"):
        assert word in before


# ---- what the numbers mean


@pytest.mark.parametrize("level_db, ratio", [(-3.010, 1.0), (-0.969, 0.5), (-6.990, 2.0), (-20.043, 10.0)])
def test_the_corner_of_a_first_order_low_pass(level_db, ratio):
    # table of a single RC low-pass, standards.md section 7.3 (computed there)
    point = TonePoint(mark=1.0, level_db=level_db, at_hz=ratio * 1591.549)
    assert point.corner == pytest.approx(1591.549, rel=5e-4)


def volume(*points):
    return VolumeScale(points=[VolumePoint(**point) for point in points])


def test_one_meter_reading_gives_the_volts_of_all():
    scale = volume({"mark": 1, "level_db": -40.0}, {"mark": 2, "level_db": -20.0, "millivolts": 100})
    # 20 dB are a factor of ten (definition): 0.1 V at -20 dB is 1 V at 0 dB
    assert scale.volts_at_zero_db == pytest.approx(1.0)
    assert scale.levels_db == [-40.0, -20.0]
    assert volume({"mark": 1, "level_db": -40.0}, {"mark": 2, "level_db": -20.0}).volts_at_zero_db is None


def test_a_meter_alone_will_do():
    scale = volume({"mark": 1, "millivolts": 10}, {"mark": 2, "millivolts": 100})
    assert scale.levels_db == pytest.approx([-40.0, -20.0])
    assert scale.volts_at_zero_db == 1.0


def test_a_point_with_a_reading_alone_comes_to_the_scale_of_the_others():
    scale = volume(
        {"mark": 1, "level_db": -70.0},
        {"mark": 2, "level_db": -50.0, "millivolts": 100},
        {"mark": 3, "millivolts": 1000},
    )
    assert scale.levels_db == pytest.approx([-70.0, -50.0, -30.0])


def test_meter_readings_are_averaged():
    scale = volume(
        {"mark": 1, "level_db": -20.0, "millivolts": 100}, {"mark": 2, "level_db": -10.0, "millivolts": 350}
    )
    # 1 V and 1.1068 V at 0 dB: their geometric mean
    assert scale.volts_at_zero_db == pytest.approx(math.sqrt(1.1068), rel=1e-4)


# ---- what is refused


@pytest.mark.parametrize(
    "old, new, key, said",
    [
        ("mark = 1, level_db", "mrak = 1, level_db", "volume.points[0]", "did you mean 'mark'?"),
        ("source_ohms", "source_ohm", "ear", "did you mean 'source_ohms'?"),
        ("[tone]", "[tune]", "tune", "did you mean 'tone'?"),
        ("-46.2", "nan", "volume.points[0].level_db", "expected a finite number, not nan"),
        ("-46.2", "inf", "volume.points[0].level_db", "expected a finite number"),
        ("-46.2", '"loud"', "volume.points[0].level_db", "expected a number"),
        ("-46.2", "-20.0", "volume", "from mark 1 to 3 the level goes from -20.0 dB to -31.0 dB"),
        ("-21.0", "-22.2", "volume", "at mark 5 one level is -22.2 dB and another -20.6"),
        ("mark = 1,", "mark = -1,", "volume", "mark -1 is not on a dial that ends at 0 and 10"),
        ("mark = 1,", "mark = 1001,", "volume.points[0].mark", "expected at most 1000"),
        ("today     = 4 ", "today     = 11 ", "volume", "today: mark 11 is not on a dial"),
        ("millivolts = 260", "millivolts = 0", "volume.points[4].millivolts", "expected more than 0"),
        (", level_db = -31.0", "", "volume.points[1]", "give it, or millivolts, or both"),
        ("level_db = -31.0", "level_db = -31.0, millivolts = 30", "volume", "disagree by 4.3 dB"),
        ("level_db = -16.5, ", "", "volume", "nothing ties the two together; give one both"),
        ("tone_dbfs = -12", "tone_dbfs = 1", "volume.tone_dbfs", "expected at most 0"),
        ('direction = "up"', 'direction = "left"', "tone.direction", "is not one of up, down"),
        ('direction = "up"', 'direction = "down"', "tone", "from mark 0 to 10 the corner goes from 1070 Hz"),
        ("corner_hz = 1070", "corner_hz = 1070, at_hz = 1", "tone.points[0].at_hz", "expected at least 20"),
        ("corner_hz = 1070", "corner_hz = 1070, at_hz = 3000", "tone.points[0]", "give either corner_hz"),
        ("corner_hz = 1070", "at_hz = 3000", "tone.points[0]", "give either corner_hz"),
        ("level_db = -0.7", "level_db = 0.7", "tone.points[1].level_db", "expected at most -0.1"),
        ('name       = "my', 'name       = "My', "name", "is not a name"),
        ('card       = "rig"', 'card       = "machine"', "card", 'a rig card begins with card = "rig"'),
    ],
)  # fmt: skip
def test_a_card_with_a_mistake(old, new, key, said):
    error = error_of(changed(old, new))
    assert error.key == key
    assert said in str(error)


@pytest.mark.parametrize("ends", ["[10, 0]", "[5, 5]", "[0]", "[0, nan]"])
def test_ends_that_cannot_be(ends):
    text = EXAMPLE.replace("ends      = [0, 10]", f"ends      = {ends}", 1)
    assert error_of(text).key.startswith("volume")


def test_a_dial_that_turns_down_is_a_dial():
    turned = re.sub(r"level_db = -(\d+\.\d)", lambda found: f"level_db = {float(found[1]) - 80:.1f}", EXAMPLE)
    assert parse_card(turned.partition("[tone]")[0], RigCard, "x").volume.levels_db[0] == -33.8


def test_a_rig_that_is_not_there(tmp_path):
    with pytest.raises(CardError, match="there is no rig card named 'heron'; give the path of your own"):
        load_rig("heron")
    with pytest.raises(CardError, match=r"did you mean wren-portable\?"):
        load_rig("wren-portabel")
    with pytest.raises(CardError, match="no such file"):
        load_rig(tmp_path / "none.toml")
    with pytest.raises(CardError, match="this is a folder; give a rig card"):
        load_rig(tmp_path)


def test_a_rig_is_no_machine():
    with pytest.raises(CardError, match='a machine card begins with card = "machine"'):
        parse_card(EXAMPLE, MachineCard, "x")


# ---- what is written is read back

TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=40)


@st.composite
def rigs(draw):
    marks = draw(st.lists(st.integers(-40, 40), min_size=2, max_size=6, unique=True).map(sorted))
    start = draw(st.floats(-150, -100))
    levels = [start + 7.3 * place + draw(st.floats(0, 1.2)) for place in range(len(marks))]
    if draw(st.booleans()):
        levels.reverse()
    points = [{"mark": mark / 4, "level_db": level} for mark, level in zip(marks, levels, strict=True)]
    if draw(st.booleans()):
        draw(st.sampled_from(points))["millivolts"] = 10.0 ** draw(st.floats(-3, 4.9))
    table = {
        "card": "rig",
        "name": draw(st.from_regex(r"[a-z0-9][a-z0-9-]{0,20}", fullmatch=True)),
        "title": draw(TEXTS),
    }
    table |= draw(
        st.fixed_dictionaries({}, optional=dict.fromkeys(("recorder", "lead", "sound_card", "notes"), TEXTS))
    )
    table["volume"] = {"points": points} | draw(
        st.fixed_dictionaries(
            {},
            optional={
                "today": st.floats(-10, 10),
                "ends": st.sampled_from([[-10.0, 10.0], [-50, 1000]]),
                "tone_hz": st.floats(20, 20_000),
                "tone_dbfs": st.floats(-80, 0),
            },
        )
    )
    if draw(st.booleans()):
        table["ear"] = {"source_ohms": draw(st.floats(0, 1e6))}
    if draw(st.booleans()):
        table["tone"] = {
            "points": [
                {"mark": 0, "corner_hz": draw(st.floats(20, 900))},
                {"mark": 5, "level_db": -3.0, "at_hz": 2000},
            ]
        }
    return RigCard.model_validate(table)


@given(rigs())
def test_what_is_written_is_read_back(card):
    assert parse_card(rig_text(card), RigCard, "written") == card


@given(rigs())
def test_a_written_card_is_the_same_after_a_file(tmp_path_factory, card):
    path = tmp_path_factory.getbasetemp() / "written.toml"
    path.write_bytes(rig_text(card).encode())
    assert load_rig(path) == card


def test_the_example_written_is_the_example():
    card = load_rig("wren-portable")
    assert parse_card(rig_text(card), RigCard, "written") == card
