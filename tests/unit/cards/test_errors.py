"""A wrong card gives one sentence that names the file and the key, and never any other exception."""

from __future__ import annotations

import datetime
import re
import tomllib

import pytest

from card_text import EVERYTHING, key_path, places, renamed, toml_text, with_change, without
from tapewright.cards import FormatCard, MachineCard, parse_card
from tapewright.model import CardError

TABLE = tomllib.loads(EVERYTHING)
EVERYWHERE = list(places(TABLE))
KEYS = [path for path in EVERYWHERE if isinstance(path[-1], str)]
#: Words of the machinery that no reader of a message should meet.
INNER_WORDS = re.compile(
    r"\bInput\b|validation|literal\[|function-|pydantic|Traceback|\b(int|float|str)_|'=|None"
)

MACHINE = """
card   = "machine"
name   = "a-board"
title  = "A board"
source = "made up for the tests"
format = "kcs-300"

[output]
bit_ohms = ["10k", "20k"]
supply_volts = 5
load_ohms = "1k"
coupling_farads = "100n"
gain = 0.1
rest = 2

[connector]
plug = "five pins"
pins = { "1" = "out" }
bridge = "1 to 2"
notes = "none"

[memory]
programs = [512, 1023]
notes = "none"

[[caution]]
text = "Look before you plug."
"""


def error_of(text, kind=FormatCard, path="my.toml"):
    with pytest.raises(CardError) as caught:
        parse_card(text, kind, path)
    assert_one_sentence(caught.value, path)
    return caught.value


def assert_one_sentence(error, path="my.toml"):
    message = str(error)
    assert message.startswith(f"{path}: ")
    assert message.isprintable()
    assert not re.search(r"\. [A-Z]|\.$", message)
    assert len(message) < 600
    assert not INNER_WORDS.search(message)
    assert error.path == path
    if error.key is not None:
        assert message.startswith(f"{path}: {error.key}: ")


def test_the_full_card_is_right_and_its_text_says_the_same():
    card = parse_card(EVERYTHING, FormatCard, "my.toml")
    assert parse_card(toml_text(TABLE), FormatCard, "my.toml") == card


def test_the_full_machine_card_is_right():
    assert parse_card(MACHINE, MachineCard, "my.toml").name == "a-board"


@pytest.mark.parametrize("path", EVERYWHERE, ids=key_path)
def test_a_value_of_the_wrong_type(path):
    # A date is a good TOML value and right nowhere in a card.
    error = error_of(toml_text(with_change(TABLE, path, datetime.date(1976, 2, 1))))
    inside = key_path(path).startswith(error.key)
    assert inside


@pytest.mark.parametrize("path", KEYS, ids=key_path)
def test_a_misspelt_key(path):
    wrong = path[-1][:2] + "q" + path[-1][2:]
    error = error_of(toml_text(renamed(TABLE, path, wrong)))
    is_symbol = path[:-1] == ("symbols",)
    begins_an_item = f"'{wrong}' does not begin" in str(error)
    if path == ("card",):
        assert error.key == "card"
    elif is_symbol:
        assert error.key in (f'symbols."{wrong}"', "symbols")
    elif begins_an_item:
        assert error.key == key_path(path[:-1])
        assert f"did you mean '{path[-1]}'?" in str(error)
    else:
        assert error.key == key_path((*path[:-1], wrong))
        assert f"there is no key '{wrong}' here; did you mean '{path[-1]}'?" in str(error)


REQUIRED = [
    ("card",),
    ("name",),
    ("title",),
    ("source",),
    ("symbols",),
    ("block",),
    ("symbols", "0"),
    ("block", 0, "kind"),
    ("block", 0, "layout"),
    ("block", 1, "after"),
    ("block", 0, "layout", 0, "seconds"),
    ("block", 0, "layout", 6, "type"),
    ("block", 0, "layout", 7, "value"),
    ("block", 0, "layout", 8, "over"),
    ("block", 1, "layout", 4, "check", "crc"),
    ("block", 1, "layout", 4, "check", "crc", "width"),
    ("block", 1, "layout", 4, "check", "crc", "poly"),
    ("block", 1, "last_when", "field"),
    ("block", 1, "last_when", "equals"),
]


@pytest.mark.parametrize("path", REQUIRED, ids=key_path)
def test_a_required_key_is_missing(path):
    error = error_of(toml_text(without(TABLE, path)))
    assert error.key in (key_path(path), "symbols" if path == ("symbols", "0") else None)
    assert "missing" in str(error)


@pytest.mark.parametrize("path", KEYS, ids=key_path)
def test_any_key_left_out_is_either_optional_or_told(path):
    text = toml_text(without(TABLE, path))
    try:
        parse_card(text, FormatCard, "my.toml")
    except CardError as error:
        assert_one_sentence(error)
    else:
        assert path not in REQUIRED


LEAD, SYNC, FIXED, TEXT, END = (("block", 0, "layout", place) for place in (0, 2, 3, 4, 5))
NUMBER, CHECK = ("block", 0, "layout", 6), ("block", 0, "layout", 8)
CRC = ("block", 1, "layout", 4, "check", "crc")
OUT_OF_RANGE = [
    (("name",), "Every Thing"),
    (("name",), ""),
    (("name",), "x" * 64),
    (("title",), "x" * 2001),
    (("symbols", "0", 0, "half_waves"), []),
    (("symbols", "0", 0, "half_waves", 0), 9),
    (("symbols", "0", 0, "half_waves", 0), 1e6 + 1),
    (("symbols", "0", 0, "half_waves"), [100] * 257),
    (("symbols", "0", 0, "half_waves", 0), float("nan")),
    (("symbols", "0", 0, "half_waves", 0), float("inf")),
    (("symbols", "0", 1, "silence"), 9.9),
    (("symbols", "0"), []),
    (("symbols", "1", 0, "tone"), 19),
    (("symbols", "1", 0, "tone"), 20_001),
    (("symbols", "1", 0, "cycles"), 0),
    (("symbols", "1", 0, "cycles"), 0.3),
    (("symbols", "1", 0, "cycles"), 1000.5),
    (("symbols", "1", 1, "us"), -1),
    (("symbols", "1", 1, "us"), "20"),
    (("symbols", "M", 0, "levels", 0), [1.0]),
    (("byte", "bits"), 4),
    (("byte", "bits"), 9),
    (("byte", "bits"), 8.0),
    (("byte", "order"), "big"),
    (("byte", "parity"), "Even"),
    (("byte", "start"), "0" * 9),
    (("byte", "stop"), "x"),
    (("byte", "start"), "1"),
    (("byte", "stop"), ""),
    (("block",), []),
    (("block", 0, "kind"), "Header"),
    (("block", 1, "kind"), "header"),
    (("block", 1, "after"), "data"),
    (("block", 1, "size"), 0),
    (("block", 1, "size"), 65_537),
    (("block", 1, "copies"), 0),
    (("block", 1, "copies"), 9),
    (("block", 1, "total"), "al"),
    (("block", 1, "total"), True),
    (("block", 0, "load"), "start +"),
    (("block", 0, "load"), "length"),
    (("block", 0, "layout"), []),
    (("block", 1, "last_when", "field"), "start"),
    (("block", 1, "last_when", "equals"), -1),
    ((*LEAD, "lead"), ""),
    ((*LEAD, "lead"), "Q"),
    ((*LEAD, "seconds"), -1),
    ((*LEAD, "seconds"), 121),
    ((*LEAD, "at_least"), -0.1),
    (("block", 0, "layout", 1, "mark"), "MQ"),
    ((*SYNC, "sync"), "a"),
    ((*SYNC, "sync"), ""),
    ((*SYNC, "times"), 0),
    ((*SYNC, "times"), 10_001),
    ((*SYNC, "at_least"), 0),
    ((*FIXED, "fixed"), "0g"),
    ((*FIXED, "fixed"), "00" * 257),
    ((*FIXED, "coding"), "Hex"),
    ((*FIXED, "xor"), 256),
    ((*FIXED, "xor"), -1),
    ((*FIXED, "add"), 256),
    ((*TEXT, "length"), 0),
    ((*TEXT, "length"), 256),
    ((*TEXT, "pad"), ""),
    ((*TEXT, "pad"), "  "),
    ((*TEXT, "text"), "data"),
    ((*END, "text"), "name"),
    ((*END, "at_most"), 0),
    ((*NUMBER, "field"), "2nd"),
    ((*NUMBER, "field"), "name"),
    ((*NUMBER, "type"), "u64"),
    (("block", 0, "layout", 7, "value"), "total /"),
    (("block", 0, "layout", 7, "value"), "totl"),
    (("block", 0, "layout", 7, "value"), -1),
    (("block", 0, "layout", 7, "value"), 1 << 32),
    (("block", 0, "layout", 7, "value"), 1 << 70),
    ((*CHECK, "check"), "sum9"),
    ((*CHECK, "check"), 8),
    ((*CHECK, "over"), []),
    ((*CHECK, "over"), ["data"]),
    ((*CHECK, "start"), 256),
    ((*CHECK, "start"), -1),
    ((*CHECK, "as_sent"), "yes"),
    ((*CRC, "width"), 0),
    ((*CRC, "width"), 12),
    ((*CRC, "width"), 40),
    ((*CRC, "poly"), 0),
    ((*CRC, "init"), -1),
    ((*CRC, "refin"), 1),
    (("block", 1, "layout", 3, "data"), "until leader"),
    (("block", 1, "layout", 3, "data"), "until lead"),
    (("block", 1, "layout", 3, "data"), "size"),
    (("block", 1, "layout", 3, "data"), 1 << 24),
    (("block", 1, "layout", 5, "gap"), -1),
    (("block", 1, "layout", 5, "gap"), 120.5),
]


@pytest.mark.parametrize(
    "path, value", OUT_OF_RANGE, ids=[f"{key_path(p)}-{n}" for n, (p, _) in enumerate(OUT_OF_RANGE)]
)
def test_a_value_out_of_range(path, value):
    error = error_of(toml_text(with_change(TABLE, path, value)))
    assert error.key == key_path(path)


@pytest.mark.parametrize(
    "path, value, key, message",
    [
        ((*LEAD, "at_least"), 6, key_path(LEAD), "at_least = 6 is more than the 5 s"),
        ((*SYNC, "at_least"), 5, key_path(SYNC), "at_least = 5 is more than the 4 that"),
        ((*TEXT, "pad"), "\u00e9", key_path(TEXT), "'pad' is one ASCII character"),
        ((*TEXT, "end"), "0d", key_path(TEXT), "either a fixed 'length' or the bytes at its 'end'"),
        ((*END, "pad"), " ", key_path(END), "'pad' belongs to a text with 'length'; leave it out"),
        ((*END, "end"), "0d 0a", key_path(END), "the 'end' of a text is one byte"),
        ((*CRC, "poly"), 1 << 16, key_path(CRC), "poly does not fit in 16 bits"),
        ((*CRC, "xorout"), 1 << 16, key_path(CRC), "xorout does not fit in 16 bits"),
        (("symbols", "1", 0, "us"), 20, 'symbols."1"[0]', "either 'cycles' (whole or half ones) or 'us'"),
        (("symbols", "M", 0, "levels", 0, 0), 1.1, "symbols.M[0]", "level 1.1 is outside -1..1"),
        (("symbols", "M", 0, "levels", 0, 1), 9, "symbols.M[0]", "held for 10 to 1e+06 us, not 9"),
        (("symbols", "MM"), [{"silence": 50}], 'symbols."MM"', "use one printable character"),
        (("symbols", "."), [{"silence": 50}], 'symbols."."', "use one printable character"),
        (
            ("symbols", "N"),
            [{"levels": [[1.0, 500.0], [-0.5, 500.0]]}],
            'symbols."N"',
            'sounds the same as "M"',
        ),
        (("symbols", "1", 0, "silence"), 20, 'symbols."1"[0].silence', "'silence' begins another piece"),
        ((*LEAD, "gap"), 1, f"{key_path(LEAD)}.gap", "'gap' begins another item"),
        (("block", 0, "size"), 5, "block[0].size", "no meaning in a block without data"),
        (("byte", "bits"), 7, "block[0].layout[2].sync", "byte a5 does not fit in 7 bits"),
        (LEAD, {}, key_path(LEAD), "one of the keys lead, sync, mark"),
        (("symbols", "0", 0), {}, 'symbols."0"[0]', "a piece is one of { tone = ... }"),
    ],
)
def test_values_that_contradict_each_other(path, value, key, message):
    error = error_of(toml_text(with_change(TABLE, path, value)))
    assert error.key == key
    assert message in str(error)


def test_no_end_can_be_told_of_blocks_cut_by_size():
    table = without(without(TABLE, ("block", 1, "total")), ("block", 1, "last_when"))
    error = error_of(toml_text(table))
    assert error.key == "block[1]"
    assert "need 'total' or 'last_when'" in str(error)


def test_bytes_without_start_symbols_need_something_to_begin_at():
    table = with_change(with_change(TABLE, ("byte", "start"), ""), ("byte", "stop"), "")
    layout = [{"lead": "1", "seconds": 1}, {"field": "length", "type": "u8"}]
    error = error_of(toml_text(with_change(table, ("block", 0, "layout"), layout)))
    assert error.key == "block[0].layout[1]"
    assert "need a { sync = ... } or { mark = ... } before them" in str(error)


def test_a_leader_of_silence_is_a_gap():
    table = with_change(TABLE, ("symbols", "Z"), [{"silence": 700}])
    error = error_of(toml_text(with_change(table, (*LEAD, "lead"), "Z")))
    assert "write { gap = ... } for silence" in str(error)


def test_a_card_that_cannot_hold_a_program():
    error = error_of(toml_text(without(TABLE, ("block", 1))))
    assert error.key == "block"
    assert "no program could be stored" in str(error)


@pytest.mark.parametrize(
    "text, message",
    [
        ("", 'card: the key is missing; a format card begins with card = "format"'),
        (MACHINE, 'card: card = "machine"; a format card begins with card = "format"'),
        ("card = ", "this is not valid TOML: Invalid value"),
        ("card = 'format'\ncard = 'format'", "this is not valid TOML: Cannot overwrite a value"),
        ("card = " + "1" * 5000, "a number in it has thousands of digits"),
        ("card = 0x" + "f" * 20_000, "card = a number of more than 38 digits"),
        ("card = " + "[" * 5000, "nested too deep"),
        ("a." * 5000 + "b = 1", "card: the key is missing"),
        ("#" * (256 * 1024 + 1), "256 kB is the most"),
        ("card = 'format'\nname = 'a\u0007'", "this is not valid TOML"),
        ('card = "format"\nname = "a\\u0007\\n"', "name"),
    ],
    ids=range(11),
)
def test_text_that_is_no_card(text, message):
    assert message in str(error_of(text))


@pytest.mark.parametrize("path", list(places(tomllib.loads(MACHINE))), ids=key_path)
def test_a_machine_card_with_a_value_of_the_wrong_type(path):
    table = with_change(tomllib.loads(MACHINE), path, datetime.date(1976, 2, 1))
    error = error_of(toml_text(table), MachineCard)
    assert key_path(path).startswith(error.key)


MACHINE_KEYS = [path for path in places(tomllib.loads(MACHINE)) if isinstance(path[-1], str)]


@pytest.mark.parametrize("path", [p for p in MACHINE_KEYS if "pins" not in p[:-1]], ids=key_path)
def test_a_machine_card_with_a_misspelt_key(path):
    wrong = path[-1][:2] + "q" + path[-1][2:]
    error = error_of(toml_text(renamed(tomllib.loads(MACHINE), path, wrong)), MachineCard)
    if path != ("card",):
        assert error.key == key_path((*path[:-1], wrong))
        assert f"did you mean '{path[-1]}'?" in str(error)


@pytest.mark.parametrize(
    "path, value, key",
    [
        (("output", "bit_ohms"), ["10k", "0"], "output"),
        (("output", "bit_ohms"), ["10k"] * 5, "output.bit_ohms"),
        (("output", "bit_ohms", 0), "10 kilo", "output.bit_ohms[0]"),
        (("output", "supply_volts"), 0, "output.supply_volts"),
        (("output", "supply_volts"), 25, "output.supply_volts"),
        (("output", "gain"), 1.1, "output.gain"),
        (("output", "rest"), 4, "output"),
        (("output", "rest"), 16, "output.rest"),
        (("output", "load_ohms"), float("nan"), "output.load_ohms"),
        (("output", "coupling_farads"), "-1u", "output.coupling_farads"),
        (("memory", "programs"), [1, 2, 3], "memory.programs"),
        (("memory", "programs", 0), -1, "memory.programs[0]"),
        (("format",), "A B", "format"),
    ],
)
def test_a_machine_card_with_a_value_out_of_range(path, value, key):
    assert error_of(toml_text(with_change(tomllib.loads(MACHINE), path, value)), MachineCard).key == key
