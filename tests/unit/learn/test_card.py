"""A card learned from tapes of a made-up card is taken by the loader, and reads tapes it has not seen."""

from __future__ import annotations

import pytest

import symbol_layer as layer
from made_up_cards import HEAD, WIDTHS, made_up
from made_up_saves import CODE, findings, program, trainer
from relearning import Relearned, blocks_read, heard, relearn
from tapewright import blocks
from tapewright.cards import FormatCard, parse_card
from tapewright.learn.card import Heading, card_text
from tapewright.learn.guesses import doubted
from tapewright.learn.known import Known
from tapewright.model import Image, Range

_BLOCK_LEAD = '{ lead = "L", seconds = 0.5, at_least = 0.1 }, { mark = "S" },'
ARC = "{ crc = { width = 16, poly = 0x8005, refin = true, refout = true } }"
CARDS = {
    "header, blocks by size and a flag of the last": f"""
[[block]]
kind = "header"
load = "start"
layout = [
  {_BLOCK_LEAD} {{ fixed = "3a 48" }}, {{ text = "name", length = 8 }},
  {{ field = "start", type = "u16-le" }},
  {{ check = "xor8", over = ["name", "start"] }},
]
[[block]]
kind = "data"
after = "header"
size = 64
last_when = {{ field = "flag", equals = 255 }}
layout = [
  {_BLOCK_LEAD} {{ fixed = "3a 44" }}, {{ field = "flag", type = "u8", value = "is_last * 255" }},
  {{ field = "length", type = "u8" }}, {{ data = "length" }},
  {{ check = "sum8", over = ["flag", "length", "data"] }}, {{ lead = "L", seconds = 0.1 }},
]
""",
    "a header check before the data, in one block": f"""
[[block]]
kind = "data"
load = "start"
layout = [
  {_BLOCK_LEAD} {{ fixed = "3a 48" }}, {{ field = "start", type = "u16-le" }},
  {{ field = "length", type = "u16-le" }},
  {{ check = "sum8", over = ["start", "length"] }}, {{ data = "length" }},
  {{ check = {{ crc = {{ width = 16, poly = 0x1021 }} }}, over = ["data"] }}, {{ lead = "L", seconds = 0.1 }},
]
""",
    "a check over part of the constants": f"""
[[block]]
kind = "data"
load = "start"
layout = [
  {_BLOCK_LEAD} {{ sync = "e6 19" }}, {{ fixed = "44 07" }}, {{ field = "start", type = "u16-be" }},
  {{ field = "end", type = "u16-be" }}, {{ data = "end - start + 1" }},
  {{ check = {ARC}, over = ["fixed", "start", "end", "data"], order = "le" }},
  {{ lead = "L", seconds = 0.1 }},
]
""",
    "last blocks filled up": f"""
[[block]]
kind = "header"
load = "start"
layout = [
  {_BLOCK_LEAD} {{ fixed = "3a 48" }}, {{ field = "start", type = "u16-le" }},
  {{ field = "total", type = "u16-le" }}, {{ check = "sum8", over = ["start", "total"] }},
]
[[block]]
kind = "data"
after = "header"
size = 64
total = "total"
layout = [
  {_BLOCK_LEAD} {{ fixed = "3a 44" }}, {{ field = "index", type = "u8" }}, {{ data = "64" }},
  {{ check = "sum16", over = ["index", "data"] }}, {{ lead = "L", seconds = 0.1 }},
]
""",
    "all but the sync inverted": f"""
[[block]]
kind = "data"
load = "start"
layout = [
  {_BLOCK_LEAD} {{ sync = "3a 48" }}, {{ field = "start", type = "u16-le", xor = 255 }},
  {{ field = "length", type = "u16-be", xor = 255 }}, {{ data = "length", xor = 255 }},
  {{ check = "sum8", over = ["start", "length", "data"], as_sent = true, xor = 255 }},
  {{ lead = "L", seconds = 0.1 }},
]
""",
    "every block three times": f"""
[[block]]
kind = "data"
load = "start"
copies = 3
layout = [
  {_BLOCK_LEAD} {{ fixed = "3a 48" }}, {{ field = "start", type = "u16-le" }},
  {{ field = "length", type = "u16-be" }},
  {{ data = "length" }}, {{ check = "fletcher16", over = ["start", "length", "data"] }},
  {{ lead = "L", seconds = 0.1 }},
]
""",
}
TAUGHT = [Known(program(60, 301), 0x9234, "TIDE"), Known(program(64, 222), 0x8765, "HARBOUR")]
ANOTHER = Known(program(62, 177), 0xA1B2, "KELP")


def card_of(which: str) -> FormatCard:
    if which not in CARDS:
        return made_up(which)
    toml = HEAD.format(name="made-up") + WIDTHS + '[byte]\norder = "msb"\n' + CARDS[which]
    return parse_card(toml, FormatCard, "made-up.toml")


def assert_reads_another(card: FormatCard, learned: Relearned) -> None:
    found = blocks_read(learned.card, heard(card, ANOTHER))
    ordered = {block.address: block.data for block in found}
    assert b"".join(bytes(ordered[address]) for address in sorted(ordered)) == ANOTHER.data  # type: ignore[type-var]
    assert min(ordered) == ANOTHER.start  # type: ignore[type-var]
    assert {block.check for block in found} == {"ok"}


UPRIGHT = [which for which in CARDS if "inverted" not in which]


@pytest.mark.parametrize("which", [*UPRIGHT, "plain", "sectors", "header"])
def test_a_third_program_reads_back_with_its_check(which):
    card = card_of(which)
    assert_reads_another(card, relearn(card, TAUGHT))


@pytest.mark.parametrize("which", UPRIGHT)
def test_and_a_byte_that_changed_on_the_way_is_noticed(which):
    card = card_of(which)
    learned = relearn(card, TAUGHT).card
    image = Image((Range(ANOTHER.start, ANOTHER.data),), name=ANOTHER.name)
    parts = list(blocks.encode(image, card))
    symbols = layer.heard(parts, card)
    place = len(symbols) - 300  # among the last block's data
    damaged = layer.misheard(symbols, [place], sure=0.9999)
    assert any(block.check != "ok" for block in blocks_read(learned, damaged))


def test_a_check_over_inverted_bytes_is_found_where_all_of_them_are():
    card = card_of("all but the sync inverted")
    upright, inverted = relearn(card, TAUGHT), relearn(card, TAUGHT, is_inverted=True)
    (kind,) = inverted.kinds
    assert kind.tail_check is not None
    assert kind.tail_check.certainty == "likely"  # of two programs
    assert kind.tail_check.rule.as_sent
    assert kind.bits < upright.kinds[0].bits
    assert inverted.card.byte == card.byte
    assert_reads_another(card, inverted)


def test_copies_are_written_as_often():
    learned = relearn(card_of("every block three times"), TAUGHT)
    assert [block.copies for block in learned.card.block] == [3]


def test_a_learned_card_writes_what_the_original_reads():
    card = card_of("a header check before the data, in one block")
    learned = relearn(card, TAUGHT).card
    (block,) = blocks_read(card, heard(learned, ANOTHER))
    assert (block.address, bytes(block.data), block.check) == (ANOTHER.start, ANOTHER.data, "ok")


def test_what_is_open_is_said_beside_it():
    card = card_of("a header check before the data, in one block")
    open_ones = relearn(card, [Known(program(63, 80), 0x4444)]).text
    settled = relearn(card, TAUGHT).text
    assert "# open" in open_ones
    assert "# open" not in settled


def test_where_nothing_is_read_back_a_certain_check_says_why_it_is_only_likely():
    found = findings([*TAUGHT, ANOTHER], trainer)
    heading = Heading("certain", "", "", "", CODE.symbols)
    sure, doubtful = (
        card_text(heading, found.framing, kinds, found.rules).splitlines()
        for kinds in (found.kinds, doubted(found.kinds, "no recording is read back"))
    )
    (change,) = [pair for pair in zip(sure, doubtful, strict=True) if pair[0] != pair[1]]
    check, _, _ = change[0].partition("# certain")
    assert change == (f"{check}# certain", f"{check}# likely; no recording is read back")


def test_a_constant_before_the_data_that_may_be_a_check_is_not_insisted_on():
    def head(known: Known) -> tuple[bytes, bytes]:
        assert known.start is not None
        return b"\xa6\x1c" + known.start.to_bytes(2, "little") + b"\x5d", b""

    one, two = (findings(TAUGHT[:count], head) for count in (1, 2))
    heading = Heading("made-up", "", "", "", CODE.symbols)
    texts = [card_text(heading, found.framing, found.kinds, found.rules) for found in (one, two)]
    assert ["value = 0x5d, varies = true" in text for text in texts] == [True, False]
