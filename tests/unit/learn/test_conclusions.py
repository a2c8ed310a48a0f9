"""What is said of a format: no surer than it is, and with everything else it may be."""

from __future__ import annotations

from dataclasses import replace

import pytest

from made_up_saves import findings, framing_of, program, trainer
from tapewright.cards.format import ByteFormat
from tapewright.learn.conclusions import Conclusion, as_doubted, conclusions_of
from tapewright.learn.findings import Findings
from tapewright.learn.framing import Framing
from tapewright.learn.known import Known
from tapewright.learn.part_words import part_words
from tapewright.learn.parts import Part

ONE = [Known(program(1, 100), 0x0243)]
TWO = [*ONE, Known(program(2, 61), 0x1357)]


def told(found: Findings, what: str) -> Conclusion:
    (conclusion,) = [one for one in conclusions_of(found) if one.what == what]
    return conclusion


def test_everything_a_card_says_is_concluded_in_its_order() -> None:
    whats = [conclusion.what for conclusion in conclusions_of(findings(TWO, trainer))]
    assert whats == [
        "line code", "timings", "polarity", "bit order", "framing", "parity", "data coding", "leader", "sync",
        "header field start", "header field length", "check", "trailer", "blocks", "copies",
    ]  # fmt: skip


def test_a_guess_is_never_certain_and_open_where_bits_alone_cannot_tell() -> None:
    known = findings(TWO, trainer)
    assert {told(known, what).certainty for what in ("line code", "bit order", "framing")} == {"certain"}
    guess = replace(known, is_guess=True)
    assert "certain" not in {conclusion.certainty for conclusion in conclusions_of(guess)}
    assert [told(guess, what).certainty for what in ("line code", "bit order", "data coding", "framing")] == [
        "open", "open", "open", "likely",
    ]  # fmt: skip


def test_a_card_that_reads_nothing_back_makes_nothing_of_its_blocks_certain() -> None:
    before = conclusions_of(findings(TWO, trainer))
    after = as_doubted(before, "But the card reads none of the recordings back.")
    assert {one.what for one in after if one.certainty == "certain"} == {
        "line code", "timings", "polarity", "bit order", "framing", "parity", "data coding",
    }  # fmt: skip
    assert [one.certainty for one in before if one.what == "sync"] == ["certain"]
    assert [(one.certainty, "reads none" in one.evidence) for one in after if one.what == "sync"] == [
        ("likely", True)
    ]


def test_a_guess_without_a_check_leaves_open_whether_there_is_one() -> None:
    """Where the data end is guessed as well: a check after them is easily taken for their last byte."""
    bare = replace(findings(TWO, lambda known: (trainer(known)[0], b"")), is_guess=True)
    check = told(bare, "check")
    assert (check.says, check.certainty) == ("none", "open")
    assert check.rivals == ("a check among what is taken for data",)


def test_two_programs_make_the_trainers_header_certain() -> None:
    found = findings(TWO, trainer)
    assert told(found, "sync").says == "the bytes A6 1C"
    assert told(found, "sync").certainty == "certain"
    start = told(found, "header field start")
    assert start.says.startswith("address of the first byte, 2 bytes, low byte first")
    assert (start.certainty, start.rivals) == ("certain", ())


def test_constants_of_one_recording_are_open_as_they_may_differ_in_another() -> None:
    sync = told(findings(ONE, trainer), "sync")
    assert sync.certainty == "open"
    assert "1 byte that may differ" in sync.rivals


def test_a_length_below_256_may_be_one_byte_and_a_constant() -> None:
    length = told(findings(TWO, trainer), "header field length")
    assert length.certainty == "likely"
    assert length.rivals == ("number of bytes, 1 byte; then always 00",)
    longer = [*TWO, Known(program(3, 300), 0x2468)]
    assert told(findings(longer, trainer), "header field length").certainty == "certain"


@pytest.mark.parametrize("seed", range(12))
def test_one_recording_never_makes_an_8_bit_check_certain(seed: int) -> None:
    known = Known(program(seed, 40 + 10 * seed), 0x0243 + 257 * seed)
    check = told(findings([known], trainer), "check")
    assert check.certainty != "certain"
    assert check.rivals


def test_a_check_of_one_byte_is_certain_when_a_third_program_could_have_refuted_it() -> None:
    check = told(findings(TWO, trainer), "check")
    assert check.certainty == "likely"
    assert check.says.startswith("the sum mod 256 of start, length and data")
    three = [*TWO, Known(program(3, 90), 0x1234)]
    assert told(findings(three, trainer), "check").certainty == "certain"


def test_bytes_after_the_data_that_nothing_explains_leave_the_check_open() -> None:
    strange = {known: bytes([17 * n + 3, 40 - 7 * n]) for n, known in enumerate(TWO)}
    check = told(findings(TWO, lambda known: (trainer(known)[0], strange[known])), "check")
    assert (check.says, check.certainty) == ("none found", "open")


def test_a_wider_address_whose_high_byte_is_always_zero_is_the_same_and_no_rival() -> None:
    """Three bytes, or a zero and two bytes: no machine with sixteen address lines tells them apart."""

    def write(known: Known) -> tuple[bytes, bytes]:
        assert known.start is not None
        fields = known.start.to_bytes(3, "big") + len(known.data).to_bytes(2, "big")
        return b"\xa6\x1c" + fields, bytes([sum(fields + known.data) % 256])

    start = told(findings(TWO, write), "header field start")
    assert (start.certainty, start.rivals) == ("certain", ())


def test_an_address_of_two_equal_bytes_leaves_their_order_open() -> None:
    start = told(findings([Known(program(1, 100), 0x0303)], trainer), "header field start")
    assert start.certainty == "open"
    orders = {"high byte first", "low byte first"}
    assert orders - {start.says.split(", ")[2].split(" (")[0]} <= {
        rival.split(", ")[2] for rival in start.rivals
    }


def test_seven_bits_are_open_where_no_byte_is_above_7f() -> None:
    texts = [Known(b"ALL OF THIS IS TEXT, EVERY BYTE OF IT", 0x0243)]
    eight, seven = framing_of(1, start="0", stop="1"), framing_of(1, bits=7, start="0", stop="11")
    framing = told(findings(texts, trainer, [eight, seven]), "framing")
    assert framing.certainty == "open"
    assert framing.rivals == ("start 0, 7 bits, stop 11",)
    worse = replace(seven, found=0.5)
    assert told(findings(texts, trainer, [eight, worse]), "framing").certainty == "certain"


def test_bit_order_has_a_rival_where_the_other_one_finds_as_much() -> None:
    same = [Known(bytes([0x18, 0x24, 0x3C, 0x42, 0x5A, 0x66, 0x7E, 0x81] * 5), 0x0243)]
    lsb, msb = framing_of(1), framing_of(1, order="msb")
    order = told(findings(same, trainer, [lsb, msb]), "bit order")
    assert (order.certainty, order.rivals) == ("open", ("most significant bit first",))


def test_parity_is_open_where_all_bytes_have_as_many_ones() -> None:
    framed = Framing(ByteFormat(start="0", stop="1", parity="even"), "plain", (False,), 1.0)
    even = [Known(bytes([0x03, 0x05, 0x06, 0x09, 0x0A, 0x0C] * 6), 0x0243)]
    assert told(findings(even, trainer, [framed]), "parity").certainty == "open"
    assert told(findings(ONE, trainer, [framed]), "parity").certainty == "certain"


def test_a_turned_description_that_is_little_longer_is_a_rival() -> None:
    near = replace(findings(TWO, trainer), turned_lead_bits=4.0)
    assert told(near, "data coding").certainty == "open"
    assert "with 0 and 1 the other way round" in told(near, "data coding").rivals[0]
    far = replace(near, turned_lead_bits=40.0)
    assert (told(far, "data coding").certainty, told(far, "data coding").rivals) == ("certain", ())


def test_addresses_that_were_supposed_are_told_and_no_surer_than_they_are() -> None:
    found = findings(TWO, trainer)
    unsaid = [replace(known, start=None) for known in TWO]
    addresses = told(replace(found, knowns=unsaid, starts_lead_bits=8.0), "addresses")
    assert (addresses.says, addresses.certainty) == ("supposed: 0243, 1357", "likely")
    assert not [one for one in conclusions_of(found) if one.what == "addresses"]


def test_no_address_on_the_tape_is_said() -> None:
    found = findings(TWO, lambda known: (b"\xa6\x1c" + len(known.data).to_bytes(2, "little"), b""))
    assert told(found, "addresses").says == "not on the tape"
    assert told(found, "check").says == "none"


def test_whether_programs_are_cut_is_open_until_a_long_one_was_saved() -> None:
    assert told(findings(TWO, trainer), "blocks").certainty == "open"
    longer = [*TWO, Known(program(3, 300), 0x2468)]
    assert told(findings(longer, trainer), "blocks").certainty == "likely"


@pytest.mark.parametrize(
    "part, words",
    [
        (Part("constant", 0, (2,), value=b"\x00\xa5"), "always 00 A5"),
        (Part("text", 0, (7,), value=b"\r", is_ended=True), "a name, ended by 0D"),
        (Part("text", 0, (6,), value=b" "), "a name of 6 characters, filled up with 20"),
        (
            Part("field", 0, (1,), type="u8", fact="two", two=(0xFF, 0)),
            "FF in the last block, 00 before, 1 byte",
        ),
        (
            Part("field", 0, (2,), type="u16-be", fact="start", offset=-0x8000),
            "address of the first byte minus 8000h, 2 bytes, high byte first",
        ),
        (
            Part("field", 0, (4,), type="u16-le", coding="hex", fact="length"),
            "number of bytes, 2 bytes, low byte first as hexadecimal characters",
        ),
    ],
)  # fmt: skip
def test_items_in_words(part: Part, words: str) -> None:
    assert part_words(part) == words


def test_a_check_that_may_be_wider_is_told_with_the_byte_that_never_changed() -> None:
    def write(save: Known) -> tuple[bytes, bytes]:
        fields = (save.start or 0).to_bytes(2, "little")
        return b"\xa6" + fields + (0x4610 + sum(fields)).to_bytes(2, "big"), b""

    found = findings([Known(program(k, 90), start) for k, start in enumerate(LOW)], write)
    check = next(one for one in conclusions_of(found) if one.what == "check")
    assert check.certainty == "open"
    assert check.rivals == (
        "the sum mod 65536 of start, from 4610h, high byte first, of which the high byte never changed",
    )


#: Addresses of which the two bytes add up to less than F0h.
LOW = (0x0243, 0x1357, 0x2468)
