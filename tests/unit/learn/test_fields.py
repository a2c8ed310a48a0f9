"""What stands before the data is told from made-up heads: as much as recordings can tell, and no more."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import reduce
from operator import xor

import pytest

from made_up_saves import program
from tapewright.learn.facts import Facts, facts_of
from tapewright.learn.fields import explain_bytes
from tapewright.learn.known import Known
from tapewright.learn.parts import Part
from tapewright.learn.samples import Sample

KNOWNS = (
    Known(program(40, 300), 0x9234, "TIDE", 0x9240), Known(program(41, 411), 0x8765, "HARBOUR", 0x8799)
)  # fmt: skip
#: From here on the learner calls a field certain.
SURE = 12.0


def end(known: Known) -> int:
    assert known.start is not None
    return known.start + len(known.data) - 1


def explained(
    write: Callable[[Known], bytes], knowns: Sequence[Known] = KNOWNS, coding: str = "plain"
) -> list[Part]:
    """What is made of heads of saves of one block each."""
    heads = [write(known) for known in knowns]
    samples = [
        Sample(save, head, b"", 0, len(known.data))
        for save, (head, known) in enumerate(zip(heads, knowns, strict=True))
    ]
    facts = facts_of(samples, samples, knowns, [known.start for known in knowns])
    return explain_bytes(heads, facts, coding)[0]


def meanings(parts: Sequence[Part]) -> list[tuple[str, int, str]]:
    return [(part.fact, part.offset, part.type) for part in parts if part.kind == "field"]


@pytest.mark.parametrize(
    "number, offset", [(end, 0), (lambda known: end(known) + 1, 1)], ids=["inclusive", "exclusive"]
)
@pytest.mark.parametrize("order", ["little", "big"])
def test_first_and_last_address(number, offset, order):
    def write(known: Known) -> bytes:
        return b"\xa5" + known.start.to_bytes(2, order) + number(known).to_bytes(2, order)

    parts = explained(write)
    kind = "u16-le" if order == "little" else "u16-be"
    assert meanings(parts) == [("start", 0, kind), ("end", offset, kind)]
    assert (parts[0].kind, parts[0].value) == ("constant", b"\xa5")
    assert all(part.lead_bits > SURE for part in parts[1:])


@pytest.mark.parametrize("offset", [0, -1])
def test_number_of_bytes_and_one_less(offset):
    parts = explained(lambda known: b"\xa5" + (len(known.data) + offset).to_bytes(2, "big"))
    assert meanings(parts) == [("length", offset, "u16-be")]


def test_one_recording_tells_a_number_of_bytes_that_counts_a_few_more():
    parts = explained(lambda known: b"\xa5" + (len(known.data) + 5).to_bytes(2, "little"), KNOWNS[:1])
    assert meanings(parts) == [("length", 5, "u16-le")]
    assert parts[-1].lead_bits < SURE  # it may be chance


def test_one_recording_does_not_make_a_distant_number_a_field():
    parts = explained(lambda known: b"\xa5" + (len(known.data) + 555).to_bytes(2, "little"), KNOWNS[:1])
    assert not meanings(parts)


@pytest.mark.parametrize("order", ["little", "big"])
def test_numbers_alike_both_ways_are_taken_to_be_written_as_the_others(order):
    known = Known(program(42, 0x101), 0x9234)
    parts = explained(
        lambda known: known.start.to_bytes(2, order) + len(known.data).to_bytes(2, order), [known]
    )
    kind = "u16-le" if order == "little" else "u16-be"
    assert meanings(parts) == [("start", 0, kind), ("length", 0, kind)]


@pytest.mark.parametrize("order, kind", [("little", "u24-le"), ("big", "u24-be")])
def test_an_address_of_24_bits(order, kind):
    knowns = [Known(known.data, known.start + 0x10000 * k) for k, known in enumerate(KNOWNS, 3)]
    parts = explained(lambda known: known.start.to_bytes(3, order), knowns)
    assert meanings(parts) == [("start", 0, kind)]


def test_where_it_runs_is_not_where_it_starts():
    parts = explained(lambda known: known.start.to_bytes(2, "little") + known.run.to_bytes(2, "little"))
    assert [part.fact for part in parts] == ["start", "run"]


def test_numbers_in_hexadecimal_characters():
    parts = explained(lambda known: b":%04X%04X" % (known.start, end(known)), coding="hex")
    fields = [part for part in parts if part.kind == "field"]
    assert [(part.fact, part.coding, part.type) for part in fields] == [
        ("start", "hex", "u16-be"), ("end", "hex", "u16-be"),
    ]  # fmt: skip
    assert [part.widths for part in fields] == [(4, 4), (4, 4)]


@pytest.mark.parametrize("pad", [b" ", b"\0"])
def test_a_name_filled_up(pad):
    def write(known: Known) -> bytes:
        return b"\xa5" + known.name.encode().ljust(10, pad) + known.start.to_bytes(2, "little")

    parts = explained(write)
    name = next(part for part in parts if part.kind == "text")
    assert (name.is_ended, name.value, name.widths) == (False, pad, (10, 10))
    assert meanings(parts) == [("start", 0, "u16-le")]


@pytest.mark.parametrize("ending", [b"\r", b"\0"])
def test_a_name_that_is_ended_may_be_of_any_length(ending):
    parts = explained(lambda known: b"\xa5" + known.name.encode() + ending + known.start.to_bytes(2, "big"))
    name = next(part for part in parts if part.kind == "text")
    assert (name.is_ended, name.value, name.widths) == (True, ending, (5, 8))
    assert meanings(parts) == [("start", 0, "u16-be")]


def test_one_zero_after_a_name_is_its_end_and_four_fill_it_up():
    (ended,) = explained(lambda known: known.name.encode() + b"\0", KNOWNS[:1])
    assert (ended.is_ended, ended.value) == (True, b"\0")
    (filled,) = explained(lambda known: known.name.encode() + bytes(4), KNOWNS[:1])
    assert not filled.is_ended


def test_one_zero_after_a_name_may_fill_it_up_until_a_name_of_another_length_tells():
    def name(knowns: Sequence[Known]) -> Part:
        parts = explained(lambda known: b"\xa5" + known.name.encode() + b"\0", knowns)
        return next(part for part in parts if part.kind == "text")

    assert name(KNOWNS[:1]).is_ended
    assert name(KNOWNS[:1]).lead_bits < 6.0
    assert "a name of 5, filled up with 00" in name(KNOWNS[:1]).rivals
    assert name(KNOWNS).lead_bits > SURE
    assert not name(KNOWNS).rivals


def block_facts(counts: Sequence[int]) -> tuple[list[Sample], Facts]:
    """Two saves, cut into blocks."""
    samples = []
    for save, known in enumerate(KNOWNS):
        for first in range(0, len(known.data), counts[save]):
            stop = min(first + counts[save], len(known.data))
            samples.append(Sample(save, b"", b"", first, stop))
    return samples, facts_of(samples, samples, KNOWNS, [known.start for known in KNOWNS])


def each_block(write: Callable[[int, Sample, bool, int], bytes]) -> list[Part]:
    samples, facts = block_facts((64, 64))
    heads = []
    for sample in samples:
        own = [other for other in samples if other.save == sample.save]
        index = own.index(sample)
        remaining = len(KNOWNS[sample.save].data) - sample.end
        heads.append(write(index, sample, index == len(own) - 1, remaining))
    return explain_bytes(heads, facts)[0]


def test_the_number_of_the_block():
    assert meanings(each_block(lambda index, *_: b"\xa5" + bytes([index]))) == [("index", 0, "u8")]


def test_the_number_of_the_block_counted_from_one():
    assert meanings(each_block(lambda index, *_: b"\xa5" + bytes([index + 1]))) == [("index", 1, "u8")]


def test_the_number_of_the_block_where_one_was_not_heard():
    samples, _ = block_facts((64, 64))
    heard = [sample for sample in samples if sample.first != 64]
    facts = facts_of(heard, heard, KNOWNS, [known.start for known in KNOWNS])
    last = max(sample.first for sample in heard if sample.save == 1)
    heads = [bytes([sample.first // 64, sample.save and sample.first == last]) for sample in heard]
    assert facts.numbers["blocks"].tolist() == [-(-300 // 64)] * 4 + [-(-411 // 64)] * 6
    assert meanings(explain_bytes(heads, facts)[0])[0] == ("index", 0, "u8")


def test_the_last_block_is_1():
    assert meanings(each_block(lambda _, __, is_last, ___: bytes([is_last]))) == [("is_last", 0, "u8")]


def test_the_last_block_is_ff():
    (flag,) = each_block(lambda _, __, is_last, ___: b"\xff" if is_last else b"\0")
    assert (flag.fact, flag.two) == ("two", (255, 0))


def test_one_recording_tells_a_flag_of_any_number_that_is_zero_before_the_last_block():
    known = Known(program(43, 300), 0x9234)
    samples = [Sample(0, b"", b"", first, min(first + 128, 300)) for first in (0, 128, 256)]
    facts = facts_of(samples, samples, [known], [known.start])
    (flag,) = explain_bytes([b"\x00", b"\x00", b"\x53"], facts)[0]
    assert (flag.fact, flag.two) == ("two", (0x53, 0))


def test_what_is_still_to_come():
    parts = each_block(lambda _, __, ___, remaining: remaining.to_bytes(2, "little"))
    assert meanings(parts) == [("remaining", 0, "u16-le")]


def test_the_address_of_each_block():
    parts = each_block(
        lambda _, sample, *__: (
            (KNOWNS[sample.save].start + sample.first).to_bytes(2, "little") + bytes([sample.count])
        )
    )
    assert meanings(parts) == [("start", 0, "u16-le"), ("length", 0, "u8")]


def test_one_recording_does_not_tell_a_small_number_from_a_constant():
    def write(known: Known) -> bytes:
        return b"\xa5" + bytes([len(known.data) & 0xFF])

    alone = [Known(program(42, 90), 0x9234)]
    leads = [part.lead_bits for part in explained(write, alone)]
    assert min(leads) < SURE
    rivals = {words for part in explained(write, alone) for words in part.rivals}
    assert any("length" in words or "always" in words for words in rivals)


def test_a_second_recording_settles_it():
    knowns = [Known(program(42, 90), 0x9234), Known(program(43, 117), 0x8765)]
    parts = explained(lambda known: b"\xa5" + bytes([len(known.data)]), knowns)
    assert meanings(parts) == [("length", 0, "u8")]
    # 21 bits: an unknown byte would be paid for twice; no other number the writer knows fits
    assert all("unknown" not in words for words in parts[1].rivals) or parts[1].lead_bits > 6.0
    assert not any("length" in words for words in parts[1].rivals)


def test_an_address_with_two_equal_bytes_leaves_the_order_open_and_another_address_settles_it():
    def write(known: Known) -> bytes:
        return b"\xa5" + known.start.to_bytes(2, "big")

    def address(knowns: Sequence[Known]) -> Part:
        return next(part for part in explained(write, knowns) if part.fact == "start")

    alike = [Known(program(44, 90), 0x4444), Known(program(45, 70), 0x5555)]
    assert address(alike).lead_bits < 6.0
    assert any("start" in words for words in address(alike).rivals)
    settled = address([*alike, Known(program(46, 80), 0x9234)])
    assert settled.type == "u16-be"
    assert settled.lead_bits > SURE


def test_numbers_of_the_other_byte_order_are_rivals():
    def write(known: Known) -> bytes:
        address, last = (number.to_bytes(2, "little") for number in (known.start, end(known)))
        return b"\x41" + address + last + bytes([reduce(xor, address + last)])

    # 00 F6 37 F7 36: as 24 bits, 0x100 below the end; then, with the check, one below it
    knowns = [Known(program(47, 312), 0xF600), Known(program(48, 463), 0x8100)]
    parts = explained(write, knowns)
    assert meanings(parts) == [("end", -0x100, "u24-be"), ("end", -1, "u16-be")]
    for part in parts[1:]:
        assert part.lead_bits < 6.0
        assert "start (u16-le), end (u16-le), not known" in part.rivals


def test_bytes_that_nothing_explains_are_not_known():
    parts = explained(lambda known: b"\xa5" + known.data[7:8] + known.data[50:51])
    assert [part.kind for part in parts] == ["constant", "unknown"]
    assert parts[1].widths == (2, 2)


@pytest.mark.parametrize("pad", [b" ", b"\0", b".", b"*"])
def test_a_name_may_be_filled_up_with_anything(pad):
    parts = explained(lambda known: b"\xa5" + (known.name or "").encode().ljust(10, pad) + b"\x07")
    name = next(part for part in parts if part.kind == "text")
    assert (name.first, set(name.widths), name.value, name.is_ended) == (1, {10}, pad, False)


def test_one_byte_after_a_known_name_fills_it_up():
    knowns = [replace(known, name=name) for known, name in zip(KNOWNS, ("HARBOUR", "HARBOR"), strict=True)]
    *_, name = explained(lambda known: b"\xa5" + (known.name or "").encode().ljust(7, b"."), knowns)
    assert (name.kind, set(name.widths), name.value) == ("text", {7}, b".")


@pytest.mark.parametrize("size", [16, 150])  # nineteen blocks, and two
def test_a_byte_that_counts_the_blocks_is_rather_their_number_than_a_constant_but_not_surely(size):
    known = KNOWNS[0]
    cuts = [Sample(0, b"", b"", first, first + size) for first in range(0, len(known.data), size)]
    head = b"\xbe" + len(known.data).to_bytes(2, "big") + bytes([len(cuts)])
    header = Sample(0, head, b"", 0, 0)
    facts = facts_of([header], [header, *cuts], [known], [known.start])
    *_, last = explain_bytes([head], facts)[0]
    assert last.fact == "blocks"
    assert last.lead_bits < SURE


def test_where_all_blocks_are_full_a_byte_that_says_so_is_their_length():
    known = Known(program(44, 512), 0x9234)
    cuts = [Sample(0, bytes([0xED, 0xFF, k]), b"", 256 * k, 256 * k + 256) for k in range(2)]
    parts = explain_bytes([cut.head for cut in cuts], facts_of(cuts, cuts, [known], [known.start]))[0]
    assert ("length", -1, "u8") in meanings(parts)
