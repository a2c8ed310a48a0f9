"""Framing: bytes to symbols and back, whatever happens to the symbols in between."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import symbol_layer as layer
from made_up_cards import made_up
from tapewright import framing
from tapewright.cards import ByteFormat, FormatCard, load_format
from tapewright.model import Symbols, TapePart, UsageError

DATA = np.random.default_rng(5).integers(0, 256, 200).astype(np.uint8).tobytes()
LEAD = TapePart("lead", symbols="1", seconds=0.3)


def tape(card: FormatCard, data: bytes = DATA) -> tuple[Symbols, int]:
    """Symbols of a leader, the bytes and a trailer, and where the first byte starts."""
    symbols = layer.heard([LEAD, TapePart("bytes", data=data), LEAD], card)
    return symbols, int(np.flatnonzero(symbols.index == 0)[0])


def wrong_at(run, data: bytes) -> list[int]:
    return [k for k, (got, sent) in enumerate(zip(run.value.tobytes(), data, strict=True)) if got != sent]


@given(
    data=st.binary(min_size=1, max_size=40),
    bits=st.integers(5, 8),
    order=st.sampled_from(["lsb", "msb"]),
    parity=st.sampled_from(["none", "even", "odd", "mark", "space"]),
    start_stop=st.sampled_from([("0", "1"), ("0", "11"), ("01", "111"), ("", ""), ("", "1"), ("1", "0")]),
)
def test_every_kind_of_byte_comes_back(data, bits, order, parity, start_stop) -> None:
    data = bytes(value & ((1 << bits) - 1) for value in data)
    byte = ByteFormat(bits=bits, order=order, parity=parity, start=start_stop[0], stop=start_stop[1])
    card = load_format("kcs-1200").model_copy(update={"byte": byte})
    run = framing.Framer(layer.heard([TapePart("bytes", data=data)], card), card).read(0, len(data))
    assert run.value.tobytes() == data
    assert run.framing_ok.all()
    assert run.parity_ok.all()
    assert run.confidence.min() > 0.999
    assert list(run.first_symbol) == list(range(0, len(data) * byte.symbols_per_byte, byte.symbols_per_byte))


def test_a_byte_wider_than_the_format_is_refused() -> None:
    card = made_up("hexadecimal")
    with pytest.raises(UsageError, match="sends 7 bits of each byte, and byte 80h needs more"):
        list(framing.encode([TapePart("bytes", data=b"\x41\x80")], card))


@pytest.mark.parametrize("name", ["kcs-300", "kcs-1200", "plain", "sectors"])
@pytest.mark.parametrize(
    "damage,most_wrong",
    [
        (lambda symbols, at: layer.without(symbols, at + 4, at + 4), 1),
        (lambda symbols, at: layer.doubled(symbols, at + 4), 1),
        (lambda symbols, at: layer.dropped_out(symbols, at + 3, at + 6), 1),
        (lambda symbols, at: layer.dropped_out(symbols, at + 3, at + 40), 5),
        (lambda symbols, at: layer.dropped_out(symbols, at + 3, at + 300), 32),
    ],
    ids=["symbol-lost", "symbol-inserted", "dropout-4", "dropout-38", "dropout-298"],
)
def test_damage_costs_the_bytes_it_hits_and_no_others(
    name: str, damage: Callable[[Symbols, int], Symbols], most_wrong: int
) -> None:
    card = load_format(name) if name.startswith("kcs") else made_up(name)
    symbols, first = tape(card)
    damaged = damage(symbols, first + 50 * card.byte.symbols_per_byte)
    run = framing.Framer(damaged, card).read(first, len(DATA))
    wrong = wrong_at(run, DATA)
    assert len(wrong) <= most_wrong
    assert all(50 <= place < 50 + most_wrong for place in wrong)
    assert all(run.confidence[place] < 0.9 for place in wrong)


def test_bytes_lost_in_a_dropout_are_zero_with_confidence_zero() -> None:
    card = load_format("kcs-300")
    symbols, first = tape(card)
    run = framing.Framer(layer.dropped_out(symbols, first + 550, first + 879), card).read(first, len(DATA))
    assert run.value[50:80].tobytes() == bytes(30)
    assert not run.confidence[50:80].any()
    assert run.value.tobytes()[80:] == DATA[80:]


@pytest.mark.parametrize("idle", [1, 3, 7])
def test_idle_symbols_between_bytes_are_passed_over_and_lost_bytes_counted_with_them(idle: int) -> None:
    card = load_format("kcs-300")
    table = framing.byte_symbols(card.byte)
    text = "".join(table[value] + "1" * idle for value in DATA)
    symbols = layer.heard([LEAD, TapePart("symbols", symbols=text), LEAD], card)
    first, step = int(np.flatnonzero(symbols.index == 0)[0]), card.byte.symbols_per_byte + idle
    assert framing.Framer(symbols, card).read(first, len(DATA)).value.tobytes() == DATA
    damaged = layer.dropped_out(symbols, first + 50 * step, first + 70 * step - 1)
    run = framing.Framer(damaged, card).read(first, len(DATA))
    assert run.value.tobytes() == DATA[:50] + bytes(20) + DATA[70:]


@pytest.mark.parametrize("most", [1, 3, 20])
def test_idle_time_of_any_length_is_passed_over_even_after_a_sync_without(most: int) -> None:
    card = load_format("kcs-1200")
    table = framing.byte_symbols(card.byte)
    idle = np.random.default_rng(3).integers(0, most + 1, len(DATA))
    text = table[0xE6] * 200 + "".join(
        table[value] + "1" * count for value, count in zip(DATA, idle, strict=True)
    )
    symbols = layer.heard([LEAD, TapePart("symbols", symbols=text), LEAD], card)
    run = framing.Framer(symbols, card).read(int(np.flatnonzero(symbols.index == 0)[0]), 200 + len(DATA))
    assert run.value.tobytes() == bytes([0xE6] * 200) + DATA
    assert run.confidence.min() > 0.99


def test_wrong_symbols_are_not_taken_for_idle_time() -> None:
    card = load_format("kcs-1200")
    symbols, _ = tape(card, np.random.default_rng(8).bytes(400))
    wrong = np.flatnonzero(np.random.default_rng(9).random(len(symbols)) < 0.02)
    assert not framing.Framer(layer.misheard(symbols, wrong), card).slots.often_idle


def test_what_is_no_bytes_has_no_idle_time_between_them() -> None:
    card = load_format("kcs-300")
    index = (np.random.default_rng(10).random(3000) < 0.8).astype(np.int16)
    symbols = layer.built("01", index, np.full(3000, 1 / 300))
    assert not framing.Framer(symbols, card).slots.often_idle


def test_idle_tone_heard_as_no_symbols_at_all_is_passed_over() -> None:
    card = load_format("kcs-300")
    table = framing.byte_symbols(card.byte)
    symbols = layer.heard([LEAD, *(TapePart("symbols", symbols=table[v] + "1111") for v in DATA), LEAD], card)
    first, step = int(np.flatnonzero(symbols.index == 0)[0]), 15
    for k in reversed(range(len(DATA) - 1)):
        symbols = layer.passed_over(symbols, first + k * step + 11, first + k * step + 14)
    run = framing.Framer(symbols, card).read(first, len(DATA))
    assert run.value.tobytes() == DATA


def test_reading_until_the_lead_stops_there_and_not_before() -> None:
    card = load_format("kcs-1200")
    symbols = layer.heard(
        [LEAD, TapePart("bytes", data=b"one"), TapePart("lead", symbols="1", seconds=0.1),
         TapePart("bytes", data=b"two"), LEAD, TapePart("bytes", data=b"three"), LEAD], card,
    )  # fmt: skip
    run = framing.Framer(symbols, card).read_until_lead(300, 1000, 0.2)
    assert run.value.tobytes() == b"onetwo"


def test_a_wrong_bit_is_doubted_as_much_as_the_receiver_did() -> None:
    card = load_format("kcs-300")
    symbols, first = tape(card)
    run = framing.Framer(layer.misheard(symbols, [first + 50 * 11 + 4], sure=0.7), card).read(
        first, len(DATA)
    )
    assert wrong_at(run, DATA) == [50]
    assert run.confidence[50] == pytest.approx(0.7, abs=0.01)


def test_parity_mends_the_weakest_bit_and_says_so() -> None:
    card = made_up("sectors")
    symbols, first = tape(card)
    at = first + 50 * card.byte.symbols_per_byte + 4
    run = framing.Framer(layer.misheard(symbols, [at], sure=0.7), card).read(first, len(DATA))
    assert wrong_at(run, DATA) == []
    assert list(np.flatnonzero(~run.parity_ok)) == [50]
    assert 0.9 < run.confidence[50] < 1.0


def test_a_symbol_that_is_no_bit_leaves_the_bit_open() -> None:
    card = made_up("unaddressed")
    text = framing.byte_symbols(card.byte)[0x55]
    symbols = layer.heard([TapePart("symbols", symbols=text[:3] + "L" + text[4:])], card)
    run = framing.Framer(symbols, card).read(0, 1)
    assert run.confidence[0] == pytest.approx(0.5, abs=0.01)
    assert abs(run.bit_llr[0, 3]) < 0.1


def test_byte_confidence_is_calibrated_where_the_symbols_are() -> None:
    # symbols wrong with the probability they claim: of bytes at confidence c, a share c must be right
    card = load_format("kcs-1200")
    data = np.random.default_rng(11).integers(0, 256, 20_000).astype(np.uint8).tobytes()
    symbols, first = tape(card, data)
    rng = np.random.default_rng(12)
    doubt = rng.choice([0.5, 0.1, 0.02, 0.001], len(symbols), p=[0.01, 0.04, 0.15, 0.8])
    doubt[:first] = 1e-5
    sure = np.where(rng.random(len(symbols)) < doubt, doubt, 1 - doubt)
    log_p = np.log(np.stack([np.where(symbols.index == k, sure, 1 - sure) for k in (0, 1)], axis=1))
    noisy = Symbols(
        symbols.names, log_p.argmax(axis=1).astype(np.int16), symbols.start_seconds, symbols.end_seconds,
        log_p.astype(np.float32), symbols.level, symbols.speed, symbols.noise,
    )  # fmt: skip
    run = framing.Framer(noisy, card).read(first, len(data))
    right = run.value == np.frombuffer(data, np.uint8)
    for low, high in [(0.3, 0.6), (0.6, 0.9), (0.9, 0.98), (0.98, 1.0)]:
        chosen = (run.confidence >= low) & (run.confidence < high)
        assert chosen.sum() > 300
        assert right[chosen].mean() == pytest.approx(run.confidence[chosen].mean(), abs=0.04)


def test_random_symbols_hold_no_bytes() -> None:
    card = load_format("kcs-300")
    framer = framing.Framer(layer.random_symbols(card, 50_000, seed=3), card)
    assert len(framer.read_until_lead(0, 4000, 0.2)) < 3


def test_no_symbols_give_no_bytes() -> None:
    card = load_format("kcs-300")
    framer = framing.Framer(Symbols.empty("01"), card)
    assert len(framer.read(0, 10)) == 0
    assert len(framer.read_until_lead(0, 10, 0.1)) == 0
