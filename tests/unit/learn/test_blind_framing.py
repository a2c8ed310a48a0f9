import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from symbol_layer import built, heard
from tapewright.cards import ByteFormat, FormatCard, parse_card
from tapewright.learn.blind_framing import guess_framings, views
from tapewright.learn.stream import Stream
from tapewright.model import Symbols, TapePart

CARD = """
card = "format"
name = "bytes"
title = "Bytes"
source = "invented for the tests"
[symbols]
"0" = [{{ tone = 1200, cycles = 1 }}]
"1" = [{{ tone = 2400, cycles = 2 }}]
[byte]
{byte}
[[block]]
kind = "data"
layout = [{{ lead = "1", seconds = 1.0 }}, {{ sync = "16" }}, {{ data = "1" }}]
"""


def card_of(byte: str) -> FormatCard:
    return parse_card(CARD.format(byte=byte), FormatCard, "bytes")


def save(byte: str, data: bytes, lead: str = "1", swap: bool = False) -> Stream:
    parts = [TapePart("lead", symbols=lead, seconds=0.5), TapePart("bytes", data=data),
             TapePart("lead", symbols=lead, seconds=0.3)]  # fmt: skip
    symbols = heard(parts, card_of(byte))
    if swap:
        symbols = Symbols(
            symbols.names.translate(str.maketrans("01", "10")), symbols.index, symbols.start_seconds,
            symbols.end_seconds, symbols.log_p, symbols.level, symbols.speed, symbols.noise,
        )  # fmt: skip
    return Stream(symbols)


def program(seed: int, count: int = 120) -> bytes:
    return np.random.default_rng(seed).bytes(count)


def told(byte: ByteFormat) -> tuple[object, ...]:
    return byte.bits, byte.start, byte.stop, byte.parity


@pytest.mark.parametrize(
    "byte, expected",
    [
        ('start = "0"\nstop = "1"', (8, "0", "1", "none")),
        ('start = "0"\nstop = "11"', (8, "0", "11", "none")),
        ('start = "0"\nstop = "1"\nparity = "even"', (8, "0", "1", "even")),
        ('start = "0"\nstop = "1"\nparity = "odd"', (8, "0", "1", "odd")),
        ('start = "0"\nstop = "1"\nparity = "space"', (8, "0", "1", "space")),
        ('bits = 7\nstart = "0"\nstop = "11"\nparity = "even"', (7, "0", "11", "even")),
        ('parity = "odd"', (8, "", "", "odd")),
        ("", (8, "", "", "none")),
    ],
)
def test_framing_shows_in_the_bits_alone(byte, expected):
    bits = 7 if "bits = 7" in byte else 8
    data = b"\x16" + bytes(value & ((1 << bits) - 1) for value in program(5))
    stream = save(byte, data, lead="1")
    assert told(guess_framings([stream], ["1"])[0].framing.byte) == expected


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 1 << 32), stops=st.integers(1, 2), parity=st.sampled_from(["none", "even", "odd"]))
def test_random_bytes_with_start_and_stop_show_their_framing(seed, stops, parity):
    byte = f'start = "0"\nstop = "{"1" * stops}"\nparity = "{parity}"'
    best = guess_framings([save(byte, program(seed))], ["1"])[0]
    assert told(best.framing.byte) == (8, "0", "1" * stops, parity)


def test_one_of_the_four_views_is_the_right_one_whatever_symbols_are_called():
    stream = save('start = "0"\nstop = "1"\nparity = "odd"\norder = "msb"', program(8), swap=True)
    seen = [
        (view.swapped[0], view.byte.order, *told(view.byte))
        for view in views(guess_framings([stream], ["0"])[0].framing)
    ]
    assert (True, "msb", 8, "0", "1", "odd") in seen
    assert len(set(seen)) == 4


def test_arbitrary_bits_have_no_start_and_stop():
    rng = np.random.default_rng(3)
    index = np.concatenate([np.ones(300), rng.integers(0, 2, 2000), np.ones(300)]).astype(np.int16)
    stream = Stream(built("01", index, np.full(len(index), 1e-3)))
    assert all(not guess.framing.byte.start for guess in guess_framings([stream], ["1"]))


def test_no_bits_no_framing():
    assert guess_framings([Stream(built("01", np.ones(30, np.int16), np.full(30, 1e-3)))], ["1"]) == []
