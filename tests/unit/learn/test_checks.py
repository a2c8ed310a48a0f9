"""Checks planted in made-up blocks are found; where there is none, or too little to go by, that is said."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapewright.cards.checks import CrcCheck, CrcParameters
from tapewright.cards.layout import Coded
from tapewright.learn.check_rule import CheckRule, Message
from tapewright.learn.checks import INVERTING_IS_UNTOLD, find_checks

NAMES = ("sync", "fixed", "name", "start", "length", "data")
ALL_FIELDS = ("name", "start", "length", "data")


def bare_block(dice: np.random.Generator, length: int, coded: Coded = Coded()) -> Message:  # noqa: B008
    items = (
        ("sync", b"\xa5\x3c"),
        ("fixed", b"\x01"),
        ("name", dice.integers(65, 91, 6).astype(np.uint8).tobytes()),
        ("start", dice.bytes(2)),
        ("length", length.to_bytes(2, "little")),
        ("data", dice.bytes(length)),
    )
    return Message(items, (items[0][1], *(coded.to_tape(value) for _, value in items[1:])), b"", b"")


def ended(block: Message, tail: bytes, coded: Coded = Coded()) -> Message:  # noqa: B008
    return replace(block, tail=tail, tail_sent=coded.to_tape(tail))


def saved(rule: CheckRule, lengths: list[int], seed: int = 0, coded: Coded = Coded()) -> list[Message]:  # noqa: B008
    """Blocks with a check, after as many bytes of no meaning as its offset says."""
    dice = np.random.default_rng(seed)
    blocks = [bare_block(dice, length, coded) for length in lengths]
    return [ended(block, dice.bytes(rule.offset) + rule.check_bytes(block), coded) for block in blocks]


def spoilt(message: Message) -> Message:
    """Change a byte of the data."""
    name, data = message.items[-1]
    data = bytes([data[0] ^ 0x10]) + data[1:]
    return replace(message, items=(*message.items[:-1], (name, data)), sent=(*message.sent[:-1], data))


# ---- what is planted is found


def crc_checks() -> st.SearchStrategy[CrcCheck]:
    def of_width(width: int) -> st.SearchStrategy[CrcCheck]:
        ones = (1 << width) - 1
        polys = {
            8: [0x07, 0x31, 0x39, 0x9B], 16: [0x1021, 0x8005], 24: [0x864CFB], 32: [0x04C11DB7, 0x1EDC6F41],
        }  # fmt: skip
        return st.builds(
            lambda poly, init, turned, xorout: CrcCheck(
                crc=CrcParameters(
                    width=width, poly=poly, init=init, refin=turned, refout=turned, xorout=xorout
                )
            ),
            st.sampled_from(polys[width]),
            st.sampled_from([0, ones]),
            st.booleans(),
            st.sampled_from([0, ones]),
        )

    return st.sampled_from([8, 16, 24, 32]).flatmap(of_width)


def coverages() -> st.SearchStrategy[tuple[str, ...]]:
    runs = [NAMES[first:] for first in range(len(NAMES))]
    return st.sampled_from([*runs, ("data",)])


def rules() -> st.SearchStrategy[CheckRule]:
    simple = st.builds(
        CheckRule,
        check=st.sampled_from(["sum8", "sum8-neg", "xor8", "sum16", "fletcher16"]),
        over=coverages(),
        order=st.sampled_from(["be", "le"]),
        start=st.sampled_from([0, 0, 0x5A]),
    )
    crcs = st.builds(CheckRule, check=crc_checks(), over=coverages(), order=st.sampled_from(["be", "le"]))
    return st.one_of(simple, crcs).flatmap(
        lambda rule: st.integers(0, 2).map(lambda offset: replace(rule, offset=offset))
    )


@settings(max_examples=60, deadline=None)
@given(
    rules(), st.lists(st.integers(32, 300), min_size=6, max_size=8, unique=True), st.integers(0, 2**32 - 1)
)
def test_whatever_is_planted_is_claimed_or_among_the_rivals(rule, lengths, seed) -> None:
    claim = find_checks(saved(rule, lengths, seed))[0]
    fresh = saved(rule, [5, 77, 400], seed + 1)
    own = [candidate.rule for candidate in (claim, *claim.rivals)]
    assert any(all(map(candidate.holds, fresh)) for candidate in own)
    if claim.certainty != "open":
        assert all(map(claim.rule.holds, fresh))
    # variants are the same by another name
    for variant in claim.variants:
        assert [variant.check_bytes(block) for block in fresh] == [
            claim.rule.check_bytes(block) for block in fresh
        ]


@pytest.mark.parametrize(
    "rule",
    [
        CheckRule("sum8", ALL_FIELDS),
        CheckRule("sum8-neg", ("data",)),
        CheckRule("xor8", ("fixed", *ALL_FIELDS)),
        CheckRule("sum8", ("start", "length", "data"), xor=255),
        CheckRule("sum16", ALL_FIELDS, "le"),
        CheckRule("sum16", ("data",), "be", xor=255),
        CheckRule("fletcher16", ("start", "length", "data"), "le"),
    ],
    ids=lambda rule: f"{rule.check}-{rule.xor}",
)
def test_a_sum_is_certain_after_four_different_programs(rule) -> None:
    claim = find_checks(saved(rule, [64, 100, 151, 33]))[0]
    assert rule in (claim.rule, *claim.variants)
    assert (claim.certainty, claim.agreeing, claim.messages) == ("certain", 4, 4)


@pytest.mark.parametrize(
    "poly, init, is_reflected, xorout",
    [(0x07, 0, False, 0), (0x07, 0, False, 0x55), (0x31, 0, True, 0), (0x9B, 0xFF, False, 0)],
    ids=["SMBUS", "I-432-1", "MAXIM-DOW", "CDMA2000"],
)
def test_a_published_crc_of_8_bits_is_found_in_a_single_block(poly, init, is_reflected, xorout) -> None:
    crc = CrcParameters(width=8, poly=poly, init=init, refin=is_reflected, refout=is_reflected, xorout=xorout)
    rule = CheckRule(CrcCheck(crc=crc), ("fixed", *ALL_FIELDS))
    claim = find_checks(saved(rule, [200], seed=2))[0]
    assert claim.rule == rule
    assert claim.certainty == "open"


def test_of_two_checks_that_fit_a_header_the_one_that_the_data_have_is_taken() -> None:
    # 14 + 79 + 01 + 0B + 67 is a multiple of 256, and 14 ^ 79 ^ 01 ^ 0B is 67 as well
    header = Message.uncoded([("fixed", b"\x14\x79"), ("total", b"\x01\x0b")], b"\x67")
    for kind in ("sum8-neg", "xor8"):
        claim = find_checks([header], kin=[CheckRule(kind, ("start", "data"))])[0]
        assert claim.rule == CheckRule(kind, ("fixed", "total"))
        assert {"sum8-neg", "xor8"} == {claim.rule.check, *(rival.rule.check for rival in claim.rivals)}


def test_a_polynomial_that_the_data_give_away_is_tried_on_a_single_header() -> None:
    check = CrcCheck(crc=CrcParameters(width=16, poly=0x6F15, init=0x1234))
    (header,) = saved(CheckRule(check, ALL_FIELDS), [40])
    assert all(claim.rule.check != check for claim in find_checks([header]))
    assert find_checks([header], kin=[CheckRule(check, ("data",))])[0].rule == CheckRule(check, ALL_FIELDS)


def test_an_inverted_sum_of_coded_bytes_is_written_as_a_card_can_write_it() -> None:
    # of bytes sent as two characters the characters would be inverted, not the byte: so -sum - 1 it is
    hexadecimal = Coded(coding="hex")
    rule = CheckRule("sum8-neg", ("start", "length", "data"), start=1)
    claim = find_checks(saved(rule, [40, 60, 90], coded=hexadecimal))[0]
    assert claim.rule == rule


@pytest.mark.parametrize(
    "coded", [Coded(coding="hex"), Coded(xor=0x55), Coded(add=0x30)], ids=["hex", "xor", "add"]
)
@pytest.mark.parametrize("as_sent", [False, True])
def test_sums_over_bytes_in_memory_and_as_sent_are_told_apart(coded, as_sent) -> None:
    rule = CheckRule("sum16", ("start", "length", "data"), as_sent=as_sent)
    claim = find_checks(saved(rule, [40, 60, 91], coded=coded))[0]
    assert claim.rule == rule
    assert claim.certainty == "certain"


def test_a_check_that_is_not_coded_like_the_rest_is_found() -> None:
    hexadecimal = Coded(coding="hex")
    rule = CheckRule("sum8", ("start", "length", "data"), is_coded=False)
    dice = np.random.default_rng(2)
    messages = []
    for length in (40, 60, 91):
        block = bare_block(dice, length, hexadecimal)
        messages.append(replace(block, tail_sent=rule.check_bytes(block) + b"\r"))
    claim = find_checks(messages)[0]
    assert claim.rule == rule


def test_the_check_of_a_header_is_found_without_data() -> None:
    rule = CheckRule("xor8", ("name", "start", "length"))
    dice = np.random.default_rng(5)
    blocks = [bare_block(dice, length) for length in (40, 600, 7000)]
    headers = [replace(block, items=block.items[:-1], sent=block.sent[:-1]) for block in blocks]
    claim = find_checks([ended(header, rule.check_bytes(header) + b"\0\0") for header in headers])[0]
    assert (claim.rule, claim.certainty) == (rule, "certain")


def test_a_check_may_leave_out_bytes_that_nobody_knows() -> None:
    # another check in the header, which cannot be told yet
    rule = CheckRule("sum16", ("start", "length", "data"))
    dice = np.random.default_rng(6)
    messages = []
    for length in (40, 60, 91):
        block = bare_block(dice, length)
        known = ended(block, rule.check_bytes(block))
        foreign = ("unknown", bytes(dice.integers(0, 256, 4).astype(np.uint8)))
        parts = [*known.items[:-1], foreign, known.items[-1]]
        messages.append(replace(known, items=tuple(parts), sent=tuple(part for _, part in parts)))
    claim = find_checks(messages)[0]
    assert (claim.rule, claim.certainty) == (rule, "certain")


# ---- how sure


def test_an_8_bit_check_of_one_block_is_at_most_likely() -> None:
    claim = find_checks(saved(CheckRule("sum8", ("data",)), [200]))[0]
    assert claim.rule == CheckRule("sum8", ("data",))
    assert claim.certainty != "certain"


def test_one_block_never_makes_certain_not_even_of_a_wide_check() -> None:
    check = CrcCheck(
        crc=CrcParameters(
            width=32, poly=0x04C11DB7, init=0xFFFFFFFF, refin=True, refout=True, xorout=0xFFFFFFFF
        )
    )
    claim = find_checks(saved(CheckRule(check, ("data",)), [200]))[0]
    assert (claim.rule.check, claim.certainty) == (check, "likely")


def test_the_same_save_twice_is_one_piece_of_evidence() -> None:
    (message,) = saved(CheckRule("sum8", ("data",)), [200])
    once, twice = find_checks([message]), find_checks([message] * 5)
    assert once == twice
    assert twice[0].messages == 1


def test_one_misread_block_among_many_is_counted_and_does_no_harm() -> None:
    rule = CheckRule("sum8", ALL_FIELDS)
    messages = saved(rule, [40, 50, 60, 70, 80])
    claim = find_checks([*messages[:4], spoilt(messages[4])])[0]
    assert (claim.rule, claim.agreeing, claim.messages) == (rule, 4, 5)
    assert "4 of 5" in claim.words


@pytest.mark.parametrize("kind", ["constant", "random", "repeated", "nothing"])
def test_trailers_that_are_no_check_are_never_more_than_open(kind) -> None:
    sure = 0
    for seed in range(25):
        dice = np.random.default_rng([seed, 1])
        blocks = [bare_block(dice, length) for length in (40, 64, 90)]
        tails = {
            "constant": lambda: b"\x17\x00\xff",
            "random": lambda dice=dice: dice.bytes(2),
            "repeated": lambda dice=dice: dice.bytes(1) * 5,
            "nothing": lambda: b"",
        }
        claims = find_checks([ended(block, tails[kind]()) for block in blocks])
        sure += any(claim.certainty != "open" for claim in claims)
    assert sure == 0


def test_nothing_at_all_gives_no_claim() -> None:
    assert find_checks([]) == []
    assert find_checks([Message.uncoded([], b"\x12")]) == []


def test_a_block_cut_off_before_its_check_does_not_disturb() -> None:
    rule = CheckRule("sum16", ALL_FIELDS, "le")
    messages = saved(rule, [40, 50, 60, 70])
    cut = ended(messages[3], messages[3].tail[:1])
    assert find_checks([*messages[:3], cut])[0].rule == rule


def test_the_evidence_is_a_sentence() -> None:
    claim = find_checks(saved(CheckRule("sum16", ("start", "length", "data"), "le", offset=2), [40, 50, 60]))[
        0
    ]
    beginning = (
        "The sum mod 65536 of start, length and data, low byte first: found 2 bytes after the items "
        "in all 3 different blocks; among the rules tried, one would fit by chance in 1 of 2^"
    )
    assert claim.words.startswith(beginning)


# ---- rivals and variants


def saved_at_one_address(rule: CheckRule) -> list[Message]:
    messages = []
    for message in saved(rule, [64, 81, 99]):
        items = tuple((name, b"\0\2" if name == "start" else value) for name, value in message.items)
        moved = Message.uncoded(items, b"")
        messages.append(ended(moved, rule.check_bytes(moved)))
    return messages


def test_an_address_that_never_changed_leaves_open_whether_it_is_covered() -> None:
    rule = CheckRule("sum8", ("length", "data"), start=0x5A)
    claim = find_checks(saved_at_one_address(rule))[0]
    covering = {other.rule.over for other in (claim, *claim.rivals)}
    assert claim.certainty == "open"
    assert {("length", "data"), ("start", "length", "data")} <= covering


def test_a_sum_over_constants_and_a_start_value_are_one_claim_with_variants() -> None:
    # the fixed byte is 01: covering it and starting from 1 are the same for every program
    claim = find_checks(saved(CheckRule("sum8", ("fixed", *ALL_FIELDS)), [40, 60, 80]))[0]
    assert claim.rule == CheckRule("sum8", ("fixed", *ALL_FIELDS))
    assert CheckRule("sum8", ALL_FIELDS, start=1) in claim.variants
    assert claim.certainty == "certain"


def test_a_field_known_to_be_constant_leaves_nothing_open() -> None:
    messages = saved_at_one_address(CheckRule("sum8", ("length", "data"), start=0x5A))
    claim = find_checks(messages, constants={"sync", "fixed", "start"})[0]
    ways = {(rule.over, rule.start) for rule in (claim.rule, *claim.variants)}
    # the address is 0200h, its bytes add up to 02
    assert {(("length", "data"), 0x5A), (("start", "length", "data"), 0x58)} <= ways
    assert claim.certainty != "open"


def test_a_start_value_and_a_final_value_of_a_crc_are_rivals_at_one_length() -> None:
    check = CrcCheck(crc=CrcParameters(width=16, poly=0x1021, init=0x1234))
    claim = find_checks(saved(CheckRule(check, ("data",)), [64, 64, 64]))[0]
    crcs = [other.rule.check.crc for other in (claim, *claim.rivals)]
    assert claim.certainty == "open"
    assert {(0x1234, True), (0, False)} <= {(crc.init, crc.xorout == 0) for crc in crcs}


def test_blocks_of_another_length_tell_them_apart() -> None:
    check = CrcCheck(crc=CrcParameters(width=16, poly=0x1021, init=0x1234))
    claim = find_checks(saved(CheckRule(check, ("data",)), [64, 64, 65]))[0]
    assert (claim.rule.check, claim.certainty) == (check, "certain")


def test_a_check_over_constants_alone_is_a_constant():
    items = (("sync", b"\xa5\x3c"), ("fixed", b"\x01"))
    tail = bytes([sum(b"\xa5\x3c\x01") & 0xFF])
    assert find_checks([Message(items, tuple(value for _, value in items), tail, tail)]) == []


def test_a_byte_is_certain_only_where_three_different_contents_agree() -> None:
    dice = np.random.default_rng(11)
    programs = [dice.bytes(40 + 7 * n) for n in range(3)]
    blocks = [Message.uncoded((("data", data),), bytes([sum(data) & 255])) for data in programs]
    assert find_checks(blocks[:2])[0].certainty != "certain"
    assert find_checks(blocks)[0].certainty == "certain"
    elsewhere = [
        Message.uncoded((("start", bytes([0, n])), ("data", programs[0])), blocks[0].tail)
        for n in (16, 32, 48)
    ]
    assert all(claim.certainty != "certain" for claim in find_checks(elsewhere))


@pytest.mark.parametrize(
    "check, lengths, certainty",
    [
        ("xor8", [20, 40, 64, 80], "likely"),
        ("xor8", [20, 40, 65, 80], "certain"),
        ("sum8", [20, 40, 64, 80], "certain"),
    ],
)
def test_an_exclusive_or_over_even_lengths_only_may_be_of_inverted_bytes(check, lengths, certainty) -> None:
    best = find_checks(saved(CheckRule(check, ("data",)), lengths))[0]
    assert (best.rule.check, best.certainty) == (check, certainty)
    assert (best.doubt == INVERTING_IS_UNTOLD) == (certainty == "likely")
