"""Finding cards: built-in names, files, and what is said when there is none."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from card_features import all_features, used_features
from card_text import EVERYTHING
from tapewright.cards import FormatCard, format_names, load_format, load_machine, parse_card
from tapewright.cards.load import _names
from tapewright.model import CardError


def message_of(name_or_path):
    with pytest.raises(CardError) as caught:
        load_format(name_or_path)
    assert str(caught.value).isprintable()
    return str(caught.value)


def test_a_built_in_name_and_a_file_with_the_same_text_give_the_same_card(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(EVERYTHING, encoding="utf-8")
    card = parse_card(EVERYTHING, FormatCard, "x")
    assert load_format(path) == load_format(str(path)) == load_format(card) == card
    assert load_format("kcs-300").name == "kcs-300"


@pytest.mark.parametrize("ending", ["\n", "\r\n"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_files_as_other_systems_write_them(tmp_path, ending, mark):
    path = tmp_path / "mine.toml"
    path.write_bytes((mark + EVERYTHING.replace("\n", ending)).encode())
    assert load_format(path) == parse_card(EVERYTHING, FormatCard, "x")


def test_the_full_card_of_these_tests_leaves_no_key_out():
    unused = all_features() - used_features([parse_card(EVERYTHING, FormatCard, "x")])
    assert {word for word in unused if "=" not in word} == set()


def test_names_are_in_order_and_each_loads():
    assert format_names() == sorted(format_names())
    assert {"kcs-300", "kcs-1200"} <= set(format_names())


def test_a_part_of_the_library_without_cards_is_empty():
    assert _names("nowhere") == []


def test_what_is_said_when_there_is_no_such_card(tmp_path, monkeypatch):
    assert message_of("kcs-30") == "there is no format card named 'kcs-30'; did you mean kcs-300?"
    assert message_of("xyz") == (
        "there is no format card named 'xyz'; 'tapewright formats list' shows those there are"
    )
    assert (
        message_of("") == "there is no format card named ''; 'tapewright formats list' shows those there are"
    )
    with pytest.raises(CardError, match="there is no machine card named 'xyz'"):
        load_machine("xyz")
    listing = tmp_path / "lamp.txt"
    listing.touch()
    monkeypatch.chdir(tmp_path)
    assert message_of("lamp.txt") == (
        "lamp.txt is no format card; a card is a TOML file, and its name ends in .toml"
    )
    missing = tmp_path / "mine.toml"
    assert message_of(missing) == f"{missing}: no such file; give a built-in name or a TOML file"
    assert message_of(tmp_path) == f"{tmp_path}: this is a folder; give a format card, a TOML file"
    assert message_of("a\x00.toml") == "a\\x00.toml: this cannot be the name of a file"
    assert "line\\nbreak" in message_of("line\nbreak")


def test_a_file_that_is_no_text_or_no_card(tmp_path):
    path = tmp_path / "tape.toml"
    path.write_bytes(b"RIFF\xff\xff\xff\xff")
    assert message_of(path) == f"{path}: this is not text; a format card is a TOML file in UTF-8"
    path.write_bytes(b"")
    assert message_of(path).startswith(f"{path}: card: the key is missing")
    path.write_bytes(b"#" * (256 * 1024 + 1))
    assert message_of(path) == f"{path}: too large for a card; 256 kB is the most"


@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="there is no /dev/zero")
def test_a_file_without_end_is_not_read_to_its_end():
    assert message_of("/dev/zero") == "/dev/zero: too large for a card; 256 kB is the most"


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may read everything")
def test_a_file_one_may_not_read(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(EVERYTHING)
    path.chmod(0)
    assert message_of(path) == f"{path}: it cannot be read (permission denied); check its permissions"
