"""Whatever stands in a card, only a CardError comes out, in one line that names the file."""

from __future__ import annotations

import tomllib
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

import tapewright.cards
from card_text import EVERYTHING, places, toml_text, with_change
from tapewright.cards import FormatCard, parse_card
from tapewright.model import CardError

LIBRARY = Path(tapewright.cards.__file__).parent / "library" / "formats"
TEXTS = [
    EVERYTHING,
    *(path.read_text("utf-8") for path in sorted(LIBRARY.glob("*.toml"))),
]
VALUES = st.recursive(
    st.booleans()
    | st.integers(-(1 << 70), 1 << 70)
    | st.floats()
    | st.text(st.characters(exclude_categories=["Cs"]), max_size=20)
    | st.sampled_from(["1", "01", "a5", "end - start + 1", "until lead", "sum8", "data", "start", "u8"]),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(
            st.sampled_from(["lead", "seconds", "tone", "us", "check", "crc", "over", "0", "x"]),
            inner,
            max_size=4,
        )
    ),
    max_leaves=6,
)


def only_card_errors(text):
    message = "my.toml: it loads"
    try:
        parse_card(text, FormatCard, "my.toml")
    except CardError as error:
        message = str(error)
    # less than `assert_one_sentence` asks: a message may quote a key or value that holds anything at all
    assert message.startswith("my.toml: ")
    assert message.isprintable()
    assert len(message) < 600


@given(st.text(max_size=200))
def test_any_text_at_all(text):
    only_card_errors('card = "format"\n' + text)
    only_card_errors(text)


@given(st.data())
@settings(max_examples=200)
def test_a_card_with_some_characters_changed(data):
    text = data.draw(st.sampled_from(TEXTS))
    for _ in range(data.draw(st.integers(1, 3))):
        place = data.draw(st.integers(0, len(text) - 1))
        length = data.draw(st.integers(0, 20))
        text = text[:place] + data.draw(st.text(max_size=6)) + text[place + length :]
    only_card_errors(text)


@given(st.data())
@settings(max_examples=300)
def test_a_card_with_some_values_changed(data):
    table = tomllib.loads(data.draw(st.sampled_from(TEXTS)))
    for _ in range(data.draw(st.integers(1, 3))):
        path = data.draw(st.sampled_from(list(places(table))))
        table = with_change(table, path, data.draw(VALUES))
    table["card"] = "format"
    only_card_errors(toml_text(table))
