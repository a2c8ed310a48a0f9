"""docs/format-cards.md names everything there is, and its examples work."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from card_features import all_features
from tapewright.cards import FormatCard, format_names, load_format, parse_card
from tapewright.cards.format import WRITER_NAMES
from tapewright.model import CardError

PAGE = (Path(__file__).parents[2] / "docs" / "format-cards.md").read_text(encoding="utf-8")
EXAMPLES = [text for text in re.findall(r"```toml\n(.*?)```", PAGE, re.S) if text.startswith("card ")]


def test_every_key_word_and_name_is_on_the_page():
    words = {feature.rpartition("=")[2].rpartition(".")[2] for feature in all_features()} | set(WRITER_NAMES)
    assert [word for word in sorted(words) if f"`{word}`" not in PAGE and f'"{word}"`' not in PAGE] == []


def test_every_built_in_card_is_on_the_page():
    assert [name for name in format_names() if f"`{name}`" not in PAGE] == []


@pytest.mark.parametrize("text", EXAMPLES, ids=range(len(EXAMPLES)))
def test_examples_load(text):
    parse_card(text, FormatCard, "docs")


def test_the_worked_example_is_the_built_in_card():
    card = parse_card(EXAMPLES[0], FormatCard, "docs")
    same = load_format("heron-cycle-1600")
    assert (card.symbols, card.byte, card.block) == (same.symbols, same.byte, same.block)


def test_the_bytes_of_the_worked_example_are_those_of_its_bits():
    def least_first(bits):
        return int(bits[::-1], 2)

    assert least_first("01101001") == 0x96
    assert least_first("10110100") == 0x2D
    assert int(f"{0xA9:08b}"[::-1], 2) == 0x95


@pytest.mark.parametrize(
    "old, new",
    [
        ("lead = \"1\", seconds = 5.0", "lead = \"1\", second = 5.0"),
        ("sync = \"a5 5a\"", "sinc = \"a5 5a\""),
        ("field = \"total\", type = \"u16-le\"", "field = \"total\", type = \"u16\""),
        ("data = \"length\"", "data = \"lenght\""),
        ("cycles = 4", "cycles = 4.2"),
    ],
)  # fmt: skip
def test_error_messages_are_those_on_the_page(old, new):
    template = EXAMPLES[1]
    assert template.count(old) == 1
    with pytest.raises(CardError) as caught:
        parse_card(template.replace(old, new), FormatCard, "mine.toml")
    assert f"\n{caught.value}\n" in PAGE
