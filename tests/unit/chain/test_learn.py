"""Learning from recordings: where nothing was saved is no card; the right card's half-waves agree."""

from __future__ import annotations

from functools import reduce
from operator import xor

import numpy as np
import pytest

import sounds_of_nothing
import tapewright as tw
import tapewright.chain.learn as steps
from heard_bits import sent, stream
from made_up_saves import CODE, program
from tapewright.cards.format import ByteFormat
from tapewright.cards.load import parse_card
from tapewright.cards.symbols import HalfWaves, Tone
from tapewright.chain.learn import Layout, Learned, learn, with_card
from tapewright.chain.learn import _alike as alike
from tapewright.chain.lesson import learn_format
from tapewright.chain.timings import Timings, compare_timings
from tapewright.learn.answers import Answers
from tapewright.learn.certainty import certainty_of
from tapewright.learn.checks import Message
from tapewright.learn.framing import Framing, find_framing
from tapewright.learn.known import Known
from tapewright.learn.line_code import LineCode
from tapewright.learn.rules import Rules
from tapewright.learn.stream import Stream
from tapewright.learn.stretches import Stretch
from tapewright.model import Recording

RATE_HZ = 44_100.0
KNOWN = Known(program(90, 160), 0x9234, "TIDE")


@pytest.mark.parametrize(
    "sound",
    [
        sounds_of_nothing.white_noise(6.0), sounds_of_nothing.hum(6.0), sounds_of_nothing.music(6.0),
        sounds_of_nothing.speech(6.0), sounds_of_nothing.silence(2.0), sounds_of_nothing.tone(6.0, 1200.0),
    ],
    ids=["noise", "hum", "music", "speech", "silence", "tone"],
)  # fmt: skip
def test_sounds_of_nothing_give_no_card(sound):
    found = learn([Recording(sound.astype(np.float32), RATE_HZ)], [KNOWN])
    assert found.card is None
    assert found.text is None
    assert found.problem.endswith(".")


def test_a_recording_of_another_program_gives_no_card():
    recording = tw.synthesize(program(91, 160), format="sedge-half-2700", start=0x9234)
    found = learn([recording], [KNOWN])
    assert found.card is None
    assert "known bytes" in found.problem


@pytest.fixture(scope="module")
def recording() -> Recording:
    """Half-waves of 250 us for a 0 and 500 us for a 1, with a little hiss."""
    sound = tw.synthesize(KNOWN.data, format="sedge-half-2700", start=KNOWN.start, rate_hz=RATE_HZ)
    noise = np.random.default_rng(92).normal(0.0, 0.003, sound.samples.shape)
    return sound.with_samples((sound.samples + noise).astype(np.float32), "with hiss")


def compared(recording: Recording, zero_us: float, one_us: float, known: Known = KNOWN) -> Timings | None:
    """Hold it against what a card with other half-waves writes."""
    card = tw.load_format("sedge-half-2700")
    symbols = {"0": [HalfWaves(half_waves=[zero_us])], "1": [HalfWaves(half_waves=[one_us])]}
    other = card.model_copy(update={"symbols": symbols})
    return compare_timings(recording, tw.read(recording, format=card), known, other)


def test_the_right_card_agrees(recording):
    found = compared(recording, 250.0, 500.0)
    assert found is not None
    assert found.compared == 159 * 8  # from the first byte to the last, a half-wave a bit
    assert found.agree, found


@pytest.mark.parametrize("lengths", [(262.5, 500.0), (237.5, 500.0), (250.0, 525.0), (250.0, 475.0)])
def test_a_card_with_one_length_5_percent_off_does_not(recording, lengths):
    found = compared(recording, *lengths)
    assert found is not None
    assert not found.agree, found
    # 5 % of one length or the other, or less of both: which of them the speed is told by is chance
    assert 5.0 < found.offset_us < 30.0


def test_a_difference_in_speed_is_not_one_in_lengths(recording):
    found = compared(recording, 262.5, 525.0)
    assert found is not None
    assert found.agree, found


def test_what_cannot_be_laid_side_by_side_is_not_compared(recording):
    assert compared(recording, 250.0, 500.0, Known(program(93, 90), KNOWN.start)) is None


@pytest.mark.parametrize("bits", [7, 8])
def test_a_bit_never_set_in_the_known_bytes_is_one_if_it_is_set_elsewhere(bits):
    byte = ByteFormat(bits=bits, start="0", stop="11" if bits == 7 else "1")
    knowns = [Known(bytes(value & 0x7F for value in program(93 + k, 60 + 9 * k))) for k in range(2)]
    streams = []
    for known in knowns:
        count = f"{len(known.data):04X}".encode()
        body = b"\x28" + count + known.data
        head = b"\xe4\x4c"
        if bits == 7:  # everything inverted
            head, body = b"\x64\x4c", bytes(value ^ 0x7F for value in body)
        streams.append(stream(200 * "1" + sent(head + body, byte) + 200 * "1"))
    layout = steps._lay_out(streams, knowns, alike(find_framing(streams, knowns)), "1", Answers())
    assert layout is not None
    assert layout.framing.byte.bits == bits


@pytest.mark.parametrize("misheard, says_more", [(None, True), (1, False)])
def test_an_eighth_bit_that_is_set_in_a_recording_left_out_as_misheard_says_nothing(misheard, says_more):
    eight = ByteFormat(bits=8, start="1", stop="0")
    seven = ByteFormat(bits=7, start="1", stop="00")
    stretches = [
        Stretch(save, np.array(values, np.int16), np.zeros(0, np.int16), np.arange(3), np.arange(3))
        for save, values in enumerate([(0x31, 0x42, 0x53), (0x31, 0xC2, 0x53)])
    ]
    layouts = [
        Layout(Framing(byte, "plain", (False, False), 1.0), stretches, [], [], (), Rules("length"), misheard)
        for byte in (eight, seven)
    ]
    assert steps._says_more(*layouts) is says_more


def test_the_first_bit_of_characters_is_no_start_symbol():
    byte = ByteFormat(order="msb", start="1", stop="0")
    knowns = [Known(program(93 + k, 60 + 9 * k)) for k in range(2)]
    streams = []
    for known in knowns:
        count = len(known.data).to_bytes(2, "little")
        check = bytes([-sum(count + known.data) % 256])
        body = b"".join(b"%02X" % value for value in count + known.data + check)
        streams.append(stream(200 * "0" + sent(b"\x18\x4c\x3d" + body, byte) + 200 * "0"))
    framings = find_framing(streams, knowns)
    assert {framing.byte.bits for framing in framings} == {7, 8}  # each starts with the other's stop
    layout = steps._lay_out(streams, knowns, alike(framings), "0", Answers())
    assert layout is not None
    assert layout.framing.byte == byte
    assert layout.kinds[0].tail_check is not None


def test_a_first_bit_that_all_characters_share_is_no_start_symbol_if_one_byte_of_the_sync_has_another():
    byte = ByteFormat(order="msb", parity="mark")  # of characters: 0, seven bits, 1
    known = Known(program(95, 60), 0x4800)
    count = len(known.data).to_bytes(2, "little")
    check = bytes((5, 9))  # of a rule that one recording does not tell
    body = b"".join(b"%02X" % value for value in b"\x00\x48" + count + known.data + check)
    streams = [stream(200 * "1" + sent(b"\x7a\xa4\x7f" + body, byte) + 200 * "1")]
    framings = find_framing(streams, [known])
    assert {framing.byte.bits for framing in framings} == {7, 8}
    layout = steps._lay_out(streams, [known], alike(framings), "1", Answers())
    assert layout is not None
    assert layout.framing.byte.bits == 8
    assert layout.kinds[0].head[0].part.value == b"\x7a\xa4\x7f"


def test_without_anything_to_tell_where_a_block_begins_there_is_no_card_and_it_is_said_why():
    streams = [
        stream(200 * "0" + sent(first + known.data, BYTE) + 200 * "0")
        for first, known in zip((b"\x80", b"\x01", b"\x10"), THREE, strict=True)
    ]
    layout = steps._lay_out(streams, THREE, alike(find_framing(streams, THREE)), "0", Answers())
    found = with_card(Learned(layout=layout), "none", 'card = "format"\n')
    assert found.card is None
    assert "nothing tells where its first byte begins" in found.problem


@pytest.mark.parametrize("idle_in_head, stop", [("00", "000"), ("", "0")])
def test_a_mark_is_told_from_the_start_of_a_first_byte_by_what_makes_sense(idle_in_head, stop):
    byte = ByteFormat(start="1", stop="0")
    knowns = [Known(program(94 + k, 290 + 9 * k)) for k in range(2)]
    streams = []
    for known in knowns:
        head = (len(known.data) - 1).to_bytes(2, "big")
        bits = "1" + sent(head[:1], byte, idle=idle_in_head) + sent(head[1:] + known.data, byte, idle="00")
        streams.append(stream(80 * "L" + bits + 80 * "L", "01L"))
    layout = steps._lay_out(streams, knowns, alike(find_framing(streams, knowns)), "L", Answers())
    assert layout is not None
    assert {sample.mark for sample in layout.samples} == {"1"}  # 03h with its start, or 01h after it
    assert layout.framing.byte.stop == stop
    assert [item.part.fact for item in layout.kinds[0].head] == ["length"]


def spoiled_header(lost: int) -> list[Stream]:
    """Three saves; of the last one's header so many symbols were lost."""
    streams = []
    for save, known in enumerate(THREE):
        assert known.start is not None
        fields = known.start.to_bytes(2, "little") + len(known.data).to_bytes(2, "little")
        body = sent(b"\xa6\x1c" + bytes(8) + fields, BYTE)
        body = body[:60] + body[60 + lost * (save == 2) :]
        streams.append(stream(200 * "0" + body + sent(known.data, BYTE) + 200 * "0"))
    return streams


BYTE = ByteFormat()
THREE = [Known(program(90 + k, 90 + 40 * k), start) for k, start in enumerate((0x9234, 0x8765, 0xA1B2))]


@pytest.mark.parametrize("lost, left_out", [(0, None), (1, 2), (13, 2)])
def test_of_three_recordings_the_one_that_was_misheard_is_left_out(lost, left_out):
    streams = spoiled_header(lost)
    layout = steps._lay_out(streams, THREE, alike(find_framing(streams, THREE)), "0", Answers())
    assert layout is not None
    assert layout.misheard == left_out
    assert {item.name for item in layout.kinds[-1].head} >= {"start", "length"}


@pytest.mark.parametrize("in_header", [False, True])
def test_of_two_blocks_a_byte_counts_them_unless_nothing_else_tells_which_is_the_last(in_header):
    """Of two blocks it is 00 and 01 either way."""
    streams = []
    for known in THREE[:2]:
        total = len(known.data).to_bytes(2, "little")
        pieces = [sent(b"\xa6\x1c" + known.start.to_bytes(2, "little") + total * in_header, BYTE)]
        for number, data in enumerate((known.data[:65], known.data[65:])):
            pieces.append(sent(b"\xa6\x5d" + bytes([number, len(data)]) + data, BYTE))
        streams.append(stream(200 * "0" + (200 * "0").join(pieces) + 200 * "0"))
    layout = steps._lay_out(streams, THREE[:2], alike(find_framing(streams, THREE[:2])), "0", Answers())
    assert layout is not None
    assert layout.rules.last_when == (None if in_header else ("is_last", 1))
    assert ("index" in {item.name for item in layout.kinds[-1].head}) is in_header


def test_no_recording_is_left_out_of_what_nothing_explains():
    streams = []
    for save, known in enumerate(THREE):
        head = b"\xa6\x1c" + program(97 + save, 12) + len(known.data).to_bytes(2, "little")
        streams.append(stream(200 * "0" + sent(head + known.data, BYTE) + 200 * "0"))
    layout = steps._lay_out(streams, THREE, alike(find_framing(streams, THREE)), "0", Answers())
    assert layout is not None
    assert layout.misheard is None
    assert "length" in {item.name for item in layout.kinds[0].head}


@pytest.mark.parametrize("worse", [False, True])
def test_what_is_heard_the_second_time_is_not_taken_if_less_of_it_makes_sense(monkeypatch, worse):
    byte = ByteFormat(start="0", stop="1")
    heard: dict[bool, list[Stream]] = {False: [], True: []}
    for save, known in enumerate(THREE):
        fields = len(known.data).to_bytes(2, "big") + known.start.to_bytes(2, "little")
        for spoiled, streams in heard.items():  # another byte in each, so that nothing explains it
            head = fields[:save] + b"\x5d" + fields[save + 1 :] if spoiled else fields
            streams.append(stream(200 * "1" + sent(b"\xa6" + head + known.data, byte) + 200 * "1"))
    first, second = heard[not worse], heard[worse]
    tones = {"0": [Tone(tone=1200, cycles=4)], "1": [Tone(tone=2400, cycles=8)]}  # the latter may be idle
    code = LineCode("made up", tones, (), "1", False, 0.0, "")
    layout = steps._lay_out(first, THREE, alike(find_framing(first, THREE)), "1", Answers())
    monkeypatch.setattr(steps, "listen", lambda _, save, *__: second[save])
    streams, again = steps._heard_again(range(3), range(3), THREE, code, first, layout, Answers())
    assert streams is (first if worse else streams)
    assert {item.name for item in again.kinds[0].head} >= {"length", "start"}


def two_saves(spoiled_from: float) -> tuple[list[Recording], list[tw.Image]]:
    """Two recordings with a little hiss; of the second a part is silent."""
    recordings, images = [], []
    for k in range(2):
        image = tw.Image.from_bytes(program(70 + k, 160 + 40 * k), 0x0200 + 0x100 * k)
        sound = tw.synthesize(image, format="heron-cycle-1600", rate_hz=RATE_HZ)
        samples = np.array(sound.samples)
        if k == 1:
            first = int(spoiled_from * len(samples))
            samples[first : first + 2_000] = 0.0
        samples += np.random.default_rng(k).normal(0.0, 0.003, samples.shape)
        recordings.append(sound.with_samples(samples.astype(np.float32), "with hiss"))
        images.append(image)
    return recordings, images


def test_a_dropout_in_one_recording_does_not_keep_the_format_from_being_learned():
    recordings, images = two_saves(0.7)
    lesson = learn_format(recordings, known=images)
    assert [back.holds for back in lesson.proof] == [True, False]
    assert lesson.card is not None
    assert next(iter(lesson.proof)).right == 160
    check = next(told for told in lesson.conclusions if told.what == "check")
    assert check.says.startswith("the sum mod 256")


def test_bytes_mistyped_in_a_program_file_are_named():
    recordings, images = two_saves(0.7)
    typed = bytearray(images[0].ranges[0].data)
    was = typed[77]
    typed[77] ^= 0x40
    mistyped = tw.Image.from_bytes(bytes(typed), images[0].ranges[0].address)
    lesson = learn_format(recordings[0], known=mistyped)
    (back,) = lesson.proof
    assert [(byte.offset, byte.address, byte.program, byte.tape) for byte in back.unlike] == [
        (77, 0x0200 + 77, typed[77], was)
    ]
    assert not lesson.is_proved
    assert "mend the file" in lesson.remedy


#: A machine that sends the inverse of every byte but the sync, and adds up what it sends.
INVERTED = """
card   = "format"
name   = "inverted"
title  = "Bytes inverted"
source = "made up"
[symbols]
"0" = [{ tone = 1200, cycles = 1 }]
"1" = [{ tone = 2400, cycles = 1 }]
[[block]]
kind   = "data"
layout = [
  { lead = "1", seconds = 1.5 },
  { sync = "92 e7" },
  { field = "start", type = "u16-le", xor = 255 },
  { field = "length", type = "u16-le", xor = 255 },
  { data = "length", xor = 255 },
  { check = "sum16", over = ["start", "length", "data"], as_sent = true, xor = 255 },
  { lead = "1", seconds = 0.5 },
]
load   = "start"
"""


def test_a_single_recording_tells_a_check_over_inverted_bytes():
    card = parse_card(INVERTED, tw.FormatCard, "inverted")
    first = Known(program(96, 300), 0x9234)
    found = learn([tw.synthesize(first.data, format=card, start=first.start)], [first])
    other = tw.synthesize(program(95, 200), format=card, start=0x8765)
    assert [block.check for block in tw.read(other, format=found.card).blocks] == ["ok"]


def test_a_check_over_inverted_bytes_is_held_open_where_all_programs_are_odd():
    """The exclusive or of an odd number of inverted bytes is also that of the bytes, from FF."""
    text = INVERTED.replace('"sum16", over = ["start", "length", "data"]', '"xor8", over = ["data"]')
    card = parse_card(text, tw.FormatCard, "inverted")
    knowns = [Known(program(96 + k, length), 0x9234 - 0x1357 * k) for k, length in enumerate((301, 213))]
    saves = [tw.synthesize(known.data, format=card, start=known.start) for known in knowns]
    layout = learn(saves, knowns).layout
    assert layout is not None
    claim = layout.kinds[0].tail_check
    assert claim is not None
    assert claim.certainty == "open"
    even = program(95, 200)
    as_sent = bytes(value ^ 0xFF for value in even)
    check = reduce(xor, as_sent)
    fresh = Message((("data", even),), (as_sent,), bytes([check]), bytes([check ^ 0xFF]))
    assert any(other.rule.holds(fresh) for other in (claim, *claim.rivals))


def test_where_numbers_are_written_as_characters_and_data_are_not_the_check_is_written_as_numbers_are():
    """Data below 80h read as eight bits, as nothing tells seven from them."""
    byte = ByteFormat()
    knowns = [
        Known(bytes(value & 0x7F for value in program(101 + k, 120 + 31 * k)), 0x4700 + 0x1234 * k)
        for k in range(3)
    ]
    streams = []
    for known in knowns:
        last = known.start + len(known.data) - 1
        fields = known.start.to_bytes(2, "little") + last.to_bytes(2, "little")
        check = bytes([sum(fields + known.data) % 256])
        body = fields.hex().upper().encode() + known.data + check.hex().upper().encode()
        streams.append(stream(200 * "0" + sent(b"\x6f\x79" + body, byte) + 200 * "0"))
    layout = steps._lay_out(streams, knowns, alike(find_framing(streams, knowns)), "0", Answers())
    assert layout is not None
    check = layout.kinds[0].tail_check
    assert check is not None
    assert (check.rule.check, check.rule.over) == ("sum8", ("start", "end", "data"))
    text = steps._card("made-up", CODE, layout)
    assert '{ check = "sum8", over = ["start", "end", "data"], coding = "hex" }' in text


@pytest.mark.parametrize("blocks, certainty", [(2, "open"), (3, "certain")])
def test_which_field_counts_blocks_and_which_tells_the_last_is_open_if_there_were_two_of_them(
    blocks, certainty
):
    streams = []
    knowns = [Known(program(105 + k, 64 * (blocks - 1) + 30 + k), 0x9234 + 0x911 * k) for k in range(2)]
    for known in knowns:
        pieces = [sent(b"\xa6\x1c" + known.start.to_bytes(2, "little"), BYTE)]
        for number in range(blocks):
            data = known.data[64 * number :][:64]
            head = bytes([int(number == blocks - 1), number, len(data)])
            pieces.append(sent(b"\xa6\x5d" + head + data, BYTE))
        streams.append(stream(200 * "0" + (200 * "0").join(pieces) + 200 * "0"))
    layout = steps._lay_out(streams, knowns, alike(find_framing(streams, knowns)), "0", Answers())
    assert layout is not None
    parts = {item.name: item.part for item in layout.kinds[-1].head}
    assert {"index", "is_last"} <= set(parts)
    assert {certainty_of(parts[name].lead_bits) for name in ("index", "is_last")} == {certainty}
    if certainty == "open":
        assert parts["index"].rivals[0].startswith("is_last")
