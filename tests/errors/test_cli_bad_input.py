"""Whatever is handed in: one plain line on stderr, exit code 2, and nothing of the user's is touched."""

from __future__ import annotations

import importlib
import io

import numpy as np
import pytest
import soundfile

import tapewright.cli.app as app
from command_line import BARE_CARD, PROGRAM, QUICK_CARD, run

NOISE = np.random.default_rng(1).normal(0, 0.1, 44_100).astype(np.float32)


@pytest.fixture
def place(tmp_path, monkeypatch):
    """A folder with good files and bad ones, and nothing that may change."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "quick.toml").write_text(QUICK_CARD)
    (tmp_path / "bare.toml").write_text(BARE_CARD)
    (tmp_path / "bad.toml").write_text(QUICK_CARD.replace("title", "titel"))
    (tmp_path / "not.toml").write_text("[[[")
    (tmp_path / "program.bin").write_bytes(PROGRAM)
    (tmp_path / "gappy.txt").write_text("0200: 01 02\n0300: 03\n")
    (tmp_path / "crossed.hex").write_text(":02020000AABB00\n:00000001FF\n")
    (tmp_path / "folder").mkdir()
    (tmp_path / "empty.wav").touch()
    (tmp_path / "empty.bin").touch()
    (tmp_path / "text.wav").write_text("This is a letter.\n" * 50)
    soundfile.write(tmp_path / "sound.wav", NOISE, 44_100)
    (tmp_path / "mine.hex").write_text("mine")
    (tmp_path / "mine.wav").write_text("mine")
    (tmp_path / "mine.html").write_text("mine")
    (tmp_path / "mine.pdf").write_text("mine")
    spoiled = NOISE.copy()
    spoiled[4410] = np.nan
    soundfile.write(tmp_path / "nan.wav", spoiled, 44_100, subtype="FLOAT")
    soundfile.write(tmp_path / "many.wav", np.zeros((100, 32), np.float32), 44_100)
    soundfile.write(tmp_path / "fast.wav", NOISE, 4_000_000)
    soundfile.write(tmp_path / "slow.wav", NOISE, 100)
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir() if path.is_file()}
    yield tmp_path
    after = {path.name: path.read_bytes() for path in tmp_path.iterdir() if path.is_file()}
    assert after == before


READ = ["read", "--format", "quick.toml"]
WRITE = ["write", "program.bin", "--format", "quick.toml", "-o"]
REFUSED = {
    # recordings
    "missing": ([*READ, "nowhere.wav"], "nowhere.wav: no such file; check the name"),
    "folder": ([*READ, "folder"], "folder is a folder; give a sound file"),
    "empty": ([*READ, "empty.wav"], "empty.wav is empty; copy or download it again"),
    "text": ([*READ, "text.wav"], "text.wav is not audio"),
    "nan": ([*READ, "nan.wav"], "nan.wav: sample 4410 (at 0.100000 s) is not a finite number"),
    "many": ([*READ, "many.wav"], "many.wav: it has 32 channels; give a recording with 1 to 8"),
    "fast": ([*READ, "fast.wav"], "fast.wav: the sample rate is"),
    "slow": ([*READ, "slow.wav"], "slow.wav: the sample rate is 100 Hz"),
    "second": ([*READ, "sound.wav", "nowhere.wav"], "nowhere.wav: no such file"),
    "verify-missing": (["verify", "nowhere.wav", "program.bin"], "nowhere.wav: no such file"),
    "verify-image": (["verify", "sound.wav", "nowhere.bin"], "nowhere.bin: there is no such file"),
    # cards
    "card-key": (["read", "sound.wav", "--format", "bad.toml"], "bad.toml: titel: there is no key 'titel'"),
    "card-toml": (["read", "sound.wav", "--format", "not.toml"], "not.toml: this is not valid TOML"),
    "card-missing": (["read", "sound.wav", "--format", "no.toml"], "no.toml: no such file"),
    "card-near": (["read", "sound.wav", "--format", "kcs300"], "did you mean kcs-300?"),
    "machine-near": (["write", "program.bin", "-o", "x.wav", "--machine", "fescue"], "'fescue'"),
    "no-format": (["write", "program.bin", "-o", "x.wav"], "say which format to write"),
    "show-near": (["formats", "show", "heron"], "there is no format card named 'heron'"),
    "check": (["formats", "check", "bad.toml"], "bad.toml: titel"),
    # output that is there, or cannot be
    "out-there": ([*READ, "sound.wav", "-o", "mine.hex"], "mine.hex is there already"),
    "report-there": ([*READ, "sound.wav", "--report", "mine.html"], "mine.html is there already"),
    "wav-there": ([*WRITE, "mine.wav", "--start", "0200"], "mine.wav is there already"),
    "hex-there": (["image", "convert", "program.bin", "--start", "0200", "-o", "mine.hex"], "mine.hex is"),
    "pdf-there": (["image", "sheet", "program.bin", "-o", "mine.pdf"], "mine.pdf is there already"),
    "no-folder": ([*READ, "sound.wav", "-o", "no/x.hex"], "there is no folder no; make it first"),
    "out-folder": ([*READ, "sound.wav", "-o", "folder"], "folder is a folder; give the name of a file"),
    "out-itself": ([*READ, "sound.wav", "--report", "sound.wav", "--force"], "is the recording itself"),
    "out-kind": ([*READ, "sound.wav", "-o", "x.doc"], "suffix .doc is unknown"),
    "out-twice": ([*READ, "sound.wav", "-o", "x.hex", "--report", "x.hex"], "cannot be both"),
    "report-kind": ([*READ, "sound.wav", "--report", "x.pdf"], "name it .html"),
    "report-many": ([*READ, "sound.wav", "nan.wav", "--report", "x.html"], "a report shows one recording"),
    "audio-kind": ([*WRITE, "x.mp3", "--start", "0200"], "cannot write audio named .mp3"),
    # programs
    "no-image": (["image", "show", "nowhere.bin"], "nowhere.bin: there is no such file"),
    "empty-image": (["image", "show", "empty.bin"], "empty.bin: the file is empty"),
    "image-kind": (["image", "show", "sound.wav"], "suffix .wav is unknown"),
    "image-check": (["image", "show", "crossed.hex"], "crossed.hex"),
    "no-address": ([*WRITE, "x.wav"], "say where it starts (--start)"),
    "gaps": (["write", "gappy.txt", "--format", "bare.toml", "-o", "x.wav"], "2 ranges"),
    "gaps-bin": (["image", "convert", "gappy.txt", "-o", "x.bin"], "cannot hold the gap from 0202h to"),
    "read-address": (["read", "sound.wav", "--format", "bare.toml", "-o", "x.hex"], "has no addresses on"),
    "sheet-kind": (["image", "sheet", "program.bin", "-o", "x.doc"], "a sheet is a .txt or a .pdf file"),
    "fill-kind": (["image", "convert", "gappy.txt", "-o", "x.hex", "--fill", "FF"], "--fill is for .bin"),
    # numbers
    "start": ([*WRITE, "x.wav", "--start", "512"], "--start 512 could be decimal or hexadecimal"),
    "level": ([*WRITE, "x.wav", "--start", "0200", "--level", "2"], "a level of 2 cannot be written"),
    "level-nan": ([*WRITE, "x.wav", "--start", "0200", "--level", "nan"], "a level of nan cannot be written"),
    "rate": ([*WRITE, "x.wav", "--start", "0200", "--rate", "1"], "the sample rate is 1 Hz"),
    "rate-inf": ([*WRITE, "x.wav", "--start", "0200", "--rate", "inf"], "the sample rate is inf Hz"),
    "copies": ([*WRITE, "x.wav", "--start", "0200", "--copies", "0"], "0 copies cannot be written"),
    "pause": ([*WRITE, "x.wav", "--start", "0200", "--copies", "2", "--pause", "-1"], "a pause of -1 s"),
    "rows-word": (["image", "show", "program.bin", "--bytes-per-row", "8.0"], "'8.0' is not a whole number"),
    "rows": (["image", "show", "program.bin", "--bytes-per-row", "7"], "7 bytes a row are not possible"),
    # words
    "command": (["wriet"], "there is no command 'wriet'; did you mean write?"),
    "later": (["shelf", "list"], "there is no command 'shelf'; there are write, read"),
    "subcommand": (["image", "convrt"], "there is no command 'convrt'; did you mean convert?"),
    "option": (["read", "sound.wav", "--fromat", "x"], "there is no option --fromat; did you mean --format?"),
    "first-option": (["--hepl"], "there is no option --hepl; did you mean --help?"),
    "no-argument": (["read"], "AUDIO... is missing; see 'tapewright read --help' for an example"),
    "no-output": (["write", "program.bin"], "--output (-o) is missing"),
    "no-value": (["write", "program.bin", "-o"], "-o needs a value after it"),
    "twice": ([*READ, "sound.wav", "-o", "a.hex", "-o", "b.hex"], "-o is given twice; give it once"),
    "too-many": (["verify", "sound.wav", "program.bin", "more"], "'more' is one word too many"),
    "choice": ([*WRITE, "x.wav", "--encoding", "pmc16"], "'pmc16' is unknown; did you mean pcm16?"),
    "choices": ([*WRITE, "x.wav", "--encoding", "zz"], "give pcm16, pcm24 or float32"),
    "number": ([*WRITE, "x.wav", "--level", "loud"], "--level 'loud' is not a number"),
    "whole": ([*WRITE, "x.wav", "--copies", "1.5"], "--copies '1.5' is not a whole number"),
    "yes": ([*READ, "sound.wav", "--json=maybe"], "--json 'maybe' is not yes or no"),
}  # fmt: skip


@pytest.mark.parametrize("case", REFUSED)
def test_one_line_says_what_is_wrong(place, case):
    words, said = REFUSED[case]
    assert said in run(*words).refusal


def test_a_recording_cut_short_is_told_and_read_as_far_as_it_goes(tmp_path):
    whole = io.BytesIO()
    soundfile.write(whole, np.tile(NOISE, 3), 44_100, format="FLAC")
    cut = tmp_path / "cut.flac"
    cut.write_bytes(whole.getvalue()[: len(whole.getvalue()) // 2])
    (tmp_path / "quick.toml").write_text(QUICK_CARD)
    ran = run("read", cut, "--format", tmp_path / "quick.toml")
    assert ran.code == 1
    assert "the file is cut short" in ran.out


def test_force_replaces_and_only_what_is_named(place, monkeypatch):
    words = ["image", "convert", "program.bin", "--start", "0200", "-o", "copy.hex"]
    assert run(*words).code == 0
    first = (place / "copy.hex").read_bytes()
    assert "is there already" in run(*words).refusal
    (place / "copy.hex").write_text("older")
    assert run(*words, "--force").code == 0
    assert (place / "copy.hex").read_bytes() == first
    (place / "copy.hex").unlink()


def test_names_that_would_steer_a_terminal_are_shown_harmless(place):
    said = run(*READ, "evil\x1b[31m\nname.wav").refusal
    assert "\x1b" not in said
    assert r"evil\x1b[31m\x0aname.wav" in said


def test_a_mistake_of_ours_is_one_line_that_asks_to_report_it(place, monkeypatch):
    def broken(*_words, **_options):
        raise ZeroDivisionError("division\nby zero")

    monkeypatch.setattr(app, "app", broken)
    monkeypatch.delenv("TAPEWRIGHT_DEBUG", raising=False)
    ran = run("formats", "list")
    assert (ran.code, ran.out) == (2, "")
    (line,) = ran.err.splitlines()
    assert "ZeroDivisionError: division by zero" in line
    assert "please report it" in line
    monkeypatch.setenv("TAPEWRIGHT_DEBUG", "1")
    assert "Traceback" in run("formats", "list").err


def test_interruption_is_130_and_leaves_no_half_file(place, monkeypatch):
    write = importlib.import_module("tapewright.chain.write")  # the package has a function of that name

    def interrupted(*_arguments, **_options):
        yield np.zeros(1000, np.float32)
        raise KeyboardInterrupt

    monkeypatch.setattr(write, "_chunks", interrupted)
    ran = run(*WRITE, "x.wav", "--start", "0200")
    assert (ran.code, ran.out) == (130, "")
    assert ran.err.splitlines()[0].startswith("tapewright: interrupted")
