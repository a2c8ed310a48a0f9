"""Small values in cards: parts, bytes written out, and how a wrong value is shown."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapewright.cards.base import parse_hex, parse_part_value
from tapewright.cards.problems import shown


@pytest.mark.parametrize(
    "text, value",
    [
        ("22k", 22_000.0),
        ("4.7u", 4.7e-6),
        ("4.7\u00b5F", 4.7e-6),
        ("4.7\u03bcF", 4.7e-6),
        ("100n", 100e-9),
        ("100 nF", 100e-9),
        ("33p", 33e-12),
        ("1M", 1e6),
        ("1m", 1e-3),
        ("1.5G", 1.5e9),
        (".5V", 0.5),
        ("470ohm", 470.0),
        ("470", 470.0),
        (470, 470.0),
        (4.5, 4.5),
    ],
)
def test_part_value(text, value):
    assert parse_part_value(text) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    "value",
    [
        "",
        "k",
        "22K",
        "22kk",
        "k22",
        "22 k ohm",
        "-22k",
        "1e3",
        "2,2k",
        "22k\n22",
        "٣k",
        "1" * 50,
        True,
        None,
        [22],
        {"ohms": 22},
        float("nan"),
        float("inf"),
        -float("inf"),
        10**400,
        1e300,
        "9" * 30 + "G",
    ],
)
def test_what_is_no_part_value(value):
    with pytest.raises(ValueError, match=r"^(write )?a part "):
        parse_part_value(value)


@given(
    st.integers(1, 999), st.sampled_from([("p", -12), ("n", -9), ("u", -6), ("m", -3), ("k", 3), ("M", 6)])
)
def test_prefix_is_a_power_of_ten(number, prefix):
    letter, power = prefix
    assert parse_part_value(f"{number}{letter}") == pytest.approx(float(f"{number}e{power}"), rel=1e-12)


@given(st.binary(min_size=1, max_size=256), st.sampled_from(["", " ", "\t", "\n"]))
def test_hex_bytes_with_any_spacing_and_case(data, space):
    text = space.join(f"{byte:02x}" for byte in data)
    assert parse_hex(text) == parse_hex(text.upper()) == data


@pytest.mark.parametrize("value", ["", "a", "a5 5", "0xa5", "zz", "a5,5a", "a5" * 257, 165, None, ["a5"]])
def test_what_is_no_hex(value):
    with pytest.raises(ValueError, match=r"hexadecimal|256 bytes are the most"):
        parse_hex(value)


@pytest.mark.parametrize(
    "value, text",
    [
        (True, "true"),
        ({"a": 1}, "a table"),
        ([1], "a list"),
        (12, "12"),
        (10**4000, "a number of more than 38 digits"),
        ("x", '"x"'),
        ("x" * 100, '"' + "x" * 60 + '..."'),
    ],
)
def test_a_wrong_value_is_shown_as_toml_writes_it_and_never_at_length(value, text):
    assert shown(value) == text
