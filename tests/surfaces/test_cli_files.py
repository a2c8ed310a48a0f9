"""``image``, ``formats`` and ``machines``: what they print and make."""

from __future__ import annotations

import json

import pypdf
import pytest

from command_line import PROGRAM, QUICK_CARD, run
from tapewright.cards import format_names, load_format, load_machine, machine_names
from tapewright.image import from_listing, load_image


@pytest.fixture
def program(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "program.bin").write_bytes(PROGRAM)
    return tmp_path / "program.bin"


def test_show(program):
    ran = run("image", "show", program, "--start", "0200")
    assert ran.code == 0
    assert from_listing(ran.out).ranges == load_image(program, address=0x200).ranges
    assert json.loads(run("image", "show", program, "--json").out)["image"] == [
        {"address": None, "data": PROGRAM.hex()}
    ]


@pytest.mark.parametrize("name", ["a.hex", "a.s19", "a.txt", "a.bin"])
def test_convert(program, tmp_path, name):
    ran = run("image", "convert", program, "--start", "0xC000", "-o", name)
    assert (ran.code, ran.out) == (0, f"{name}: 120 bytes at C000..C077\n")
    address = None if name == "a.bin" else 0xC000
    assert [(r.address, r.data) for r in load_image(tmp_path / name)] == [(address, PROGRAM)]


def test_convert_fills_gaps_only_when_told_with_what(program, tmp_path):
    (tmp_path / "gappy.txt").write_text("0200: 01\n0203: 02\n")
    assert run("image", "convert", "gappy.txt", "-o", "gappy.bin", "--fill", "0xEA").code == 0
    assert (tmp_path / "gappy.bin").read_bytes() == bytes([1, 0xEA, 0xEA, 2])


def test_compare(program, tmp_path):
    changed = bytearray(PROGRAM)
    changed[0x10] ^= 1
    (tmp_path / "changed.bin").write_bytes(changed)
    assert run("image", "compare", program, program).code == 0
    ran = run("image", "compare", program, "changed.bin", "--start", "0200")
    assert ran.code == 1
    assert any(line.startswith("0210:") for line in ran.out.splitlines())
    whole = json.loads(run("image", "compare", program, "changed.bin", "--start", "0200", "--json").out)
    assert (whole["equal"], whole["common_bytes"]) == (False, 120)
    assert whole["differences"] == [
        {"address": 0x210, "first": f"{PROGRAM[16]:02x}", "second": f"{changed[16]:02x}"}
    ]


def test_sheets(program, tmp_path):
    ran = run("image", "sheet", program, "--start", "0200")
    assert from_listing(ran.out).ranges == load_image(program, address=0x200).ranges
    assert run("image", "sheet", program, "-o", "sheet.txt", "--title", "Star game").code == 0
    assert "; Star game" in (tmp_path / "sheet.txt").read_text()
    assert (
        run("image", "sheet", program, "--start", "0200", "-o", "sheet.pdf", "--title", "Star game").code == 0
    )
    text = "\n".join(page.extract_text() for page in pypdf.PdfReader(tmp_path / "sheet.pdf").pages)
    assert "Star game" in text
    assert "0200" in text


def test_every_card_is_listed_and_shown():
    listed = run("formats", "list").out
    assert [line.split()[0] for line in listed.splitlines()] == format_names()
    assert [card["name"] for card in json.loads(run("formats", "list", "--json").out)] == format_names()
    assert [line.split()[0] for line in run("machines", "list").out.splitlines()] == machine_names()
    for name in format_names():
        ran = run("formats", "show", name)
        assert (ran.code, ran.err) == (0, "")
        assert load_format(name).title in ran.out


@pytest.mark.parametrize("name", machine_names())
def test_a_machine_is_told_with_its_cautions(name):
    card = load_machine(name)
    told = run("machines", "show", name).out
    for caution in card.caution:
        assert f"Caution: {caution.text}" in told
    assert card.format in told
    assert card.format in format_names()


def test_a_card_can_be_copied_and_checked(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "copy.toml").write_text(run("formats", "show", "heron-cycle-1600", "--toml").out)
    assert load_format("copy.toml") == load_format("heron-cycle-1600")
    (tmp_path / "board.toml").write_text(run("machines", "show", "fescue-trainer", "--toml").out)
    assert load_machine("board.toml") == load_machine("fescue-trainer")
    (tmp_path / "own.toml").write_text(QUICK_CARD)
    assert run("formats", "show", "own.toml", "--toml").out == QUICK_CARD
    ran = run("formats", "check", "copy.toml", "own.toml")
    assert ran.code == 0
    assert [line.split(":")[0] for line in ran.out.splitlines()] == ["copy.toml", "own.toml"]
    assert run("machines", "check", "board.toml").code == 0


def test_a_check_of_several_cards_names_each_that_is_wrong(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "good.toml").write_text(QUICK_CARD)
    (tmp_path / "bad.toml").write_text(QUICK_CARD.replace("source", "sauce"))
    ran = run("formats", "check", "bad.toml", "good.toml", "none.toml")
    assert ran.code == 2
    assert [line.split(": ")[1] for line in ran.err.splitlines()] == ["bad.toml", "none.toml"]
    assert ran.out.startswith("good.toml: all right")
