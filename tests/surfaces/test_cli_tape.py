"""``write``, ``read`` and ``verify`` as people use them: files, words, exit codes, JSON."""

from __future__ import annotations

import json
import re
from typing import Annotated, Literal

import numpy as np
import pytest
from pydantic import BaseModel, ConfigDict, Field

from command_line import PROGRAM, START, run, with_silence
from tapewright.audio import create_audio, load
from tapewright.image import load_image


class Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)


class BlockFault(Strict):
    kind: str
    start_seconds: float | None
    end_seconds: float | None
    text: str


class Block(Strict):
    kind: str
    start_seconds: float
    end_seconds: float
    fields: dict[str, int | str]
    address: int | None
    data: Annotated[str, Field(pattern=r"^([0-9a-f]{2})*$")]
    byte_confidence: list[Annotated[float, Field(ge=0, le=1)]]
    byte_seconds: list[float]
    check: Literal["ok", "bad", "none", "repaired"]
    repaired_offsets: list[int]
    faults: list[BlockFault]
    speed: float


class Audio(Strict):
    path: str
    sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    rate_hz: int | float
    seconds: float
    channel: int | str


class Piece(Strict):
    address: int | None
    data: str


class Fault(Strict):
    kind: str
    text: str
    remedy: str | None


class Document(Strict):
    """``read --json`` as contract.md shows it: every key, and none besides."""

    recording: Audio
    format: str
    blocks: list[Block]
    image: list[Piece]
    faults: list[Fault]


def refuse_constant(word: str) -> None:
    raise AssertionError(f"{word} is not JSON")


def document(out: str) -> Document:
    strict = json.loads(out, parse_constant=refuse_constant)
    return Document.model_validate(strict)


def test_write_says_what_it_made(tape):
    assert tape.wrote.code == 0
    assert tape.wrote.err == ""
    seconds = load(tape.sound).seconds
    assert "120 bytes in format quick-test" in tape.wrote.out
    assert f"{seconds:.1f} s" in tape.wrote.out


def test_read_gets_the_program_back_and_says_so(tape, reading):
    assert reading.code == 0
    assert reading.out.splitlines()[-1] == "Verdict: every byte is there, and the tape's own check agrees."
    assert "name 'TEST'" in reading.out
    assert "120 bytes at 0200..0277" in reading.out
    image = load_image(tape.folder / "read.hex")
    assert [(piece.address, piece.data) for piece in image] == [(START, PROGRAM)]


def test_read_makes_the_report(tape, reading):
    page = (tape.folder / "read.html").read_text(encoding="utf-8")
    assert f"Report: {tape.folder / 'read.html'}" in reading.out
    assert page.startswith("<!DOCTYPE html>") or page.startswith("<!doctype html>")


def test_json_is_the_document_of_the_contract(tape, json_reading):
    found = document(json_reading.out)
    assert json_reading.code == 1
    assert found.format == "quick-test"
    assert found.recording.path == str(tape.hurt)
    assert found.recording.channel == 0
    (block,) = found.blocks
    assert block.fields == {"name": "TEST", "start": START, "length": len(PROGRAM)}
    assert block.address == START
    assert block.check == "bad"
    assert len(block.byte_confidence) == len(block.byte_seconds) == len(PROGRAM)
    assert [fault.kind for fault in block.faults if fault.kind == "dropout"]


def test_json_keeps_lengths_and_says_which_bytes_are_right(json_reading):
    (block,) = document(json_reading.out).blocks
    data = bytes.fromhex(block.data)
    assert len(data) == len(PROGRAM)
    wrong = [k for k in range(len(data)) if data[k] != PROGRAM[k]]
    assert wrong
    assert all(block.byte_confidence[k] < 0.9 for k in wrong)
    sure = [k for k in range(len(data)) if block.byte_confidence[k] > 0.99]
    assert len(sure) > len(PROGRAM) - 15


def test_damage_is_told_with_its_addresses_and_the_bytes_are_saved_all_the_same(tape):
    out = tape.folder / "hurt.hex"
    ran = run("read", tape.hurt, "--format", tape.card, "-o", out)
    assert ran.code == 1
    assert "CHECK FAILS" in ran.out
    assert "Verdict: damaged" in ran.out.splitlines()[-1]
    assert "doubtful, and as a check fails others may be wrong too" in ran.out.splitlines()[-1]
    image = load_image(out)
    assert len(image) == len(PROGRAM)
    wrong = [START + k for k in range(len(PROGRAM)) if image.ranges[0].data[k] != PROGRAM[k]]
    line = next(line for line in ran.out.splitlines() if line.startswith("Doubtful bytes: "))
    named: set[int] = set()
    for part in line.removeprefix("Doubtful bytes: ").split(", "):
        first, _, last = part.partition("..")
        named |= set(range(int(first, 16), int(last or first, 16) + 1))
    assert wrong
    assert set(wrong) <= named


def test_two_hurt_recordings_make_one_whole_program_and_its_check_vouches_for_it(tape):
    out = tape.folder / "together.bin"
    ran = run("read", tape.hurt, tape.hurt_elsewhere, "--format", tape.card, "-o", out)
    assert out.read_bytes() == PROGRAM
    assert ran.code == 0
    assert "of 2 bad copies of this block one good one was made" in ran.out
    assert "1 combination was tried" in ran.out
    assert ran.out.splitlines()[-1].endswith("and the tape's own check agrees.")


def test_a_good_recording_makes_a_hurt_one_good(tape):
    out = tape.folder / "made-good.bin"
    ran = run("read", tape.hurt, tape.sound, "--format", tape.card, "-o", out)
    assert (ran.code, out.read_bytes()) == (0, PROGRAM)
    assert ran.out.splitlines()[-1].startswith("Verdict: from 2 recordings every byte was got")


def test_the_same_recording_twice_makes_no_byte_surer(tape, tmp_path):
    twice = run("read", tape.sound, tape.sound, "--format", tape.card).refusal
    assert twice.startswith(f"{tape.sound} is given twice")
    copy = tmp_path / "copy.wav"
    copy.write_bytes(tape.sound.read_bytes())
    refusal = run("read", tape.hurt, tape.sound, copy, "--format", tape.card).refusal
    assert f"copy.wav is a copy of {tape.sound}" in refusal


def test_several_recordings_as_json(tape):
    ran = run("read", tape.sound, tape.hurt, "--format", tape.card, "--json")
    whole = json.loads(ran.out, parse_constant=refuse_constant)
    assert set(whole) == {"recordings", "format", "image", "faults"}
    assert [Document.model_validate(one).recording.path for one in whole["recordings"]] == [
        str(tape.sound),
        str(tape.hurt),
    ]
    assert whole["image"] == [{"address": START, "data": PROGRAM.hex()}]


def test_recordings_of_different_programs_are_not_mixed(tape, tmp_path):
    other = tmp_path / "other.bin"
    other.write_bytes(bytes(reversed(PROGRAM)))
    sound, out = tmp_path / "other.wav", tmp_path / "mixed.bin"
    assert run("write", other, "-o", sound, "--format", tape.card, "--start", "0200").code == 0
    ran = run("read", tape.sound, sound, "--format", tape.card, "-o", out)
    assert ran.code == 2
    assert "different bytes at 0200" in ran.err
    assert not out.exists()


def test_a_second_program_for_the_same_addresses_is_not_dropped_in_silence(tape, tmp_path):
    other, sound, both, out = (tmp_path / name for name in ("o.bin", "o.wav", "both.wav", "out.bin"))
    other.write_bytes(bytes(reversed(PROGRAM)))
    assert run("write", other, "-o", sound, "--format", tape.card, "--start", "0200").code == 0
    first, second = load(tape.sound), load(sound)
    with create_audio(both, first.rate_hz, 1) as file:
        for recording in (first, second):
            file.write(recording.samples)
    ran = run("read", both, "--format", tape.card, "-o", out)
    assert out.read_bytes() == PROGRAM
    assert ran.code == 1
    assert "120 bytes in " in ran.out
    assert "cut the recording between programs" in ran.out
    assert ran.out.splitlines()[-1].endswith("more is on the recording that is not in it.")


def test_verify_a_true_copy(tape):
    ran = run("verify", tape.sound, tape.program, "--format", tape.card)
    assert ran.code == 0
    assert "safe to switch the machine off" in ran.out.splitlines()[0]
    assert "NOT" not in ran.out.splitlines()[0]


def test_verify_names_the_addresses_that_differ(tape, tmp_path):
    changed = bytearray(PROGRAM)
    changed[5] ^= 0x40
    program = tmp_path / "changed.bin"
    program.write_bytes(changed)
    ran = run("verify", tape.sound, program, "--format", tape.card, "--start", "0x200")
    assert ran.code == 1
    first, *others = ran.out.splitlines()
    assert "do NOT switch the machine off" in first
    assert any(line.strip().startswith("0205:") for line in others)
    whole = json.loads(
        run("verify", tape.sound, program, "--format", tape.card, "--start", "200h", "--json").out,
        parse_constant=refuse_constant,
    )
    assert whole["safe"] is False
    assert whole["differences"] == [
        {"address": 0x0205, "program": f"{changed[5]:02x}", "tape": f"{PROGRAM[5]:02x}"}
    ]


def test_verify_says_which_of_the_two_has_no_address(tape, tmp_path):
    sound, program = tmp_path / "bare.wav", tmp_path / "changed.txt"
    assert run("write", tape.program, "-o", sound, "--format", tape.bare_card).code == 0
    program.write_text(f"0200: {PROGRAM[:-1].hex(' ')} 00\n")
    ran = run("verify", sound, program, "--format", tape.bare_card)
    assert ran.code == 1
    told = [line.strip() for line in ran.out.splitlines()]
    assert "the recording has no address; taken to start at 0200 like the program file" in told
    assert f"0277: 00 in the program file, {PROGRAM[-1]:02X} in the recording" in told


def test_verify_a_hurt_tape(tape):
    ran = run("verify", tape.hurt, tape.program, "--format", tape.card)
    assert ran.code == 1
    assert "do NOT switch the machine off" in ran.out.splitlines()[0]


def test_nothing_found_says_where_the_chain_stopped(tape, tmp_path):
    silent = with_silence(tape.sound, tmp_path / "silent.wav", 0.0, 1e3)
    out = tmp_path / "none.hex"
    ran = run("read", silent, "--format", tape.card, "-o", out)
    assert ran.code == 1
    assert "the recording is silent; check the lead" in ran.out
    assert f"{out} was not made" in ran.out
    assert not out.exists()
    assert ran.out.splitlines()[-1] == "Verdict: no program was found."
    found = document(run("read", silent, "--format", tape.card, "--json").out)
    assert (found.blocks, found.image) == ([], [])
    assert [fault.kind for fault in found.faults] == ["silence"]
    unlike = tmp_path / "hiss.wav"
    with create_audio(unlike, 44_100) as made:
        made.write(0.1 * np.random.default_rng(4).standard_normal((44_100, 1)))
    hiss = run("read", unlike, "--format", tape.card)
    assert "nothing in this recording sounds like format quick-test" in hiss.out


def test_auto_calls_silence_silence(tape, tmp_path):
    silent = with_silence(tape.sound, tmp_path / "silent.wav", 0.0, 1e3)
    ran = run("read", silent)
    assert "cannot tell the format: the recording is silent; check the lead" in ran.out
    assert "no format found" in ran.out


def test_write_says_what_the_format_has_no_place_for(tape, tmp_path):
    out = tmp_path / "plain.wav"
    given = ("--name", "ABC", "--start", "300h")
    ran = run("write", tape.program, "-o", out, "--format", "kcs-300", *given, "--run", "300h")
    assert ran.code == 0
    for words in ("no place for a name", "no place for an address", "no place for the address to run from"):
        assert words in ran.err
    named = run("write", tape.program, "-o", out, "--format", "tansy-hex-250", *given, "--force")
    assert "no place" not in named.err


@pytest.mark.parametrize(
    "start, outside",  # fescue-trainer has memory for programs at 0200..07FF
    [(0x0200, 0), (0x01FF, 1), (0x0800 - len(PROGRAM), 0), (0x0800 - len(PROGRAM) + 7, 7), (0x9000, 120)],
)
def test_write_says_what_belongs_where_the_machine_has_no_memory(tape, tmp_path, start, outside):
    ran = run(
        "write", tape.program, "--start", hex(start), "-o", tmp_path / "x.wav", "--machine", "fescue-trainer"
    )
    assert ran.code == 0
    assert ("programs live at 0200..07FF" in ran.err) == bool(outside)
    assert not outside or f"and {outside} byte" in ran.err


def test_a_format_without_addresses_takes_one_from_the_command_line(tape, tmp_path):
    sound, out = tmp_path / "bare.wav", tmp_path / "bare.hex"
    assert run("write", tape.program, "-o", sound, "--format", tape.bare_card).code == 0
    ran = run("read", sound, "--format", tape.bare_card, "-o", out, "--start", "C000")
    assert ran.code == 0
    assert "no check to vouch for them" in ran.out.splitlines()[-1]
    assert [(piece.address, piece.data) for piece in load_image(out)] == [(0xC000, PROGRAM)]


def test_an_address_the_tape_contradicts_is_refused(tape, tmp_path):
    out = tmp_path / "moved.hex"
    ran = run("read", tape.sound, "--format", tape.card, "-o", out, "--start", "0300")
    assert ran.code == 2
    assert "the tape itself says 0200, not 0300" in ran.err
    assert not out.exists()
    assert run("read", tape.sound, "--format", tape.card, "-o", out, "--start", "0200").code == 0


def test_gaps_in_a_raw_file_are_filled_and_told(tape, tmp_path):
    gappy, sound, out = tmp_path / "gappy.txt", tmp_path / "gappy.wav", tmp_path / "gappy.bin"
    gappy.write_text("0200: 01 02 03 04\n0208: 05 06 07 08\n")
    assert run("write", gappy, "-o", sound, "--format", tape.card).code == 0
    ran = run("read", sound, "--format", tape.card, "-o", out)
    assert ran.code == 0
    assert out.read_bytes() == bytes([1, 2, 3, 4, 0, 0, 0, 0, 5, 6, 7, 8])
    assert f"{out} holds 00 at 0204..0207" in ran.out


def test_explain_tells_the_figures(tape):
    ran = run("read", tape.hurt, "--format", tape.card, "--explain")
    assert "symbols heard" in ran.out
    assert "evidence" in ran.out
    assert "with confidence 0.00" in ran.out


@pytest.mark.parametrize(
    "option", [["--machine", "fescue-trainer"], ["--inverted"], ["--encoding", "float32"]]
)
def test_write_has_its_options(tape, tmp_path, option):
    plain, other = tmp_path / "plain.wav", tmp_path / "other.wav"
    words = ["write", tape.program, "--format", tape.card, "--start", "0200", "-o"]
    assert run(*words, plain).code == 0
    ran = run(*words, other, *option)
    assert ran.code == 0
    a, b = load(plain).samples[:, 0], load(other).samples[:, 0]
    if option == ["--inverted"]:
        assert abs(a + b).max() < 1e-4
    elif option == ["--encoding", "float32"]:
        assert 0 < abs(a - b).max() < 2**-15
    else:
        assert abs(a - b).max() > 0.1
        assert "Before you connect anything: " in ran.out


def test_a_block_that_is_gone_altogether_is_not_called_a_whole_program(tape, tmp_path):
    """The header promises 300 bytes in blocks of 128; the second block is silent from end to end."""
    program, sound = tmp_path / "long.bin", tmp_path / "long.wav"
    program.write_bytes(bytes(k % 251 for k in range(300)))
    assert run("write", program, "-o", sound, "--format", "mallow-fsk-600", "--start", "0200").code == 0
    whole = document(run("read", sound, "--format", "mallow-fsk-600", "--json").out)
    assert [len(block.data) // 2 for block in whole.blocks] == [0, 128, 128, 44]
    gone = with_silence(
        sound, tmp_path / "gone.wav", whole.blocks[2].start_seconds, whole.blocks[2].end_seconds
    )
    ran = run("read", gone, "--format", "mallow-fsk-600", "--explain")
    assert ran.code == 1
    assert "a part of the program is missing" in ran.out.splitlines()[-1]
    told, why = [line for line in ran.out.splitlines() if "at 0280..02FF" in line]
    assert told.endswith("data block, 128 bytes at 0280..02FF: NOT FOUND")
    assert "block missing" in why
    # nothing was heard of it, so there is no check that could fail and no figure to explain
    assert "CHECK FAILS" not in ran.out
    assert "NOT COMPLETE" not in ran.out
    assert "evidence 0 bits" not in ran.out


def test_a_program_that_breaks_off_is_not_called_whole_where_nothing_counts_its_bytes(tape, tmp_path):
    sound, part = tmp_path / "bare.wav", tmp_path / "part.wav"
    run("write", tape.program, "-o", sound, "--format", tape.bare_card)
    recording = load(sound)
    with create_audio(part, recording.rate_hz) as file:
        file.write(recording.samples[: int(2.0 * recording.rate_hz)])
    assert run("read", sound, "--format", tape.bare_card).code == 0
    ran = run("read", part, "--format", tape.bare_card)
    assert ran.code == 1
    assert "bytes may be missing after them; record on until the program has ended" in ran.out
    assert "Verdict: doubtful: bytes may be missing" in ran.out
    both = run("read", part, sound, "--format", tape.bare_card)
    assert both.code == 0  # the other recording goes on where this one breaks off
    assert f"Program: {len(PROGRAM)} bytes" in both.out


def test_a_title_without_a_check_does_not_make_the_format_one_without(tape, tmp_path):
    sound = tmp_path / "titled.wav"
    run("write", tape.program, "--start", hex(START), "-o", sound, "--format", "tansy-hex-250")
    ran = run("read", sound, "--format", "tansy-hex-250", "--explain")
    assert ran.code == 0
    assert "all checks agree; title blocks have none" in ran.out.splitlines()[-1]
    assert "least sure byte above 0.9999" in ran.out  # and never 1.0000
    ran = run("verify", sound, tape.program, "--start", hex(START), "--format", "tansy-hex-250")
    assert ran.code == 0
    assert "its own check agrees wherever it has one (title blocks have none): it is safe" in ran.out


def test_doubtful_bytes_are_told_where_start_puts_them(tape, tmp_path):
    sound, hurt = tmp_path / "bare.wav", tmp_path / "hurt.wav"
    run("write", tape.program, "-o", sound, "--format", tape.bare_card)
    recording = load(sound)
    samples = recording.samples.copy()
    middle = round((0.5 + 1.0 + 0.5 * len(PROGRAM) * 10 / 1200) * recording.rate_hz)
    samples[middle : middle + round(0.02 * recording.rate_hz)] = 0
    with create_audio(hurt, recording.rate_hz) as file:
        file.write(samples)
    ran = run("read", hurt, "--format", tape.bare_card, "--start", "0xC000")
    assert ran.code == 1
    told = next(line for line in ran.out.splitlines() if line.startswith("Doubtful bytes: "))
    first = int(told.split(": ")[1].split("..")[0], 16)
    assert abs(first - (0xC000 + len(PROGRAM) // 2)) <= 2
    assert "others may be wrong" not in ran.out  # there is no check that fails


def test_bytes_that_were_promised_and_not_heard_are_told(tape, tmp_path):
    part, recording = tmp_path / "part.wav", load(tape.sound)
    with create_audio(part, recording.rate_hz) as file:
        file.write(recording.samples[: int(2.2 * recording.rate_hz)])
    ran = run("read", part, "--format", tape.card)
    assert ran.code == 1
    told = re.search(
        r"Program: 'TEST', (\d+) bytes at 0200\.\.0277, of which (\d+) were not heard and are 00", ran.out
    )
    assert told
    assert int(told[1]) == len(PROGRAM)
    assert 0 < int(told[2]) < len(PROGRAM)
    assert re.search(r"Doubtful bytes: 02[0-7][0-9A-F]\.\.0277", ran.out)


def test_right_bytes_at_another_address_are_told_as_such(tape, tmp_path):
    ran = run("verify", tape.sound, tape.program, "--format", tape.card, "--start", "0243")
    assert ran.code == 1
    assert "The bytes on the tape are those of the program, but at 0200 instead of 0243" in ran.out


def test_a_rate_that_cannot_be_written_is_not_called_one_of_a_recording(tape, tmp_path):
    ran = run("write", tape.program, "-o", tmp_path / "x.wav", "--format", tape.bare_card, "--rate", 3000)
    assert ran.code == 2
    assert "the sample rate is 3000 Hz; use one of" in ran.err
    assert "recording" not in ran.err


def test_checks_do_not_all_agree_where_that_of_another_recording_fails(tape, tmp_path):
    sound, hurt = tmp_path / "titled.wav", tmp_path / "hurt.wav"
    run("write", tape.program, "--start", hex(START), "-o", sound, "--format", "tansy-hex-250")
    recording = load(sound)
    samples = recording.samples.copy()
    samples[round(0.8 * len(samples)) :][: round(0.1 * recording.rate_hz)] = 0.0
    with create_audio(hurt, recording.rate_hz) as file:
        file.write(samples)
    ran = run("read", hurt, sound, "--format", "tansy-hex-250")
    assert ran.code == 0
    assert "all checks agree" not in ran.out
    assert "from 2 recordings every byte was got" in ran.out.splitlines()[-1]
    assert "wherever it has one; title blocks have none" in ran.out.splitlines()[-1]
