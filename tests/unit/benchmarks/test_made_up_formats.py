"""Made-up formats: valid cards of every family, whose saves are read back with them."""

from __future__ import annotations

from dataclasses import replace
from itertools import groupby

import numpy as np
import pytest

from benchmarks.learn.agreement import problem_of, try_format
from benchmarks.learn.checks import CATALOGUE, random_check
from benchmarks.learn.dice import Dice
from benchmarks.learn.formats import FAMILIES, MadeUp, random_format, random_program, random_start
from benchmarks.learn.saves import save
from benchmarks.learn.untold import is_untold
from tapewright.cards import Alphabet, load_format
from tapewright.cards.layout import Check, Fixed
from tapewright.chain import read

#: What the learner is to be measured with.
EVERY_TRAIT = (
    "asynchronous", "synchronous", "7-bits", "8-bits", "lsb", "msb", "parity-even", "parity-odd",
    "parity-mark", "parity-space", "hex", "inverted", "idle-between", "single", "header", "blocks",
    "repeated", "copies", "no-check", "no-addresses", "name", "run", "inclusive", "exclusive",
    "length", "length-offset", "sum8", "sum8-neg", "xor8", "sum16", "fletcher16", "crc8-any-poly",
    "crc16-any-poly", "crc16-catalogue", "crc32-catalogue", "pilot", "mark", "sine", "square",
)  # fmt: skip
families = pytest.mark.parametrize("family", FAMILIES)


def drawn(seed, family=None):
    return random_format(np.random.default_rng(seed), family)


@families
def test_cards_are_valid_whatever_is_drawn(family):
    """A card that breaks a rule is refused when it is made."""
    for seed in range(150):
        made_up = drawn(seed, family)
        assert made_up.family == family
        assert made_up.data_bits in (7, 8)


@families
@pytest.mark.parametrize("channel", [False, True], ids=["clean", "cassette"])
def test_a_save_is_read_back_with_the_card_it_was_made_by(family, channel):
    assert try_format(4 if family == "ratio" else 3, channel, family).problem == ""


def test_bits_are_as_fast_as_on_tapes():
    for seed in range(300):
        made_up = drawn(seed)
        rate = 1.0 / Alphabet.of(made_up.card).mean_bit_seconds
        slowest = 140.0 if made_up.family in ("ratio", "burst") else 299.0
        assert slowest < rate < 3001.0, made_up.card.name


def test_everything_a_format_can_be_is_drawn():
    """Each in at least one format of a hundred."""
    traits = [trait for seed in range(1000) for trait in set(drawn(seed).traits)]
    for trait in EVERY_TRAIT:
        assert traits.count(trait) >= 10, trait


def test_the_same_seed_gives_the_same_format_and_sound():
    first, second = (np.random.default_rng(5) for _ in range(2))
    one, other = random_format(first), random_format(second)
    assert one == other
    sounds = [save(one, bytes(40), 0x200, "A", rng).samples for rng in (first, second)]
    np.testing.assert_array_equal(*sounds)


def test_programs_have_no_more_bits_than_the_format_carries():
    rng = np.random.default_rng(1)
    narrow = next(f for f in map(drawn, range(1000)) if f.data_bits == 7)
    programs = [random_program(rng, narrow, n) for n in (32, 77, 512)]
    assert [len(program) for program in programs] == [32, 77, 512]
    assert max(map(max, programs)) < 128


def test_addresses_leave_room_for_the_longest_program():
    rng = np.random.default_rng(2)
    assert all(0x200 <= random_start(rng) <= 0xFE00 for _ in range(500))


def test_idle_time_between_bytes_is_heard():
    """The same program lasts longer by just the idle symbols: four after each byte behind the sync."""
    made_up = next(f for f in (drawn(seed, "n-cycle") for seed in range(1000)) if f.idle_between[1])
    steady = replace(made_up, idle_between=(4, 4))
    without = replace(made_up, idle_between=(0, 0))
    program = bytes(range(40, 104))
    seconds = [
        save(f, program, 0x300, "A", np.random.default_rng(8), channel=False).seconds
        for f in (steady, without)
    ]
    alphabet = Alphabet.of(made_up.card)
    idle = alphabet.shapes[alphabet.names.index(made_up.card.byte.stop[-1])].seconds
    assert seconds[0] - seconds[1] > 0.999 * 4 * 64 * idle


def test_a_wrong_program_or_address_is_told():
    made_up = next(f for f in map(drawn, range(100)) if f.has_addresses and f.has_check)
    program = bytes(range(64))
    reading = read(
        save(made_up, program, 0x1234, "A", np.random.default_rng(0), channel=False), format=made_up.card
    )
    assert problem_of(reading, made_up, program, 0x1234) == ""
    assert problem_of(reading, made_up, program[:-1] + b"x", 0x1234).startswith("bytes")
    assert problem_of(reading, made_up, program, 0x1235) == "address"


def test_polynomials_are_odd():
    """Even ones are no better than a shorter check, and nobody has ever used one."""
    dice = Dice(np.random.default_rng(3))
    checks = [random_check(dice, ["data"], can_differ_as_sent=False)[0]["check"] for _ in range(400)]
    polynomials = [check["crc"]["poly"] for check in checks if isinstance(check, dict)]
    assert len(polynomials) > 40
    assert all(poly & 1 for poly in polynomials)
    assert all(poly & 1 for _, poly, *_ in CATALOGUE.values())


def test_what_a_check_covers_goes_through_it_in_the_order_of_the_tape():
    """Items of one name go through it together: so of what is fixed nothing stands apart from the rest."""
    for seed in range(400):
        for block in drawn(seed).card.block:
            are_fixed = [isinstance(item, Fixed) for item in block.layout]
            assert sum(is_fixed for is_fixed, _ in groupby(are_fixed)) <= 1


@pytest.mark.parametrize(
    "check, is_rare",
    [
        ({"check": "sum8", "over": ["data"]}, False),
        ({"check": "sum8", "over": ["data"], "start": 0x5A}, True),
        ({"check": {"crc": {"width": 16, "poly": 0x1021, "init": 0xFFFF}}, "over": ["data"]}, False),
        ({"check": {"crc": {"width": 16, "poly": 0x2345, "init": 0xFFFF}}, "over": ["data"]}, True),
    ],
)
def test_one_message_does_not_tell_a_check_of_a_rule_of_its_own_and_two_do(check, is_rare):
    card = load_format("heron-cycle-1600")
    (block,) = card.block
    layout = [Check.model_validate(check) if isinstance(item, Check) else item for item in block.layout]
    card = card.model_copy(update={"block": [block.model_copy(update={"layout": layout})]})
    made_up = MadeUp(card, "one-cycle")
    first, other = (
        save(made_up, bytes(range(k, k + 40)), 0x300, "", np.random.default_rng(k), channel=False)
        for k in (1, 9)
    )
    assert is_untold(made_up, [first]) == is_rare
    assert is_untold(made_up, [first, first]) == is_rare  # the same again tells nothing more
    assert not is_untold(made_up, [first, other])
