"""``tapewright rig``: level steps, and a card made of a recording of them that ``window`` understands."""

from __future__ import annotations

import json

import numpy as np
import pytest
import soundfile

from command_line import run
from tapewright.cards.load import load_rig
from tapewright.machine.calibrate import CalibrationPlan

MARKS = (2.0, 4.0, 6.0, 8.0)
STEP_DB = 5.0


@pytest.fixture(scope="module")
def played(tmp_path_factory):
    """The steps through a recorder whose dial is turned by 5 dB from each to the next."""
    folder = tmp_path_factory.mktemp("rig")
    made = run("rig", "steps", "-o", folder / "steps.wav", "--marks", "2,4,6,8")
    assert made.code == 0
    assert "headphones" in made.out
    samples, rate_hz = soundfile.read(folder / "steps.wav")
    gain = np.full(len(samples), 10 ** (-20 / 20))
    for burst in CalibrationPlan(steps_db=(0.0,) * len(MARKS)).bursts:
        if burst.step > 0:
            gain[round((burst.start_seconds - 1) * rate_hz) :] = 10 ** (
                (-20 + STEP_DB * (burst.step - 1)) / 20
            )
    hiss = 1e-4 * np.random.default_rng(1).standard_normal(len(samples))
    soundfile.write(folder / "played.wav", gain * samples + hiss, rate_hz)
    return folder / "played.wav"


def test_the_card_has_the_levels_that_were_played(played, tmp_path):
    card = tmp_path / "mine.toml"
    ran = run(
        "rig", "measure", played, "-o", card, "--marks", "2,4,6,8", "--millivolts", "3=200", "--source", "12"
    )
    assert ran.code == 0, ran.err
    rig = load_rig(card)
    points = rig.volume.points
    assert [point.mark for point in points] == list(MARKS)
    assert np.diff([point.level_db for point in points]) == pytest.approx([STEP_DB] * 3, abs=0.1)
    assert points[2].millivolts == 200
    assert rig.ear is not None
    assert rig.ear.source_ohms == 12


def test_json_holds_the_card(played, tmp_path):
    ran = run("rig", "measure", played, "-o", tmp_path / "mine.toml", "--marks", "2,4,6,8", "--json")
    document = json.loads(ran.out)
    assert len(document["rig"]["volume"]["points"]) == 4
    assert document["speed"] == pytest.approx(1.0, abs=1e-3)


@pytest.mark.parametrize(
    "words, said",
    [
        (["--marks", "2,four"], "2,four"),
        (["--millivolts", "six"], "STEP=MV"),
        (["--marks", "2,4,6,8", "--name", "My Recorder"], "name"),
        (["--marks", "2,4,4,2"], "measure"),
    ],
)
def test_what_cannot_be_is_told_in_a_sentence(played, tmp_path, words, said):
    assert said in run("rig", "measure", played, "-o", tmp_path / "x.toml", *words).refusal
    assert not (tmp_path / "x.toml").exists()


def test_a_card_that_is_there_stays(played, tmp_path):
    card = tmp_path / "mine.toml"
    card.write_text("mine")
    assert "there already" in run("rig", "measure", played, "-o", card, "--marks", "2,4,6,8").refusal
    assert card.read_text() == "mine"
