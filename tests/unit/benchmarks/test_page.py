"""The benchmark page says what the files of figures say, and what is not met."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ET

import pytest

from benchmarks import history, start
from benchmarks.page.output import write

SVG = "{http://www.w3.org/2000/svg}"


def point(eb_n0_db, wrong, peer_wrong=None):
    """Give one point of a curve of 1000 bytes, with honest claims."""
    bins = {"total": [0.0] * 7 + [8000.0], "variance": [0.0] * 7 + [float(wrong)]}
    peer = {"peer_bits": 8000, "peer_wrong_bits": peer_wrong, "peer_bytes": 1000, "peer_wrong": peer_wrong}
    none = {"peer_bits": 0, "peer_wrong_bits": 0, "peer_bytes": 0, "peer_wrong": 0}
    errors = {"claimed": [0.0] * 7 + [float(wrong)], "actual": [0.0] * 7 + [float(wrong)]}
    return {
        "eb_n0_db": eb_n0_db, "bits": 8000, "wrong_bits": wrong, "bytes_": 1000, "wrong": wrong,
        "framed": 1000, "wrong_framed": wrong, "unlocked": 0, "runs": 1,
        **bins, **errors, **(none if peer_wrong is None else peer),
    }  # fmt: skip


def curve(card, loss_db, points, impairment="clean", peer=None):
    return {
        "card": card, "impairment": impairment, "ideal_db": 9.6, "textbook_db": 9.6,
        "needed_db": None if loss_db is None else 9.6 + loss_db, "sigma_db": 0.05, "framed_db": 9.9,
        "took_seconds": 60.0, "points": points, "peer": peer, "peer_needed_db": None,
        "no_peer": "" if peer else "nothing like it",
    }  # fmt: skip


def keep(folder, name, time, **results):
    content = {"what": "accuracy", "commit": name, "time": time, "curves": [], "nothing": [], **results}
    path = folder / f"{name}.json"
    path.write_text(json.dumps(content), encoding="utf-8")
    return path


def section(page, heading):
    return re.split(r"^## ", page.split(f"## {heading}\n")[1], flags=re.M)[0]


def row(page, heading, beginning):
    return next(line for line in section(page, heading).splitlines() if line.startswith(f"| {beginning}"))


@pytest.fixture
def made(tmp_path):
    """Make a page of two formats: one within its bar, one not; the older file has other figures for it."""
    points = [point(7.0, 90, 160), point(9.6, 10, 8), point(11.0, 0, 1)]
    old = keep(tmp_path, "old", "2026-01-01T00:00:00", curves=[curve("kcs-1200", 3.0, points)])
    new = keep(
        tmp_path, "new", "2026-01-02T00:00:00",
        curves=[
            curve("kcs-1200", 0.1, points, peer="liquid-dsp 9.9"),
            curve("larch-biphase-l-2000", 0.7, [point(7.0, 90), point(9.6, 20)]),
            curve("kcs-1200", 1.5, points, "hum"),
            curve("kcs-1200", None, points, "wow"),
        ],
        nothing=[{"card": "kcs-1200", "sound": "speech", "after_program": False, "covered_percent": 1.0,
                  "sure_percent": 0.4}],
        dropouts=[{"card": "kcs-1200", "depth_db": db, "bytes_": 500, "wrong": 50, "unflagged": n}
                  for db, n in ((20.0, 0), (30.0, 4))]
        + [{"card": "kcs-1200", "depth_db": 30.0, "layer": "read", "bytes_": 400, "wrong": 40,
            "unflagged": 2}],
    )  # fmt: skip
    page = write([new, old], tmp_path / "docs")
    return page


def test_bars_that_are_not_met_are_listed_with_their_figures(made):
    page = made.read_text(encoding="utf-8")
    bars = "The bars, and which are not met"
    assert "| 1 of 2 | `larch-biphase-l-2000` +0.70 |" in row(page, bars, "clean")
    assert "| 0 of 1 | `kcs-1200` +1.50 |" in row(page, bars, "hum")
    assert "| 0 of 1 | `kcs-1200` > +1.4 |" in row(page, bars, "wow")
    assert "| not measured |  |" in row(page, bars, "drift")
    text = section(page, bars)
    assert re.search(r"^\| wrong bytes in dropouts .* receiver's bits .*`kcs-1200` 4\.0 %", text, re.M)
    assert re.search(r"^\| wrong bytes in dropouts .* whole chain .*`kcs-1200` 5\.0 %", text, re.M)
    assert "`kcs-1200` 0.40 % in speech" in row(page, bars, "symbols surer than 0.99")


def test_the_newest_figure_counts_whatever_the_order_of_files(made):
    page = made.read_text(encoding="utf-8")
    assert "| 9.70 | 0.05 | +0.10 | 0.3 | 9.90 |" in row(page, "Noise alone", "[`kcs-1200`]")
    assert "`old`" not in page


def test_what_is_beyond_its_bar_is_bold(made):
    page = made.read_text(encoding="utf-8")
    assert row(page, "Loss by impairment", "`kcs-1200`") == "| `kcs-1200` | **> +1.4** | **+1.50** |"
    assert row(page, "Dropouts", "`kcs-1200` | 20") == "| `kcs-1200` | 20 | 500 | 50 | 0 |  |  |  |"
    both = "| `kcs-1200` | 30 | 500 | 50 | **4** | 400 | 40 | **2** |"
    assert row(page, "Dropouts", "`kcs-1200` | 30") == both
    assert "**+0.70**" in row(page, "Noise alone", "[`larch-biphase-l-2000`]")


def test_the_peer_is_compared_point_by_point(made):
    text = section(made.read_text(encoding="utf-8"), "Against a general FSK demodulator")
    assert re.findall(r"^\| `kcs-1200` \| ([\d.]+) .* \| ([\w, ]+) \|$", text, re.M) == [
        ("7.0", "better"),
        ("9.6", "worse, by chance"),
        ("11.0", "better"),
    ]
    assert "liquid-dsp 9.9" in text
    assert "- nothing like it: `larch-biphase-l-2000`" in text


def test_each_plot_has_every_point_and_stays_small(made):
    plots = sorted((made.parent / "benchmarks").glob("*.svg"))
    assert [plot.stem for plot in plots] == ["kcs-1200", "larch-biphase-l-2000"]
    counts = []
    for plot in plots:
        assert plot.stat().st_size < 40_000
        tree = ET.parse(plot)
        counts.append((len(tree.findall(f"{SVG}circle")), len(tree.findall(f"{SVG}rect")) - 1))
    # where no byte was wrong there is an arrow in place of the circle; one rectangle is the background
    assert counts == [(2, 3), (2, 0)]


def test_points_lie_where_the_axes_say(made):
    tree = ET.parse(made.parent / "benchmarks" / "larch-biphase-l-2000.svg")
    words = {text.text: text for text in tree.findall(f"{SVG}text")}
    at = {name: float(words[name].get("x")) for name in ("5", "8")}
    first, second = ((float(c.get("cx")), float(c.get("cy"))) for c in tree.findall(f"{SVG}circle"))
    scale = (at["8"] - at["5"]) / 3
    assert first[0] == pytest.approx(at["5"] + 2.0 * scale, abs=0.2)
    assert second[0] == pytest.approx(at["5"] + 4.6 * scale, abs=0.2)
    # 0.09 and 0.02 on an axis of four decades
    decade = (400 - 34 - 48) / 4
    assert second[1] - first[1] == pytest.approx(0.6532 * decade, abs=0.2)


def test_the_same_figures_make_the_same_page(made, tmp_path):
    files = [tmp_path / "old.json", tmp_path / "new.json"]
    again = write(files, tmp_path / "again")
    assert again.read_bytes() == made.read_bytes()
    for plot in (made.parent / "benchmarks").iterdir():
        assert (tmp_path / "again" / "benchmarks" / plot.name).read_bytes() == plot.read_bytes()


def test_delays_of_live_sound_are_held_against_their_bar(tmp_path):
    slow, quick = (
        {
            "card": card,
            "symbols": 1490,
            "unlike_file": 2,
            "mean_ms": 60.2,
            "most_ms": most,
            "times_real_time": 7.25,
        }
        for card, most in (("v21-300", 103.0), ("kcs-300", 79.0))
    )
    file = keep(tmp_path, "live", "2026-01-03T00:00:00", what="live", delays=[slow, quick])
    page = write([file], tmp_path / "docs").read_text(encoding="utf-8")
    bars = "The bars, and which are not met"
    assert "| within 100 ms | 1 of 2 | `v21-300` 103 ms |" in row(page, bars, "a symbol of data is told live")
    assert row(page, "Live", "`v21-300`") == "| `v21-300` | 1490 | 2 | 60 | **103** | 7.2 |"


def test_formats_learned_are_added_up_over_families_and_held_against_their_bars(tmp_path):
    def of(family, recordings, right, claims=10, wrong=0, certain=0):
        return {"family": family, "recordings": recordings, "first": 0, "formats": 50, "right": right,
                "untold": 5 // recordings, "claims": claims, "wrong": wrong, "certain": certain,
                "beside": 3, "cpu_seconds": 1.0}  # fmt: skip

    older = keep(
        tmp_path, "older", "2026-01-02T00:00:00", what="learn",
        learned=[of("levels", 1, 0), of("bursts", 2, 49), of("bursts", 3, 50, 190, 0, 1)],
    )  # fmt: skip
    newer = keep(
        tmp_path, "newer", "2026-01-03T00:00:00", what="learn",
        learned=[of("levels", 1, 40), of("levels", 2, 49, wrong=1), of("levels", 3, 49, wrong=1),
                 of("bursts", 1, 45)],
    )  # fmt: skip
    page = write([newer, older], tmp_path / "docs").read_text(encoding="utf-8")
    bars = "The bars, and which are not met"
    assert "| at least 85 % | 1 of 1 |" in row(page, bars, "made-up formats learned fully right from 1")
    assert "| at least 97 % | 1 of 1 |" in row(page, bars, "made-up formats learned fully right from 2")
    assert "| 1 of 1 |  |" in row(page, bars, "made-up formats learned fully right from 3")
    claims = row(page, bars, "wrong claims about checks")
    assert "`2 recordings` 5.00 %, 0 of them called certain" in claims
    assert "`3 recordings` 0.50 %, 1 of them called certain" in claims
    assert row(page, "Learning", "levels") == "| levels | 40 of 50 | 49 of 50 | 49 of 50 |"
    assert row(page, "Learning", "all") == "| all | 85 of 100 | 98 of 100 | 99 of 100 |"
    assert row(page, "Learning", "in percent") == "| in percent | 85.0 | 98.0 | 99.0 |"
    assert row(page, "Learning", "check told to nobody") == "| check told to nobody | 10 | 4 | 2 |"
    assert row(page, "Learning", "3 recordings") == "| 3 recordings | 200 | 1 | 1 | 6 |"


def test_starts_are_held_against_their_bars_and_auto_is_told_without_one(tmp_path):
    named = {"recording": "short", "seconds": 10.0, "first_message_seconds": 1.25}
    file = keep(
        tmp_path, "start", "2026-01-03T00:00:00", what="start",
        starts=[
            {"card": "kcs-1200", "first_cpu_seconds": 15.0, "later_cpu_seconds": 1.6, **named},
            {"card": "v21-300", "first_cpu_seconds": 21.0, "later_cpu_seconds": 1.2, **named},
            {"card": "auto", "recording": "long, kcs-1200", "seconds": 600.0, "later_cpu_seconds": 33.0},
        ],
    )  # fmt: skip
    page = write([file], tmp_path / "docs").read_text(encoding="utf-8")
    bars = "The bars, and which are not met"
    assert "| within 20 s | 1 of 2 | `v21-300` 21.0 s |" in row(page, bars, "first start")
    assert "| under 1.5 s | 1 of 2 | `kcs-1200` 1.6 s |" in row(page, bars, "later starts")
    assert row(page, "Starting", "`v21-300`") == "| `v21-300` | 10 s | 21.0 | 1.2 | 1.2 |"
    assert row(page, "Starting", "`auto`") == "| `auto` | 10 min of `kcs-1200` |  |  | 33.0 |"


def test_speeds_say_how_long_the_recording_was(tmp_path):
    run = {"card": "kcs-300", "recording": "clean", "times_library": 7.0, "peak_megabytes": 250.0}
    file = keep(
        tmp_path, "speed", "2026-01-03T00:00:00", what="speed",
        runs=[run | {"seconds": 600.0, "times_real_time": 280.0},  # too short for the bar
              run | {"seconds": 1800.0, "times_real_time": 290.0}],
    )  # fmt: skip
    newer = keep(  # of another length: both are told
        tmp_path, "speed-of-an-hour", "2026-01-04T00:00:00", what="speed",
        runs=[run | {"seconds": 3600.0, "times_real_time": 320.0}],
    )  # fmt: skip
    page = write([file, newer], tmp_path / "docs").read_text(encoding="utf-8")
    bars = "The bars, and which are not met"
    assert row(page, "Speed", "`kcs-300` | clean | 60") == "| `kcs-300` | clean | 60 | 320 | 7 | 250 |"
    assert "| 1 of 2 | `kcs-300, 30 min` 290 |" in row(page, bars, "reading a clean recording")
    assert row(page, "Speed", "`kcs-300` | clean | 30") == "| `kcs-300` | clean | 30 | 290 | 7 | 250 |"


def test_a_command_that_fails_is_not_timed(tmp_path):
    tape = tmp_path / "tape.wav"
    tape.write_bytes(b"")
    with pytest.raises(RuntimeError, match=r"failed: .*tape\.wav"):
        start.run(tape, "kcs-300", tmp_path / "cache")


def test_a_second_run_of_a_commit_adds_to_the_first(tmp_path, monkeypatch):
    monkeypatch.setattr(history, "FOLDER", tmp_path)

    def kept(commit, *rows):
        return json.loads(history.save("accuracy", {"curves": list(rows)}, commit).read_text())["curves"]

    clean, hum = {"card": "a", "impairment": "clean", "x": 1}, {"card": "a", "impairment": "hum", "x": 2}
    kept("abc", clean)
    assert kept("abc", hum) == [clean, hum]
    assert kept("abc", {**clean, "x": 3}) == [hum, {**clean, "x": 3}]
    # nobody knows whether the same changes were there both times
    kept("abc-changed", clean)
    assert kept("abc-changed", hum) == [hum]
