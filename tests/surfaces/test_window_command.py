"""``tapewright window``: what it says, how it ends, the map as a file, and its JSON."""

from __future__ import annotations

import importlib
import json
import math
import xml.etree.ElementTree as ET
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import pytest

from command_line import BARE_CARD, PROGRAM, QUICK_CARD, START, Ran, run
from tapewright.audio import create_audio, load
from tapewright.machine.whatif import tolerance

window_chain = importlib.import_module("tapewright.chain.window")  # the package's name is the function
#: One transistor behind a small capacitor; its pull-down sits in the lead.
BOARD_CARD = """
card   = "machine"
name   = "test-board"
title  = "A board for the tests"
source = "made up for the tests"
format = "kcs-1200"
[input]
kind = "transistor"
coupling_farads = "100n"
pulldown_ohms = "10k"
is_pulldown_in_lead = true
base_ohms = "10k"
collector_ohms = "4.7k"
gain = 200
low_volts = 1.4
high_volts = 1.4
[loop]
poll_seconds = "10u"
reads = "cycle"
limits = ["280u", "600u", "1200u"]
[[caution]]
text = "Pin 4 carries <12 V>: leave it open."
"""
#: Nothing to load with.
DEAF_CARD = """
card   = "machine"
name   = "deaf-board"
title  = "A board that only saves"
source = "made up for the tests"
format = "kcs-1200"
[output]
bit_ohms = ["10k"]
"""


@dataclass(frozen=True)
class Desk:
    """Files of a session."""

    folder: Path
    program: Path
    sound: Path
    format: Path
    board: Path

    def window(self, *words: object, sound: object = None) -> Ran:
        what = ["--start", hex(START)] if sound is None else []
        return run(
            "window", sound or self.program, *what, "--machine", self.board, "--format", self.format, *words
        )


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    folder = tmp_path_factory.mktemp("window")
    found = Desk(
        folder, folder / "program.bin", folder / "tape.wav", folder / "quick.toml", folder / "board.toml"
    )
    found.program.write_bytes(PROGRAM)
    found.format.write_text(QUICK_CARD)
    found.board.write_text(BOARD_CARD)
    (folder / "deaf.toml").write_text(DEAF_CARD)
    ran = run(
        "write",
        found.program,
        "-o",
        found.sound,
        "--format",
        found.format,
        "--start",
        hex(START),
        "--name",
        "TEST",
    )
    assert ran.code == 0
    return found


@pytest.fixture(scope="module")
def good(desk: Desk) -> Ran:
    return desk.window("--volts", 1.5)


@pytest.fixture(scope="module")
def bad_json(desk: Desk) -> dict:
    ran = desk.window("--volts", 0.2, "--json")
    assert (ran.code, ran.err) == (1, "")

    def refuse(constant: str) -> None:
        raise AssertionError(f"{constant} is not JSON")

    return json.loads(ran.out, parse_constant=refuse)


def test_a_level_that_loads(good):
    assert good.code == 0
    first = good.out.splitlines()[0]
    assert first.startswith("It loads at 1.50 V. The window")
    assert "set " in first
    assert good.out.splitlines()[-1] == "Before you connect anything: Pin 4 carries <12 V>: leave it open."


def test_a_level_that_is_too_low_with_the_remedy_and_where_it_loads(desk):
    ran = desk.window("--level", -14)
    assert ran.code == 1
    first, second = ran.out.splitlines()[:2]
    assert first.startswith("It does not load at 200 mV.")
    assert "too quiet" in first
    assert second.startswith("The window")


def test_volts_and_decibels_are_the_same(desk, good):
    level = 20 * math.log10(1.5)
    assert desk.window("--level", level).out == good.out


def test_without_a_level_it_is_asked_whether_it_loads_anywhere(desk):
    assert desk.window().code == 0
    ran = desk.window("--bare-lead", "--change", "base_ohms=100")
    assert ran.code == 1
    assert "no level at which it loads" in ran.out


def test_a_recording_is_as_good_as_the_program(desk, good):
    ran = desk.window("--volts", 1.5, sound=desk.sound)
    assert ran.code == 0

    def edge(told: Ran) -> float:
        line = next(line for line in told.out.splitlines() if line.startswith("  loads "))
        return float(line.split("from ")[1].split(" to ")[0])

    assert edge(ran) == pytest.approx(edge(good), rel=0.1)


def test_the_map_in_the_terminal_has_tones_upwards_and_marks_what_was_asked(good):
    rows = [line for line in good.out.splitlines() if " Hz  " in line or line.strip().startswith("open  ")]
    cells = [row[13:] for row in rows]
    assert len(rows) == 20
    assert {len(row) for row in cells} == {41}
    assert sum(row.count("?") for row in cells) == 1
    assert set("".join(cells)) <= set("#+.?")
    hertz = [float(row.split()[0]) for row in rows[1:]]
    assert hertz == sorted(hertz, reverse=True)


def test_what_if_a_part_is_another(desk, good):
    ran = desk.window("--volts", 1.5, "--change", "base_ohms=20")
    assert ran.code == 1


def test_json_is_complete(bad_json):
    assert list(bad_json) == [
        "loads", "sentence", "machine", "format", "level_db", "tone_hz", "windows", "best", "marks", "reason",
        "obstacle", "doubt", "map", "changes", "lead_parts", "tolerance",
    ]  # fmt: skip
    assert bad_json["loads"] is False
    assert (bad_json["machine"], bad_json["format"]) == ("test-board", "quick-test")
    assert bad_json["level_db"] == pytest.approx(20 * math.log10(0.2))
    best = bad_json["best"]
    assert best["volts_peak"] == pytest.approx(10 ** (best["level_db"] / 20), abs=1e-3)
    assert any(one["low_db"] <= best["level_db"] <= one["high_db"] for one in bad_json["windows"])


def test_json_has_everything_the_map_shows(bad_json):
    shown = bad_json["map"]
    shape = len(shown["tones_hz"]), len(shown["levels_db"])
    assert shape == (20, 41)
    assert shown["tones_hz"][-1] is None  # no tone control
    for key in ("loads", "certain", "margin_db", "timing"):
        assert (len(shown[key]), {len(row) for row in shown[key]}) == (shape[0], {shape[1]}), key
    for loads, margins, timings in zip(shown["loads"], shown["margin_db"], shown["timing"], strict=True):
        assert [margin > 0 for margin in margins] == loads
        assert [timing is not None for timing in timings] == loads


def test_json_tells_the_reason_with_its_evidence(bad_json):
    reason = bad_json["reason"]
    assert reason["kind"] == "too quiet"
    assert reason["sentence"] in bad_json["sentence"]
    assert len(reason["seconds_shown"]) == len(reason["volts_shown"]) > 100
    assert reason["seconds_shown"][0] < reason["seconds"] < reason["seconds_shown"][-1]
    assert max(reason["volts_shown"]) == pytest.approx(0.2, abs=0.05)
    assert len(reason["edges"]) < reason["edges_due"]


@pytest.fixture
def few_machines(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(window_chain, "tolerance", partial(tolerance, machines=20))


@pytest.mark.usefixtures("few_machines")
def test_json_of_a_tolerance_run(desk):
    ran = desk.window("--tolerance", "--change", "gain=2", "--json")
    told = json.loads(ran.out)
    run_of = told["tolerance"]
    assert told["changes"] == {"gain": 2.0}
    assert (told["level_db"], told["reason"]) == (None, None)
    assert len(run_of["share"]) == len(run_of["levels_db"])
    assert set(run_of["parts"][0]) == {"part", "factor", "low_db", "high_db"}
    (nominal, *_), (window, *_) = told["windows"], run_of["windows"]
    assert window["low_db"] >= nominal["low_db"]


@pytest.mark.usefixtures("few_machines")
def test_a_tolerance_run_in_words(desk):
    ran = desk.window("--tolerance")
    assert "machines with parts within their tolerances, 95 % load from" in ran.out


def test_the_map_as_a_page(desk):
    page = desk.folder / "map.html"
    ran = desk.window("--volts", 0.2, "--map", page)
    assert ran.code == 1  # the level does not load; the map is there
    text = page.read_text(encoding="utf-8")
    assert "does not load at 200 mV" in text
    assert "Where it goes wrong" in text
    assert "Pin 4 carries &lt;12 V&gt;: leave it open." in text
    assert "loudspeaker socket can give several volts" in text
    assert "src=" not in text.split("<script>")[0]
    assert "http" not in text.split("<script>")[0].split("</style>")[1]


def test_the_map_as_a_picture(desk, bad_json):
    picture = desk.folder / "map.svg"
    desk.window("--map", picture)
    drawn = ET.parse(picture).getroot()
    cells = drawn.findall("{http://www.w3.org/2000/svg}rect")[1:]
    assert len(cells) == 20 * 41
    filled = [cell for cell in cells if cell.get("fill-opacity")]
    assert len(filled) == sum(map(sum, bad_json["map"]["loads"]))
    assert "test-board" in picture.read_text()


def test_the_map_as_pixels(desk):
    picture = desk.folder / "map.png"
    desk.window("--map", picture)
    assert picture.read_bytes().startswith(b"\x89PNG\r\n\x1a\n")


@pytest.mark.parametrize("name", ["kept.html", "kept.svg", "kept.png"])
def test_a_map_that_is_there_is_kept_unless_forced(desk, name):
    kept = desk.folder / name
    kept.write_text("mine")
    assert "--force" in desk.window("--map", kept).refusal
    assert kept.read_text() == "mine"
    assert desk.window("--map", kept, "--force").code == 0
    assert kept.read_bytes()[:4] != b"mine"


@pytest.mark.parametrize(
    "words, said",
    [
        (["--volts", 0], "--volts 0 is no level"),
        (["--volts", "nan"], "is no level"),
        (["--volts", 1, "--level", 0], "say the same"),
        (["--level", 900], "900 dB is no playback level"),
        (["--level", "nan"], "no playback level"),
        (["--tone", 0], "0 Hz is no tone setting"),
        (["--tone", -3000], "no tone setting"),
        (["--source", -1], "at least 0 ohms"),
        (["--change", "gain"], "write PART=FACTOR"),
        (["--change", "gain=lots"], "write PART=FACTOR"),
        (["--change", "gain=0"], "give a factor above 0"),
        (["--change", "gain=inf"], "give a factor above 0"),
        (["--change", "valve_ohms=2"], "has no part 'valve_ohms'; it has base_ohms"),
        (["--mark", 3], "name the rig card"),
        (["--rig", "wren-portable", "--mark", 40], "no mark 40 on the volume dial; give one from 0 to 10"),
        (["--rig", "wren-portable", "--tone-mark", -1], "no mark -1 on the tone dial; give one from 0 to 10"),
        (["--map", "map.pdf"], "end it in .html, .svg, .png"),
        (["--map", "nowhere/map.svg"], "nowhere"),
    ],
)
def test_bad_options_are_refused_in_a_sentence(desk, words, said):
    assert said in desk.window(*words).refusal


def test_bad_machines_are_refused_in_a_sentence(desk):
    program, start = desk.program, ["--start", hex(START)]
    deaf = run("window", program, *start, "--machine", desk.folder / "deaf.toml")
    assert "[input] is missing" in deaf.refusal
    assert "no-such-board" in run("window", program, *start, "--machine", "no-such-board").refusal
    # two halves of one length, and limits for cycles
    alike = run("window", program, *start, "--machine", desk.board, "--format", "larch-biphase-l-2000")
    assert "load loop" in alike.refusal


def test_bad_sounds_are_refused_in_a_sentence(desk):
    assert "no-such.wav" in desk.window(sound=desk.folder / "no-such.wav").refusal
    text = desk.folder / "text.wav"
    text.write_text("not a sound")
    assert "text.wav" in desk.window(sound=text).refusal
    assert "has its own" in desk.window("--start", hex(START), sound=desk.sound).refusal


def test_a_recording_in_which_there_is_nothing(desk):
    silent = desk.folder / "silent.wav"
    with create_audio(silent, 44_100) as file:
        file.write(0 * load(desk.sound).samples)
    assert "the recording is silent" in desk.window(sound=silent).refusal


def test_sound_of_another_format_is_no_program_to_load(desk):
    other = desk.folder / "other.wav"
    run("write", desk.program, "--start", hex(START), "-o", other, "--format", "kcs-300")
    refusal = desk.window(sound=other).refusal
    assert "no program of format quick-test to load" in refusal
    assert "heard nowhere" in refusal


@pytest.fixture(scope="module")
def refused(desk: Desk) -> Path:
    """A tape that can be heard to the last bit, with a check that the format's own loader refuses."""
    card, tape = desk.folder / "negated.toml", desk.folder / "refused.wav"
    card.write_text(QUICK_CARD.replace('"sum8"', '"sum8-neg"'))
    ran = run("write", desk.program, "--start", hex(START), "-o", tape, "--format", card)
    assert ran.code == 0
    return tape


@pytest.mark.parametrize("asked", [(), ("--volts", 1.5)])
def test_a_tape_whose_check_fails_loads_nowhere(desk, refused, asked):
    ran = desk.window(*asked, sound=refused)
    assert ran.code == 1
    assert ran.out.startswith("It would hardly load at any level, since the check of the data block at")
    assert "set " not in ran.out
    assert not any(line.startswith("  loads") for line in ran.out.splitlines())


def test_json_says_what_is_wrong_with_the_tape_itself(desk, refused, bad_json):
    ran = desk.window("--json", "--map", desk.folder / "refused.html", sound=refused)
    told = json.loads(ran.out)
    assert (ran.code, told["loads"]) == (1, False)
    assert "check" in told["obstacle"]
    assert told["windows"]
    assert bad_json["obstacle"] is None
    page = (desk.folder / "refused.html").read_text()
    assert "does not load</p>" in page
    assert "its input hears every bit" in page
    assert "Where it loads" not in page
    assert "set here" not in page
    assert told["best"] is None


def _bare_tape(desk: Desk, name: str) -> tuple[Path, float]:
    """A tape of a format without a check, and when its program's middle is."""
    card, tape = desk.folder / "bare.toml", desk.folder / name
    card.write_text(BARE_CARD)
    run("write", desk.program, "--start", hex(START), "-o", tape, "--format", card, "--force")
    return tape, 0.5 + 1.0 + 0.5 * len(PROGRAM) * 10 / 1200


def test_a_tape_with_a_hole_loads_nowhere_though_no_check_says_so(desk):
    tape, middle = _bare_tape(desk, "hole.wav")
    heard = load(tape)
    samples = heard.samples.copy()
    at = round(middle * heard.rate_hz)
    samples[at : at + round(0.05 * heard.rate_hz)] = 0
    with create_audio(desk.folder / "holed.wav", heard.rate_hz) as file:
        file.write(samples)
    ran = run(
        "window", desk.folder / "holed.wav", "--machine", desk.board, "--format", desk.folder / "bare.toml"
    )
    assert ran.code == 1
    assert "cannot be heard on the recording itself" in ran.out.splitlines()[0]


def test_a_tape_that_ends_too_early_may_lack_bytes(desk):
    tape, middle = _bare_tape(desk, "whole.wav")
    heard = load(tape)
    with create_audio(desk.folder / "half.wav", heard.rate_hz) as file:
        file.write(heard.samples[: round(middle * heard.rate_hz)])
    words = ("--machine", desk.board, "--format", desk.folder / "bare.toml")
    assert "Bytes may be missing" in run("window", desk.folder / "half.wav", *words).out
    assert "Bytes may be missing" not in run("window", tape, *words).out
    told = json.loads(run("window", desk.folder / "half.wav", *words, "--json").out)
    assert told["doubt"].startswith("Bytes may be missing")
    assert told["sentence"].endswith(told["doubt"])
