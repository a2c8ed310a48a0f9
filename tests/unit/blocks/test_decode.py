"""Reading blocks: what was written comes back, damage is reported, and nothing is invented."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import symbol_layer as layer
from made_up_cards import ADDRESSED, NAMES, made_up
from tapewright import blocks, framing
from tapewright.blocks.parse import Parser
from tapewright.cards import Alphabet, FormatCard, load_format, parse_card
from tapewright.model import Block, Fault, Image, Range, Symbols, TapePart

DATA = np.random.default_rng(21).integers(0, 256, 200).astype(np.uint8).tobytes()
ALL = (*NAMES, "kcs-300", "kcs-1200")


def card_of(name: str) -> FormatCard:
    return load_format(name) if name.startswith("kcs") else made_up(name)


def read(symbols: Symbols, card: FormatCard) -> tuple[tuple[Block, ...], tuple[Fault, ...]]:
    return blocks.decode(symbols, framing.Framer(symbols, card), card)


def saved(which: str, data: bytes = DATA, address: int = 0x1234, **options) -> tuple[Symbols, FormatCard]:
    card = card_of(which)
    return layer.heard(blocks.encode(Image.from_bytes(data, address), card, **options), card), card


def with_data(found: tuple[Block, ...]) -> list[Block]:
    return [block for block in found if block.data]


def kinds(block: Block) -> set[str]:
    return {fault.kind for fault in block.faults}


# -- twins -----------------------------------------------------------------------------------------------


@settings(max_examples=20)
@given(data=st.binary(min_size=1, max_size=150), address=st.integers(16, 0xF000), speed=st.floats(0.9, 1.1))
@pytest.mark.parametrize("name", NAMES)
def test_what_is_written_is_read_back_verified(name, data, address, speed) -> None:
    card = made_up(name)
    image = Image.from_bytes(data, address if name in ADDRESSED else None)
    symbols = layer.heard(blocks.encode(image, card, name="demo"), card, speed=speed)
    found, faults = read(symbols, card)
    assert faults == ()
    assert all(block.faults == () for block in found)
    assert all(block.complete and block.check in ("ok", "none") for block in found)
    assert all(block.verified for block in found if block.data)
    assert blocks.assemble(found, card)[0].ranges == image.ranges


@settings(max_examples=20)
@given(data=st.binary(min_size=1, max_size=150).filter(lambda data: set(data) != {0xFF}))
@pytest.mark.parametrize("name", ["kcs-300", "kcs-1200"])
def test_free_running_text_is_read_back(name, data) -> None:
    symbols, card = saved(name, data)
    found, _ = read(symbols, card)
    assert [block.data for block in found] == [data]
    assert (found[0].check, found[0].complete, found[0].address) == ("none", True, None)
    assert found[0].byte_confidence.min() > 0.99


@given(places=st.lists(st.integers(0, 20), min_size=2, max_size=3, unique=True))
def test_several_ranges_come_back_where_they_belong(places) -> None:
    card = made_up("plain")
    image = Image.of([Range(0x1000 + 64 * place, DATA[place : place + 40]) for place in places])
    found, _ = read(layer.heard(blocks.encode(image, card), card), card)
    assert blocks.assemble(found, card)[0].ranges == image.ranges


def test_fields_places_and_speed_are_told() -> None:
    symbols, card = saved("header", DATA[:70], name="hi")
    found, _ = read(symbols, card)
    assert [block.kind for block in found] == ["header", "data", "data", "data", "data"]
    assert found[0].fields == {"kind": 72, "name": "HI", "start": 0x1224, "total": 70}
    assert [block.address for block in found] == [0x1234, 0x1234, 0x1234, 0x1274, 0x1274]
    assert found[0].span.start_seconds == 0.0
    assert found[-1].span.end_seconds == pytest.approx(symbols.end_seconds[-1])
    assert np.diff(found[1].byte_seconds).min() >= 8 * 500e-6 - 1e-9  # eight short symbols
    assert found[1].byte_seconds[0] > found[1].span.start_seconds + 0.4


# -- damage ----------------------------------------------------------------------------------------------


def test_a_block_whose_check_fails_is_reported_with_its_bytes() -> None:
    symbols, card = saved("plain")
    at = int(np.flatnonzero(symbols.index == 0)[0]) + 11 * (6 + 50) + 3
    found, _ = read(layer.misheard(symbols, [at], sure=0.9), card)
    assert len(found) == 1
    block = found[0]
    assert (block.check, block.complete, block.verified) == ("bad", True, False)
    wrong = [k for k in range(200) if block.data[k] != DATA[k]]
    assert wrong == [50]
    assert int(np.argmin(block.byte_confidence)) == 50
    fault = next(fault for fault in block.faults if fault.kind == "check")
    said, gives = sum(b"\x34\x12\xfb\x12" + DATA) % 256, sum(b"\x34\x12\xfb\x12" + block.data) % 256
    assert f"says {said:02X}h" in fault.text
    assert f"give {gives:02X}h" in fault.text


def test_a_dropout_leaves_zeros_and_keeps_the_rest_in_place() -> None:
    symbols, card = saved("plain")
    at = int(np.flatnonzero(symbols.index == 0)[0]) + 11 * (6 + 50)
    found, _ = read(layer.dropped_out(symbols, at, at + 11 * 10 - 1), card)
    block = found[0]
    assert block.data == DATA[:50] + bytes(10) + DATA[60:]
    assert not block.byte_confidence[50:60].any()
    assert block.check == "bad"
    dropout = next(fault for fault in block.faults if fault.kind == "dropout")
    assert dropout.span is not None
    assert dropout.span.start_seconds == pytest.approx(symbols.start_seconds[at])
    assert "10 bytes" in dropout.text


def test_bytes_never_heard_are_not_verified_though_the_sum_agrees() -> None:
    # all zeros: what could not be read is filled in with the very value it had
    symbols, card = saved("plain", bytes(100))
    at = int(np.flatnonzero(symbols.index == 0)[0]) + 11 * (6 + 50)
    found, _ = read(layer.dropped_out(symbols, at, at + 11 * 10 - 1), card)
    assert found[0].data == bytes(100)
    assert not found[0].verified


@pytest.mark.parametrize("name", ALL)
def test_a_block_cut_off_by_the_end_of_the_recording_keeps_what_there_is(name: str) -> None:
    symbols, card = saved(name)
    last_data = with_data(read(symbols, card)[0])[-1]
    at = int(np.searchsorted(symbols.start_seconds, last_data.byte_seconds[len(last_data.data) // 2]))
    cut = layer.without(symbols, at, len(symbols) - 1)
    found, _ = read(cut, card)
    if name.startswith("kcs"):
        assert found[0].data == DATA[: len(found[0].data)]
        return
    assert not found[-1].complete
    assert "cut" in kinds(found[-1])
    heard = int(np.count_nonzero(found[-1].byte_confidence))
    assert heard > 0
    assert found[-1].data == last_data.data[:heard] + bytes(len(found[-1].data) - heard)
    assert not found[-1].verified


@pytest.mark.parametrize("name", ["plain", "header", "sectors", "hexadecimal", "pieces"])
@pytest.mark.parametrize("left_seconds", [0.05, 0.0])
def test_a_lost_leader_does_not_lose_the_block(name: str, left_seconds: float) -> None:
    symbols, card = saved(name)
    first = with_data(read(symbols, card)[0])[0]
    start = int(np.searchsorted(symbols.end_seconds, card.block[0].layout[0].seconds - left_seconds))
    found, _ = read(layer.without(symbols, 0, start - 1), card)
    assert with_data(found)[0].data == first.data
    assert with_data(found)[0].verified
    if name != "hexadecimal":  # its header is lost, and its data asks for no leader
        assert "lead" in kinds(found[0])


def test_one_wrong_symbol_in_the_sync_does_not_lose_the_block() -> None:
    symbols, card = saved("plain")
    at = int(np.flatnonzero(symbols.index == 0)[0])
    found, _ = read(layer.misheard(symbols, [at + 3]), card)
    assert found[0].verified
    assert "sync" in next(fault.text for fault in found[0].faults if fault.kind == "field")


def test_a_damaged_length_takes_no_more_than_the_recording_holds() -> None:
    symbols, card = saved("plain", DATA[:40])
    at = int(np.flatnonzero(symbols.index == 0)[0]) + 11 * 5 + 1
    found, _ = read(layer.misheard(symbols, [at + 6]), card)  # end is now 4000h further on
    assert len(found) == 1
    assert found[0].data.startswith(DATA[:40])
    assert not found[0].complete
    assert len(found[0].data) < 60


def test_a_damaged_length_does_not_swallow_the_next_block() -> None:
    one, card = saved("unaddressed", DATA[:40])
    bad = layer.misheard(one, [int(np.flatnonzero(one.index == 2)[0]) + 2 + 9 + 3])  # length is 2048 more
    found, _ = read(layer.joined(bad, one), card)
    assert len(found) == 2
    assert found[1].verified
    assert not found[0].verified
    assert found[0].data.startswith(DATA[:40])


def test_data_whose_header_was_lost_is_reported_without_an_address() -> None:
    symbols, card = saved("header", DATA[:64], name="hi")
    header = read(symbols, card)[0][0]
    at = int(np.searchsorted(symbols.start_seconds, header.span.end_seconds))
    found, _ = read(layer.without(symbols, 0, at - 1), card)
    data = with_data(found)
    assert [(block.kind, block.address, block.data) for block in data] == [("data", None, DATA[:64])] * 2
    assert all(block.verified for block in data)
    header = next(block for block in found if not block.data)
    assert (header.kind, header.complete, kinds(header)) == ("header", False, {"missing-block"})


def test_two_copies_of_a_program_are_one_program() -> None:
    symbols, card = saved("kcs-1200", copies=2)
    found, _ = read(symbols, card)
    assert len(found) == 2
    image, confidence = blocks.assemble(found, card)
    assert [len(piece) for piece in image] == [len(DATA)]
    assert image.ranges[0].data == DATA
    assert len(confidence[0]) == len(DATA)


#: Nothing but a leader and a sync of two bytes tells its header from chance, and nothing its data without it.
BARE = """
card = "format"
name = "bare"
title = "A bare format"
source = "made up"
[symbols]
"0" = [{ tone = 1200, cycles = 1 }]
"1" = [{ tone = 2400, cycles = 2 }]
[[block]]
kind = "header"
layout = [
  { lead = "0", seconds = 2.0, at_least = 0.3 }, { sync = "a8 f5" }, { field = "length", type = "u16-le" },
]
[[block]]
kind = "data"
after = "header"
layout = [{ lead = "0", seconds = 0.5, at_least = 0.1 }, { sync = "a8 07" }, { data = "length" }]
"""


def test_a_bare_header_is_believed_for_the_block_that_follows_it() -> None:
    card = parse_card(BARE, FormatCard, "bare.toml")
    written = layer.heard(blocks.encode(Image.from_bytes(DATA), card), card)
    found, _ = read(written, card)
    assert [(block.kind, block.data) for block in found] == [("header", b""), ("data", DATA)]
    header, _ = found
    end = int(np.searchsorted(written.start_seconds, header.span.end_seconds - 1e-6))
    assert read(layer.without(written, end, len(written) - 1), card)[0] == ()


# -- nothing invented ------------------------------------------------------------------------------------


@pytest.mark.parametrize("sure", [0.6, 0.99])
@pytest.mark.parametrize("name", ALL)
def test_random_symbols_hold_no_block(name: str, sure: float) -> None:
    card = card_of(name)
    found, faults = read(layer.random_symbols(card, 300_000, seed=7, sure=sure), card)
    assert found == ()
    assert {fault.kind for fault in faults} & {"no-lead", "no-sync", "no-block"}


@pytest.mark.parametrize("name", ALL)
def test_a_card_for_another_format_verifies_nothing(name: str) -> None:
    symbols, _ = saved(name, DATA * 5, address=0x300)
    for other in ALL:
        card = card_of(other)
        if other != name and Alphabet.of(card).names == symbols.names:
            assert not any(block.verified for block in read(symbols, card)[0])


def test_a_steady_tone_and_silence_hold_no_block() -> None:
    card = load_format("kcs-300")
    for parts in ([TapePart("lead", symbols="1", seconds=60)], [TapePart("gap", seconds=60)]):
        assert read(layer.heard(parts, card), card)[0] == ()


@pytest.mark.parametrize(
    "parts,kind",
    [
        ([TapePart("gap", seconds=60)], "no-signal"),
        ([TapePart("symbols", symbols="0101" * 500)], "no-lead"),
        ([TapePart("lead", symbols="1", seconds=5)], "no-sync"),
    ],
)
def test_nothing_found_says_where_the_chain_stopped(parts: list[TapePart], kind: str) -> None:
    card = made_up("plain")
    found, faults = read(layer.heard(parts, card), card)
    assert found == ()
    assert kind in {fault.kind for fault in faults}
    assert all(fault.remedy for fault in faults)


def test_no_symbols_at_all_is_no_signal() -> None:
    card = made_up("plain")
    found, faults = read(Symbols.empty("01"), card)
    assert (found, [fault.kind for fault in faults]) == ((), ["no-signal"])


def test_a_byte_that_comes_out_of_a_gap_begins_when_it_did() -> None:
    symbols, card = saved("kcs-300")
    first, length = int(np.flatnonzero(symbols.index == 0)[0]), card.byte.symbols_per_byte
    # from the middle of one byte to behind the start of the next
    hurt = layer.dropped_out(symbols, first + 30 * length + 4, first + 31 * length)
    (whole,), _ = read(symbols, card)
    (block,), _ = read(hurt, card)
    assert block.data[31:] == DATA[31:]
    bit_seconds = 1 / 300
    assert np.abs(block.byte_seconds - whole.byte_seconds).max() < 0.5 * bit_seconds


def test_a_leader_that_is_much_like_the_sync_is_not_gone_through_for_each_of_its_symbols(monkeypatch) -> None:
    card = parse_card(
        """
        card = "format"
        name = "much-alike"
        title = "A made-up machine whose sync is hardly more than its leader"
        source = "made up for this test"
        [symbols]
        "0" = [{ half_waves = [450, 450] }]
        "1" = [{ half_waves = [225, 225] }]
        [byte]
        bits = 8
        order = "msb"
        [[block]]
        kind = "data"
        layout = [
          { lead = "1", seconds = 0.7, at_least = 0.1 },
          { mark = "1111111111101" },
          { sync = "ff" },
          { data = "60" },
        ]
        """,
        FormatCard,
        "much-alike.toml",
    )
    symbols = layer.heard([TapePart("symbols", symbols="1" * 1200)], card)
    parse, tried = Parser.parse, 0

    def counted(*args, **kwargs):
        nonlocal tried
        tried += 1
        assert tried <= 4 * len(symbols)  # it was more than a hundred times as many
        return parse(*args, **kwargs)

    monkeypatch.setattr(Parser, "parse", counted)
    read(symbols, card)
    assert tried


# -- bytes whose number nothing says ---------------------------------------------------------------------


def text_with(card: FormatCard, lead_seconds: float, trailer_seconds: float) -> list[TapePart]:
    lead, data, trailer = blocks.encode(Image.from_bytes(DATA), card)
    return [replace(lead, seconds=lead_seconds), data, replace(trailer, seconds=trailer_seconds)]


@pytest.mark.parametrize(
    "lead_seconds, trailer_seconds, expected",
    [(5.0, 0.5, set()), (0.3, 0.3, set()), (0.03, 0.5, {"lost-leader"}), (5.0, 0.02, {"lost-end"})],
)
@pytest.mark.parametrize("name", ["kcs-300", "kcs-1200"])
def test_text_without_its_leader_or_end_may_lack_bytes_and_says_so(
    name: str, lead_seconds: float, trailer_seconds: float, expected: set[str]
) -> None:
    card = card_of(name)
    (block,), _ = read(layer.heard(text_with(card, lead_seconds, trailer_seconds), card), card)
    assert kinds(block) == expected
    assert block.is_open == bool(expected)
    assert all(fault.remedy for fault in block.faults)


def test_text_in_two_with_silence_between_may_lack_bytes_on_both_sides() -> None:
    symbols, card = saved("kcs-300")
    found, _ = read(layer.dropped_out(symbols, 2000, 3200), card)
    assert [kinds(block) for block in found] == [{"lost-end"}, {"lost-leader"}]


@pytest.mark.parametrize("name", ["mallow-fsk-600", "heron-cycle-1600", "alder-biphase-m-2000"])
def test_bytes_a_block_promises_and_that_were_never_heard_keep_their_places(name: str) -> None:
    card = load_format(name)
    symbols = layer.heard(blocks.encode(Image.from_bytes(DATA, 0x9000), card), card)
    last = with_data(read(symbols, card)[0])[-1]
    at = int(np.searchsorted(symbols.start_seconds, last.byte_seconds[-8]))
    found, _ = read(layer.without(symbols, at, len(symbols) - 1), card)
    cut = with_data(found)[-1]
    assert len(cut.data) == len(last.data)
    assert cut.data == last.data[:-8] + bytes(8)
    assert not cut.byte_confidence[-8:].any()
    assert (np.diff(cut.byte_seconds) >= 0).all()
    assert not cut.complete
    assert len(blocks.assemble(found, card)[0]) == len(DATA)


def test_a_sync_that_is_nowhere_names_no_places_looked_at_where_there_are_none() -> None:
    card = load_format("heron-cycle-1600")
    symbols = layer.heard([TapePart("symbols", symbols="0" * 400)], card)
    _, faults = read(symbols, card)
    sync = next(fault for fault in faults if fault.kind == "no-sync")
    assert "places looked at" not in sync.text
