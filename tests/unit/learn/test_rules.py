"""How a reader knows where data load, how many there are and which block is the last."""

from __future__ import annotations

from made_up_saves import framing_of, program
from tapewright.learn.kinds import find_kinds
from tapewright.learn.known import Known
from tapewright.learn.rules import Rules, rules_of
from tapewright.learn.samples import Sample

KNOWNS = [Known(program(80, 300), 0x9234), Known(program(81, 411), 0x8765)]


def rules_for(block, *, header=None, size: int = 1000, tail: bytes = b"", start: str = "") -> Rules:
    """Of saves cut into blocks: `block` writes the head of one, `header` that of a block before them."""
    samples = []
    for save, known in enumerate(KNOWNS):
        if header is not None:
            samples.append(Sample(save, header(known), b"", 0, 0))
        for first in range(0, len(known.data), size):
            end = min(first + size, len(known.data))
            samples.append(Sample(save, block(known, first, end), tail, first, end))
    framing = framing_of(2, start=start, stop="1" if start else "")
    kinds = find_kinds(samples, KNOWNS, [known.start for known in KNOWNS], framing, with_checks=False)
    return rules_of(kinds, framing)


def word(value: int) -> bytes:
    return value.to_bytes(2, "little")


def test_a_block_tells_its_address_and_length():
    rules = rules_for(lambda known, *_: b"\xa5" + word(known.start) + word(len(known.data)))
    assert (rules.data, rules.load, rules.size, rules.doubts) == ("length", "start", None, ())


def test_a_length_one_less():
    assert rules_for(lambda known, *_: b"\xa5" + word(len(known.data) - 1)).data == "length_on_tape + 1"


def test_two_copies_that_begin_differently_are_no_cut_program():
    samples = [
        Sample(save, sync + word(known.start) + word(len(known.data)), b"", 0, len(known.data))
        for save, known in enumerate(KNOWNS)
        for sync in (b"\x2a", b"\x2b")
    ]
    kinds = find_kinds(
        samples, KNOWNS, [known.start for known in KNOWNS], framing_of(2), with_checks=False
    )  # fmt: skip
    rules = rules_of(kinds, framing_of(2))
    assert (rules.data, rules.load, rules.size, rules.doubts) == ("length", "start", None, ())


def test_first_and_last_address():
    rules = rules_for(lambda known, *_: b"\xa5" + word(known.start) + word(known.start + len(known.data) - 1))
    assert (rules.data, rules.load) == ("end - start + 1", "start")


def test_first_address_and_the_one_after_the_last():
    rules = rules_for(lambda known, *_: b"\xa5" + word(known.start) + word(known.start + len(known.data)))
    assert (rules.data, rules.load) == ("past_end - start", "start")


def test_the_header_tells_both_for_the_data_after_it():
    rules = rules_for(
        lambda *_: b"\x5a", header=lambda known: b"\xa5" + word(known.start) + word(len(known.data))
    )
    assert (rules.data, rules.load, rules.header_load) == ("length", None, "start")


def test_blocks_by_size_until_the_total_of_the_header():
    rules = rules_for(
        lambda _, first, end: b"\x5a" + bytes([end - first]), size=64,
        header=lambda known: b"\xa5" + word(known.start) + word(len(known.data)),
    )  # fmt: skip
    assert (rules.data, rules.size, rules.total, rules.header_load) == ("length", 64, "total", "start")
    assert rules.last_when is None


def test_blocks_until_the_one_with_the_flag():
    rules = rules_for(
        lambda known, first, end: b"\x5a" + bytes([255 * (end == len(known.data)), end - first]),
        size=64, header=lambda known: b"\xa5" + word(known.start),
    )  # fmt: skip
    assert (rules.data, rules.size, rules.last_when, rules.total) == ("length", 64, ("flag", 255), None)


def test_blocks_until_nothing_remains():
    rules = rules_for(
        lambda known, first, end: b"\x5a" + word(len(known.data) - end) + bytes([end - first]), size=64,
        header=lambda known: b"\xa5" + word(known.start),
    )  # fmt: skip
    assert rules.last_when == ("remaining", 0)


def test_a_block_whose_number_tells_where_it_loads():
    rules = rules_for(
        lambda _, first, end: b"\x5a" + bytes([first // 64, end - first]), size=64,
        header=lambda known: b"\xa5" + word(known.start) + word(len(known.data)),
    )  # fmt: skip
    assert (rules.load, rules.header_load) == ("start + index * 64", None)


def test_nothing_but_a_leader_ends_bytes_with_start_symbols():
    rules = rules_for(lambda *_: b"\xa5", start="0")
    assert (rules.data, rules.load, rules.doubts) == ("until lead", None, ())


def test_where_nothing_tells_the_length_the_card_says_that_it_is_a_doubt():
    rules = rules_for(lambda *_: b"\xa5")
    assert rules.data == "411"
    assert len(rules.doubts) == 1
    assert "how many bytes" in rules.doubts[0]


def test_where_nothing_tells_the_last_block_that_is_a_doubt():
    rules = rules_for(
        lambda known, first, end: b"\x5a" + word(known.start + first) + bytes([end - first]), size=64,
        header=lambda _: b"\xa5\x11\x22\x33",
    )  # fmt: skip
    assert (rules.data, rules.load, rules.total, rules.last_when) == ("length", "start", None, None)
    assert len(rules.doubts) == 1
    assert "which block is the last" in rules.doubts[0]
