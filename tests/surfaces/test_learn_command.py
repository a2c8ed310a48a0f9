"""``tapewright learn``: a machine learned from its own saves, and what is said where that fails."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile

import tapewright as tw
from command_line import Ran, run

CERTAINTIES = {"certain", "likely", "open"}


@dataclass(frozen=True)
class Saves:
    """Two saves of a made-up machine, what they hold, and what was learned of them."""

    folder: Path
    learned: Ran
    report: str

    def path(self, name: str) -> Path:
        return self.folder / name


def make_program(path: Path, seed: int, count: int) -> None:
    path.write_bytes(np.random.default_rng(seed).integers(0, 256, count).astype(np.uint8).tobytes())


@pytest.fixture(scope="module")
def saves(tmp_path_factory: pytest.TempPathFactory) -> Saves:
    folder = tmp_path_factory.mktemp("learn")
    for name, seed, count, start in (("one", 5, 64, "0x0243"), ("two", 6, 41, "0x1357")):
        make_program(folder / f"{name}.bin", seed, count)
        run(
            "write", folder / f"{name}.bin", "--start", start, "-o", folder / f"{name}.wav",
            "--format", "heron-cycle-1600",
        )  # fmt: skip
    learned = run(
        "learn", folder / "one.wav", folder / "two.wav", "--known", folder / "one.bin", folder / "two.bin",
        "--start", "0x0243", "0x1357", "-o", folder / "mine.toml", "--report", folder / "mine.html",
    )  # fmt: skip
    return Saves(folder, learned, (folder / "mine.html").read_text(encoding="utf-8"))


def test_it_ends_with_0_and_says_what_was_found_how_sure_and_what_to_record_next(saves: Saves) -> None:
    assert saves.learned.code == 0, saves.learned.err
    out = saves.learned.out
    assert re.search(r"header field start +certain +address of the first byte, 2 bytes, low byte first", out)
    assert re.search(r"check +likely +the sum mod 256 of start, length and data", out)
    assert "header field length: number of bytes, 1 byte; then always 00" in out
    assert "Save a longer program" in out
    assert out.count("bytes right, check agrees") == 2
    assert "all 105 known bytes and their checks agree" in out
    assert f"Card: {saves.path('mine.toml')}" in out


def test_the_card_keeps_the_rules_and_reads_a_save_it_was_not_learned_from(
    saves: Saves, tmp_path: Path
) -> None:
    assert run("formats", "check", saves.path("mine.toml")).code == 0
    make_program(tmp_path / "new.bin", 7, 150)
    run(
        "write", tmp_path / "new.bin", "--start", "0xC0DE", "-o", tmp_path / "new.wav", "--format",
        "heron-cycle-1600", "--rate", 22050,
    )  # fmt: skip
    verdict = run(
        "verify", tmp_path / "new.wav", tmp_path / "new.bin", "--start", "0xC0DE", "--format",
        saves.path("mine.toml"),
    )  # fmt: skip
    assert verdict.code == 0, verdict.out


def test_what_the_card_writes_the_machine_reads(saves: Saves, tmp_path: Path) -> None:
    """The machine is stood in for by the card it was made with."""
    make_program(tmp_path / "new.bin", 8, 90)
    run(
        "write", tmp_path / "new.bin", "--start", "0x0300", "-o", tmp_path / "new.wav", "--format",
        saves.path("mine.toml"),
    )  # fmt: skip
    verdict = run(
        "verify", tmp_path / "new.wav", tmp_path / "new.bin", "--start", "0x0300", "--format",
        "heron-cycle-1600",
    )  # fmt: skip
    assert verdict.code == 0, verdict.out


def test_json_has_every_conclusion_with_its_evidence_and_nothing_else_on_stdout(
    saves: Saves, tmp_path: Path
) -> None:
    ran = run(
        "learn", saves.path("one.wav"), "--known", saves.path("one.bin"), "--start", "0x0243", "-o",
        tmp_path / "one.toml", "--json",
    )  # fmt: skip
    told = json.loads(ran.out)
    assert (ran.code, told["proved"], told["stage"]) == (0, True, "card")
    assert told["card"] == str(tmp_path / "one.toml")
    (back,) = told["proof"]
    timings = back.pop("timings")
    path = str(saves.path("one.wav"))
    assert back == {"path": path, "right": 64, "total": 64, "check": "ok", "differences": []}
    assert timings["compared"] > 64 * 8  # at least a half-wave for every bit
    assert timings["offset_us"] < 2.0  # of 208; the recording is the format's perfect sound
    by_name = {conclusion["what"]: conclusion for conclusion in told["conclusions"]}
    assert {conclusion["certainty"] for conclusion in told["conclusions"]} <= CERTAINTIES
    assert all(conclusion["evidence"].endswith(".") for conclusion in told["conclusions"])
    assert by_name["check"]["certainty"] != "certain"  # one recording, eight bits
    assert "check" in [what for suggestion in told["next"] for what in suggestion["settles"]]


def test_a_format_without_header_and_check(tmp_path: Path) -> None:
    make_program(tmp_path / "one.bin", 9, 60)
    run("write", tmp_path / "one.bin", "-o", tmp_path / "one.wav", "--format", "kcs-300")
    ran = run(
        "learn", tmp_path / "one.wav", "--known", tmp_path / "one.bin", "-o", tmp_path / "My Machine.toml"
    )  # fmt: skip
    assert ran.code == 0, ran.err
    assert re.search(r"framing +certain +start 0, 8 bits, stop 11", ran.out)
    assert "60 of 60 bytes right, no check" in ran.out
    assert tw.load_format(tmp_path / "My Machine.toml").name == "my-machine"


def test_programs_in_another_order_are_told_to_be_put_in_order(saves: Saves, tmp_path: Path) -> None:
    ran = run(
        "learn", saves.path("one.wav"), saves.path("two.wav"),
        "--known", saves.path("two.bin"), saves.path("one.bin"), "-o", tmp_path / "no.toml",
    )  # fmt: skip
    assert ran.code == 1
    assert "check that recordings and programs are in the same order" in ran.out


def test_known_bytes_that_are_not_there_leave_no_card_and_a_page_that_shows_how_far_it_got(
    saves: Saves, tmp_path: Path
) -> None:
    ran = run(
        "learn", saves.path("one.wav"), "--known", saves.path("two.bin"), "-o", tmp_path / "no.toml",
        "--report", tmp_path / "no.html",
    )  # fmt: skip
    assert ran.code == 1
    assert not (tmp_path / "no.toml").exists()
    assert "The sound is data (single cycles), but the known bytes do not appear in it." in ran.out
    assert "check that the program file is what was saved" in ran.out
    page = (tmp_path / "no.html").read_text(encoding="utf-8")
    assert 'id="data-half-waves"' in page
    assert 'id="data-symbols"' in page
    bits = re.sub(
        r"<[^>]*>",
        "",
        page[page.index('class="aligned bits"') : page.index("</table>", page.index("aligned bits"))],
    )
    assert re.search("[01]{96}", bits)


def test_noise_is_no_data(tmp_path: Path) -> None:
    noise = np.random.default_rng(1).normal(0, 0.1, 3 * 44_100).astype(np.float32)
    soundfile.write(tmp_path / "noise.wav", noise, 44_100)
    make_program(tmp_path / "one.bin", 5, 64)
    ran = run(
        "learn", tmp_path / "noise.wav", "--known", tmp_path / "one.bin", "-o", tmp_path / "no.toml",
        "--json", "--report", tmp_path / "no.html",
    )  # fmt: skip
    told = json.loads(ran.out)
    assert (ran.code, told["card"], told["conclusions"]) == (1, None, [])
    assert told["stage"] in ("sound", "bits")
    assert told["remedy"]
    assert "these" not in f"{told['sentence']} {told['remedy']}"  # it is one recording
    page = (tmp_path / "no.html").read_text(encoding="utf-8")
    assert 'id="data-half-waves"' in page
    assert 'id="data-symbols"' in page


def test_without_known_bytes_it_is_a_guess_and_never_certain(saves: Saves, tmp_path: Path) -> None:
    ran = run(
        "learn", saves.path("one.wav"), saves.path("two.wav"), "-o", tmp_path / "guess.toml", "--report",
        tmp_path / "guess.html", "--json",
    )  # fmt: skip
    told = json.loads(ran.out)
    assert (ran.code, told["guess"], told["proved"]) == (1, True, False)
    assert "certain" not in {conclusion["certainty"] for conclusion in told["conclusions"]}
    assert "--known" in " ".join(
        [*(suggestion["words"] for suggestion in told["next"]), told["remedy"] or ""]
    )
    assert (tmp_path / "guess.toml").exists() == (told["card"] is not None)
    assert (tmp_path / "guess.html").exists()


def test_the_recording_that_holds_something_else_is_named(saves: Saves, tmp_path: Path) -> None:
    ran = run(
        "learn", saves.path("one.wav"), saves.path("two.wav"), "--known", saves.path("one.bin"), "-o",
        tmp_path / "half.toml",
    )  # fmt: skip
    assert ran.code == 1
    assert "recording 2" in ran.out


def test_the_page_shows_bytes_one_under_another_and_what_each_was_taken_for(saves: Saves) -> None:
    aligned = saves.report[saves.report.index('class="aligned"') :]
    rows = re.findall(r"<tr>.*?</tr>", aligned[: aligned.index("</table>")], re.S)
    assert re.findall(r"<th>(\w*)</th>", rows[0]) == ["", "sync", "start", "length", "data", "check"]
    cells = [dict(re.findall(r'<b class="(\w+)">([^<]*)</b>', row)[:4]) for row in rows[1:]]
    assert [cell["sync"] for cell in cells] == ["96 ×8 2D"] * 2
    fields = [re.findall(r'<b class="field">([^<]*)</b>', row) for row in rows[1:]]
    assert fields == [["43 02", "40 00"], ["57 13", "29 00"]]
    first = saves.path("one.bin").read_bytes()
    assert cells[0]["data"].startswith(first[:8].hex(" ").upper())


def test_the_page_has_the_card_the_conclusions_and_nothing_from_elsewhere(saves: Saves) -> None:
    assert "sum8" in saves.report
    assert "Or: number of bytes, 1 byte; then always 00" in saves.report
    assert "default-src 'none'" in saves.report
    assert not re.search(r'(?:src|href)="', saves.report.partition("plot-settings")[0])


@pytest.mark.needs_tool("chromium")
def test_a_browser_draws_the_pictures_and_complains_of_nothing(saves: Saves, tmp_path: Path) -> None:
    browser = shutil.which("chromium")
    assert browser is not None
    drawn = subprocess.run(
        [browser, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
         "--disable-background-networking", "--disable-component-update", "--disable-sync",
         f"--user-data-dir={tmp_path / 'profile'}", "--enable-logging=stderr", "--virtual-time-budget=10000",
         "--dump-dom", saves.path("mine.html").as_uri()],
        capture_output=True, text=True, timeout=120, check=True,
    )  # fmt: skip
    assert "CONSOLE" not in drawn.stderr
    for name in ("half-waves", "symbols"):
        figure = drawn.stdout[
            drawn.stdout.index(f'id="plot-{name}"') : drawn.stdout.index(f'id="data-{name}"')
        ]
        assert 'class="main-svg"' in figure


def test_from_python(saves: Saves, tmp_path: Path) -> None:
    program = tw.load_image(saves.path("one.bin"), address=0x0243)
    lesson = tw.learn_format(tw.load_audio(saves.path("one.wav")), known=program, card_name="mine")
    assert lesson.card is not None
    assert lesson.card.name == "mine"
    assert lesson.is_proved
    lesson.save(tmp_path / "mine.toml")
    with pytest.raises(tw.OutputError, match="is there already"):
        lesson.save(tmp_path / "mine.toml")


REFUSED = {
    "start without bytes": (
        ["one.wav", "--start", "0243", "-o", "x.toml"],
        "an address or a name says something of known bytes; give those too, or neither",
    ),
    "count": (
        ["one.wav", "--known", "one.bin", "two.bin", "-o", "x.toml"],
        "2 known programs do not go with one recording; give one for each recording, in the same order",
    ),
    "starts": (
        ["one.wav", "--known", "one.bin", "--start", "0x200", "0x300", "-o", "x.toml"],
        "2 addresses do not go with one recording",
    ),
    "names": (
        ["one.wav", "two.wav", "one.wav", "--known", "one.bin", "--name", "A", "B", "-o", "x.toml"],
        "2 names do not go with 3 recordings",
    ),
    "address": (["one.wav", "--known", "one.bin", "--start", "512", "-o", "x.toml"], "could be decimal or"),
    "few": (["one.wav", "--known", "few.bin", "-o", "x.toml"], "few.bin has 3 bytes, too few"),
    "alike": (["one.wav", "--known", "alike.bin", "-o", "x.toml"], "64 bytes of alike.bin are too much"),
    "ranges": (["one.wav", "--known", "gappy.txt", "-o", "x.toml"], "gappy.txt has 2 ranges of addresses"),
    "no sound": (["nowhere.wav", "--known", "one.bin", "-o", "x.toml"], "nowhere.wav: no such file"),
    "no program": (["one.wav", "--known", "nowhere.hex", "-o", "x.toml"], "nowhere.hex: there is no such"),
    "text": (["few.bin", "--known", "one.bin", "-o", "x.toml"], "few.bin is not audio"),
    "suffix": (["one.wav", "--known", "one.bin", "-o", "x.txt"], "x.txt: a format card is a .toml file"),
    "page": (
        ["one.wav", "--known", "one.bin", "-o", "x.toml", "--report", "x.pdf"],
        "x.pdf: the report is a page for the browser",
    ),
    "there": (["one.wav", "--known", "one.bin", "-o", "mine.toml"], "mine.toml is there already"),
    "report there": (
        ["one.wav", "--known", "one.bin", "-o", "x.toml", "--report", "mine.html"],
        "mine.html is there already",
    ),
    "output": (["one.wav", "--known", "one.bin"], "--output (-o) is missing"),
}  # fmt: skip


@pytest.mark.parametrize("case", REFUSED)
def test_mistakes_are_one_sentence(case: str, saves: Saves, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(saves.folder)
    saves.path("few.bin").write_bytes(b"abc")
    saves.path("alike.bin").write_bytes(bytes(64))
    saves.path("gappy.txt").write_text("0200: 01 02\n0300: 03\n")
    words, expected = REFUSED[case]
    before = saves.path("mine.toml").read_text()
    assert expected in run("learn", *words).refusal
    assert saves.path("mine.toml").read_text() == before
    assert not saves.path("x.toml").exists()
