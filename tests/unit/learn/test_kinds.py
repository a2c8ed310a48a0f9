"""Blocks are sorted by kind, and each kind's head, tail and checks described."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import reduce
from operator import xor
from typing import Literal
from zlib import crc32

import pytest

from made_up_saves import framing_of, program, trainer
from tapewright.learn.checks import CheckClaim, CheckRule, Message
from tapewright.learn.kinds import Kind, find_kinds
from tapewright.learn.known import Known
from tapewright.learn.samples import Sample

KNOWNS = [Known(program(70, 90), 0x9234), Known(program(71, 140), 0x8765), Known(program(72, 57), 0xA1B2)]

#: Of all these, the two bytes of the address add up to less than F0h.
LOW = [Known(program(70, 90), 0x0243), Known(program(71, 140), 0x1357), Known(program(72, 57), 0x2468)]


def kinds_of(samples: list[Sample], knowns: list[Known] = KNOWNS, **options: bool) -> list[Kind]:
    starts = [known.start for known in knowns]
    return find_kinds(samples, knowns, starts, framing_of(len(knowns)), **options)


def one_block(write, knowns: list[Known] = KNOWNS) -> list[Sample]:
    return [Sample(save, *write(known), 0, len(known.data)) for save, known in enumerate(knowns)]


def items(kind: Kind) -> list[str]:
    return [item.name for item in (*kind.head, *kind.tail)]


def test_head_tail_and_check():
    (kind,) = kinds_of(one_block(trainer))
    assert items(kind) == ["sync", "start", "length", "check"]
    assert kind.tail_check is not None
    assert kind.tail_check.rule.check == "sum8"
    assert kind.tail_check.rule.over == ("start", "length", "data")
    assert kind.tail_check.certainty == "certain"


def test_without_looking_for_checks_the_byte_after_the_data_is_not_known():
    (kind,) = kinds_of(one_block(trainer), with_checks=False)
    assert kind.tail_check is None
    assert [item.part.kind for item in kind.tail] == ["unknown"]


def test_bytes_that_are_no_check_are_not_called_one():
    noise = program(73, 3)
    samples = one_block(lambda known: (b"\xa5\x1c", noise[KNOWNS.index(known) :][:1]))
    (kind,) = kinds_of(samples)
    assert kind.tail_check is None or kind.tail_check.certainty == "open"


def test_one_recording_makes_no_check_certain():
    (kind,) = kinds_of(one_block(trainer, KNOWNS[:1]), KNOWNS[:1])
    assert kind.tail_check is None or kind.tail_check.certainty != "certain"


def test_the_upper_byte_of_a_small_sum_is_not_taken_for_a_number():
    samples = []
    for save, known in enumerate(KNOWNS):
        sizes = [32] * (len(known.data) // 32) + [len(known.data) % 32]
        for index, size in enumerate(sizes):
            is_last = index == len(sizes) - 1
            fields = bytes([0x26, size, index, 255 * is_last])
            head = b"\xa6" + fields + sum(fields).to_bytes(2, "big")  # 01 is high only in the last blocks
            samples.append(Sample(save, head, b"", 32 * index, 32 * index + size))
    (kind,) = kinds_of(samples)
    assert kind.head_check is not None
    assert kind.head_check.rule.check == "sum16"


def test_a_check_in_the_head():
    def write(known: Known) -> tuple[bytes, bytes]:
        fields = known.start.to_bytes(2, "little") + len(known.data).to_bytes(2, "little")
        return b"\xa6\x1c" + fields + bytes([sum(fields) % 256]), b""

    (kind,) = kinds_of(one_block(write))
    assert items(kind) == ["sync", "start", "length", "check"]
    assert kind.head_check is not None
    assert kind.head_check.rule.over == ("start", "length")


@pytest.mark.parametrize("covered", [1, 2])
def test_constants_that_a_check_covers_are_told_from_those_it_does_not(covered):
    def write(known: Known) -> tuple[bytes, bytes]:
        fields = b"\xe6\x19\x44\x07" + known.start.to_bytes(2, "big")
        crc = 0  # CRC with polynomial 1021h from 0, bit by bit
        for byte in fields[4 - covered :] + known.data:
            crc ^= byte << 8
            for _ in range(8):
                crc = (crc << 1 ^ (0x1021 if crc & 0x8000 else 0)) & 0xFFFF
        return fields, crc.to_bytes(2, "big")

    (kind,) = kinds_of(one_block(write))
    assert kind.tail_check is not None
    # A CRC from 0 over a constant before it is one from another value: either way writes the same bytes.
    assert kind.sync_bytes + covered == 4 or kind.tail_check.rule.over[0] != "fixed"
    assert kind.tail_check.rule.over[-1] == "data"


def test_headers_are_named_by_their_distance_from_the_data():
    samples = []
    for save, known in enumerate(KNOWNS):
        address = known.start.to_bytes(2, "little")
        samples += [
            Sample(save, b"\x01\x01\x01\x11", b"", 0, 0), Sample(save, b"\x02\x02" + address, b"", 0, 0),
            Sample(save, b"\x03", b"", 0, len(known.data)), Sample(save, b"\x04\x04", b"", 0, 0),
        ]  # fmt: skip
    kinds = kinds_of(samples)
    assert [kind.name for kind in kinds] == ["header-2", "header", "data", "end"]
    assert [kind.has_data for kind in kinds] == [False, False, True, False]


def test_leader_misheard_before_one_save_is_no_header():
    samples = one_block(trainer)
    assert [kind.name for kind in kinds_of([Sample(0, b"\x7f\xff", b"", 0, 0), *samples])] == ["data"]


def test_constants_that_a_check_covers_are_no_start_value():
    def write(known: Known) -> tuple[bytes, bytes]:
        covered = b"\x48\x02\x1e" + known.start.to_bytes(2, "little")
        return b"\xca\x4e\x74" + covered + sum(covered).to_bytes(2, "big"), b""

    (kind,) = kinds_of(one_block(write))
    assert kind.head_check is not None
    assert (kind.head_check.rule.check, kind.head_check.rule.start) == ("sum16", 0)
    assert kind.sync_bytes == 3


def test_a_check_does_not_begin_where_a_name_goes_on():
    # exclusive-or of bytes divides many a CRC of 16 bits; one of them would take the last letter for its own
    knowns = [Known(program(74, 512), 3104, "MADEUP"), Known(program(75, 379), 44932, "OTHER")]

    def write(known: Known) -> tuple[bytes, bytes]:
        numbers = len(known.data).to_bytes(2, "big") + b"\x0e" + known.start.to_bytes(2, "big")
        covered = b"\xd3" + numbers + known.name.encode().ljust(6, b".")
        return covered + bytes([reduce(xor, covered)]), b""

    (kind,) = kinds_of(one_block(write, knowns), knowns)
    assert kind.head_check is not None
    assert kind.head_check.rule.check == "xor8"


def test_one_misheard_head_among_many_blocks_spoils_no_field():
    counts = [20, 20, 20, 20, 10]
    knowns = [Known(known.data[:90], known.start) for known in KNOWNS[:2]]
    blocks = [
        Sample(save, b"\xa5" + count.to_bytes(2, "big"), b"", 20 * k, 20 * k + count)
        for save in range(2)
        for k, count in enumerate(counts)
    ]
    blocks[7] = replace(blocks[7], head=b"\xa5\x00\x04")  # one bit is wrong
    (kind,) = kinds_of(blocks, knowns)
    assert "length" in items(kind)
    assert blocks[7] not in kind.samples


@pytest.mark.parametrize("lead, seconds", [("1", 0.04), ("", 0.9)])  # hardly any leader; something else
def test_pieces_of_leader_before_one_of_two_saves_are_no_header(lead, seconds):
    samples = [
        Sample(0, b"\x38\x1f", b"", 0, 0, lead=lead, lead_seconds=seconds),
        *(
            Sample(s, b"\xa5\x1c", b"", 0, len(k.data), lead="1", lead_seconds=4.8)
            for s, k in enumerate(KNOWNS[:2])
        ),
    ]
    assert [kind.name for kind in kinds_of(samples, KNOWNS[:2])] == ["data"]


def test_what_stands_before_one_of_two_saves_and_tells_nothing_is_no_header():
    """A long piece of leader with a few symbols misheard after it: no other save has it."""
    noise = Sample(0, b"\xff\x0f", b"", 0, 0, lead="1", lead_seconds=1.0)
    blocks = [
        replace(block, lead="1", lead_seconds=3.3) for block in one_block(trainer, KNOWNS[:2])
    ]  # fmt: skip
    (data,) = kinds_of([noise, *blocks], KNOWNS[:2])
    assert list(data.samples) == blocks


def test_a_header_that_one_of_two_saves_has_is_one_if_it_tells_something():
    address = KNOWNS[0].start.to_bytes(2, "little")
    header = Sample(0, b"\xc5\x01" + address, b"", 0, 0, lead="1", lead_seconds=1.0)
    blocks = [
        Sample(save, b"\xa5", b"", 0, len(known.data), lead="1", lead_seconds=3.3)
        for save, known in enumerate(KNOWNS[:2])
    ]
    assert [kind.name for kind in kinds_of([header, *blocks], KNOWNS[:2])] == ["header", "data"]


def test_bytes_that_all_kinds_of_block_begin_with_are_the_sync_that_a_check_leaves_out():
    samples = []
    for save, known in enumerate(KNOWNS[:2]):
        fields = b"\x71" + len(known.data).to_bytes(2, "little")
        samples += [
            Sample(save, b"\x38" + fields + bytes([crc8(fields, 0xBB)]), b"", 0, 0),
            Sample(save, b"\x38\x9d", b"", 0, len(known.data)),
        ]
    header, _ = kinds_of(samples, KNOWNS[:2])
    assert header.sync_bytes == 1
    assert header.head_check is not None
    assert header.head_check.rule.over == ("fixed", "length")


def crc8(data: bytes, poly: int) -> int:
    """Work out a CRC of 8 bits from FF, bit by bit."""
    crc = 0xFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ (poly if crc & 0x80 else 0)) & 0xFF
    return crc


def test_constants_that_a_crc_covers_are_no_start_value_of_it():
    def write(known: Known) -> tuple[bytes, bytes]:
        covered = b"\x9e" + known.start.to_bytes(2, "little") + len(known.data).to_bytes(2, "little")
        return b"\x7d" + covered + crc32(covered).to_bytes(4, "little"), b""

    (kind,) = kinds_of(one_block(write))
    assert kind.head_check is not None
    assert kind.head_check.rule.begins_plainly
    assert kind.sync_bytes == 1


def test_a_check_may_stand_where_a_number_of_the_other_byte_order_is_nearly_as_likely():
    def write(known: Known) -> tuple[bytes, bytes]:
        last = known.start + len(known.data) - 1
        fields = known.start.to_bytes(2, "little") + last.to_bytes(2, "little")
        return b"\x41" + fields + bytes([reduce(xor, fields)]), b""  # which looks like two numbers

    knowns = [Known(program(47, 312), 0xF600), Known(program(48, 463), 0x8100)]
    (kind,) = kinds_of(one_block(write, knowns), knowns)
    assert kind.head_check.rule.over == ("start", "end")
    assert [(item.part.fact, item.part.type) for item in kind.head if item.part.kind == "field"] == [
        ("start", "u16-le"), ("end", "u16-le")
    ]  # fmt: skip


def test_where_everything_is_inverted_a_first_byte_that_a_check_covers_need_be_no_sync():
    def write(known: Known) -> tuple[bytes, bytes]:
        head = b"\xd5" + known.start.to_bytes(2, "little") + len(known.data).to_bytes(2, "little")
        return head + bytes([sum(head) & 0xFF]), b""

    samples = one_block(write)
    starts = [known.start for known in KNOWNS]
    for start, over, sync_bytes in (("0", ("fixed", "start", "length"), 0), ("", ("start", "length"), 1)):
        framing = replace(framing_of(len(KNOWNS), start=start, stop=start), is_inverted=True)
        (kind,) = find_kinds(samples, KNOWNS, starts, framing)
        assert kind.head_check is not None
        assert (kind.head_check.rule.over[-len(over) :], kind.sync_bytes) == (over, sync_bytes)
        assert (kind.head_check.rule.start == 0) == bool(start)


def test_two_checks_of_a_block_leave_out_the_same_sync():
    def write(known: Known) -> tuple[bytes, bytes]:
        fields = b"\x1f" + known.start.to_bytes(2, "little") + len(known.data).to_bytes(2, "little")
        head = b"\x9a\x89\xb5" + fields + bytes([reduce(xor, fields)])
        return head, bytes([reduce(xor, b"\x65\x76\x4a" + fields + known.data)])  # of the sync inverted

    (kind,) = kinds_of(one_block(write))
    assert (kind.head_check.rule.over, kind.sync_bytes) == (("fixed", "start", "length"), 3)
    over, start = kind.tail_check.rule.over, kind.tail_check.rule.start
    covered = b"\x9a\x89\xb5" * ("sync" in over) + b"\x1f" * ("fixed" in over)
    assert reduce(xor, covered, start) == reduce(xor, b"\x65\x76\x4a\x1f")


def test_numbers_of_all_kinds_of_block_have_the_order_that_most_surely_have():
    knowns = [Known(program(74 + k, count), 0x9234 + k) for k, count in enumerate((421, 399))]
    samples = []
    for save, known in enumerate(knowns):
        count = len(known.data).to_bytes(2, "big")  # 01A5 and 018F, and another constant 01 after it
        samples += [
            Sample(save, b"\xa5\x70\x5b" + count + b"\x01", b"", 0, 0),
            Sample(save, b"\xa5\x70\xdd" + known.start.to_bytes(2, "big"), b"", 0, len(known.data)),
        ]
    header, _ = kinds_of(samples, knowns)
    assert [(item.part.fact, item.part.type) for item in header.head if item.part.kind == "field"] == [
        ("length", "u16-be")
    ]


def evidence(messages: Sequence[Message], bits: float, lead: float) -> list[CheckClaim]:
    """Claim a sum of all that is in the blocks, data among it, with so much evidence."""
    over = tuple(name for name, _ in messages[0].items)
    if "data" not in over:
        return []
    rule = CheckRule("sum8", over)
    count = len(messages)
    return [CheckClaim(rule, bits, "open", count, count, (), (), "", 2.0, lead)]


@pytest.mark.parametrize("constants, covered", [(2, 1), (8, 0)])
def test_the_more_constants_there_are_the_more_has_to_speak_for_a_check_over_some_of_them(
    monkeypatch, constants, covered
):
    def evidence_of(messages, *_):  # a little more of it if the check covers the last constant
        return evidence(messages, 11.0 if len(dict(messages[0].items).get("fixed", b"")) == 1 else 8.5, 8.0)

    monkeypatch.setattr("tapewright.learn.answers.find_checks", evidence_of)
    head = program(75, constants)
    (kind,) = kinds_of(one_block(lambda known: (head, program(known.start, 1))))
    assert kind.tail_check is not None
    assert kind.sync_bytes == constants - covered


@pytest.mark.parametrize(
    "blocks, lead, is_written", [(1, -1.5, True), (3, -1.5, False), (3, -1.0, True), (3, 0.5, True)]
)  # of three that fit as well, it is one
def test_a_check_that_is_rather_another_is_not_written_unless_no_more_blocks_can_be_had(
    monkeypatch, blocks, lead, is_written
):
    monkeypatch.setattr(
        "tapewright.learn.answers.find_checks", lambda messages, *_: evidence(messages, 5.0, lead)
    )
    knowns = KNOWNS[:blocks]
    samples = one_block(lambda known: (b"\xa5", program(known.start, 1)), knowns)
    (kind,) = kinds_of(samples, knowns)
    assert (kind.tail_check is not None) == is_written


def test_a_first_byte_that_is_always_the_same_is_no_number_where_nothing_else_tells_where_bytes_begin():
    knowns = [Known(program(74, 274), 0x03E3), Known(program(75, 304), 0x5490)]
    samples = []
    for save, known in enumerate(knowns):
        for index, first in enumerate(range(0, len(known.data), 64)):  # five blocks, one more than 04
            end = min(first + 64, len(known.data))
            samples.append(Sample(save, bytes([0x04, 0x7F, index, end - first]), b"", first, end))
    (kind,) = kinds_of(samples, knowns)
    assert items(kind) == ["sync", "index", "length"]
    assert kind.is_anchored


def in_characters(
    middle: Callable[[Known], bytes], knowns: list[Known]
) -> tuple[Kind, list[tuple[str, str]]]:
    """Sync, address, something in the middle, data and their sum, all but the sync in characters."""
    samples = []
    for save, known in enumerate(knowns):
        start = known.start.to_bytes(2, "little")
        check = bytes([sum(start + known.data) % 256])
        head = b"\x8d" + start.hex().upper().encode() + middle(known)
        samples.append(Sample(save, head, check.hex().upper().encode(), 0, len(known.data)))
    framing = replace(framing_of(len(knowns)), coding="hex")
    (kind,) = find_kinds(samples, knowns, [known.start for known in knowns], framing)
    return kind, [(item.name, item.part.coding) for item in kind.head]


def test_bytes_in_characters_that_nobody_knows_are_no_name():
    knowns = [replace(known, name=name) for known, name in zip(KNOWNS, ("TIDE", "OAR", "KEEL"), strict=True)]
    kind, head = in_characters(lambda known: program(len(known.data), 2).hex().upper().encode(), knowns)
    assert head == [("sync", "plain"), ("start", "hex"), ("unknown", "hex")]
    assert kind.tail_check is not None
    assert kind.tail_check.rule.over == ("start", "data")


def test_a_check_in_characters_does_not_begin_within_a_byte():
    def middle(known: Known) -> bytes:
        total = sum(known.start.to_bytes(2, "little")) % 256
        return b"8%02X%X" % (total, known.data[0] % 16)

    kind, _ = in_characters(middle, KNOWNS)
    assert kind.head_check is None


def summed(start: int, order: Literal["big", "little"]) -> list[Sample]:
    """A header with a sum of two bytes of which the upper one is 46 in all blocks."""

    def write(known: Known) -> tuple[bytes, bytes]:
        assert known.start is not None
        fields = known.start.to_bytes(2, "little")
        return b"\xa6" + fields + (start + sum(fields)).to_bytes(2, order), b""

    return one_block(write, LOW)


@pytest.mark.parametrize("order", ["big", "little"])
def test_an_upper_byte_that_never_changed_leaves_open_whether_the_check_is_wider(order):
    """From 4610h, sums of two bytes that add up to less than F0h all begin with 46."""
    (kind,) = kinds_of(summed(0x4610, order), LOW)
    assert kind.head_check is not None
    claims = [kind.head_check, *kind.head_check.rivals]
    assert {"sum8", "sum16"} <= {claim.rule.check for claim in claims}
    assert kind.head_check.certainty == "open"


def test_a_constant_before_a_sum_from_nothing_leaves_no_more_than_a_little_doubt():
    """That one from any number should be one from 4600h is possible, and far less likely."""
    (kind,) = kinds_of(summed(0x4600, "big"), LOW)
    assert kind.head_check is not None
    assert (kind.head_check.rule.check, kind.head_check.rule.start) == ("sum8", 0)
    assert kind.head_check.certainty == "likely"
    assert [rival.rule.start for rival in kind.head_check.rivals] == [0x4600]
