"""The demonstration: it runs, it is what it says, and its program does what its listing says."""

from __future__ import annotations

import re
from importlib import resources
from itertools import pairwise

import pytest

from command_line import Ran, run
from tapewright.demo.story import FILES
from tapewright.image import from_listing, load_image

LISTING = resources.files("tapewright.demo").joinpath("evening-song.txt").read_text(encoding="utf-8")
PROGRAM = from_listing(LISTING)


@pytest.fixture(scope="module")
def told(tmp_path_factory) -> tuple[Ran, object]:
    folder = tmp_path_factory.mktemp("demo") / "made here"
    return run("demo", folder), folder


def test_the_demonstration_ends_well_and_leaves_what_it_lists(told):
    ran, folder = told
    assert ran.code == 0, ran.out
    assert ran.err == "" or ran.err.startswith("preparing the receiver")
    assert sorted(path.name for path in folder.iterdir()) == sorted(FILES)
    _, _, listed = ran.out.partition("What is in ")
    for name, what in FILES.items():
        assert f"{name:18}{what}" in listed


def test_the_tape_of_the_worn_recorder_holds_the_program(told):
    _, folder = told
    assert load_image(folder / "tape.hex").ranges == PROGRAM.ranges


def test_the_creased_tape_is_marked_where_it_is_wrong_and_nowhere_else_trusted(told):
    ran, folder = told
    assert "do NOT switch the machine off" in ran.out
    (wrong,), (right,) = load_image(folder / "creased.hex").ranges, PROGRAM.ranges
    assert (wrong.address, len(wrong)) == (right.address, len(right))
    differing = {0x200 + k for k in range(len(right)) if wrong.data[k] != right.data[k]}
    assert differing
    spans = re.search(r"Doubtful bytes: (.*)", ran.out)
    assert spans is not None
    doubtful: set[int] = set()
    for part in spans[1].split(", "):
        first, _, last = part.partition("..")
        doubtful |= set(range(int(first, 16), int(last or first, 16) + 1))
    assert differing <= doubtful
    assert len(doubtful) < 30


def test_every_command_it_shows_is_one_anybody_can_type(told):
    ran, _ = told
    shown = [line for line in ran.out.splitlines() if line.startswith("$ ")]
    assert [line.split()[2] for line in shown] == [
        "image",
        "image",
        "write",
        "read",
        "verify",
        "window",
        "window",
        "write",
        "window",
        "write",
        "learn",
        "write",
        "window",
        "read",
        "verify",
    ]
    assert all(line.startswith("$ tapewright ") for line in shown)


def test_it_does_not_write_over_what_is_there(tmp_path):
    mine = tmp_path / "tape.wav"
    mine.write_text("mine")
    assert "tape.wav is there already" in run("demo", tmp_path).refusal
    assert [path.name for path in tmp_path.iterdir()] == ["tape.wav"]
    assert mine.read_text() == "mine"


def test_a_folder_that_cannot_be_made_is_told(tmp_path):
    (tmp_path / "file").touch()
    assert "cannot be made" in run("demo", tmp_path / "file" / "folder").refusal


class Fescue:
    """The made-up processor, from the table at the head of the listing."""

    def __init__(self, memory: bytes, start: int, keys: list[int]) -> None:
        self.memory, self.pc, self.keys = bytearray(0x10000), start, keys
        self.memory[start : start + len(memory)] = memory
        self.a = self.b = self.c = self.p = 0
        self.zero = False
        self.time = 0
        #: Time of each turn of the speaker, and what was shown on the display when.
        self.flips: list[int] = []
        self.shown: list[tuple[int, int]] = []

    def byte(self) -> int:
        self.pc += 1
        return self.memory[self.pc - 1]

    def address(self) -> int:
        return self.byte() | self.byte() << 8

    def less(self, value: int) -> int:
        self.zero = (value - 1) & 0xFF == 0
        return (value - 1) & 0xFF

    def run(self) -> None:
        while True:
            self.time += 1
            match self.byte():
                case 0x00:
                    return
                case 0x10:
                    self.a = self.byte()
                case 0x13:
                    self.p = self.address()
                case 0x20:
                    self.a = self.memory[self.p]
                case 0x22:
                    self.p += 1
                case 0x30:
                    self.b = self.a
                case 0x31:
                    self.c = self.a
                case 0x32:
                    self.a = self.b
                case 0x40:
                    self.a = self.less(self.a)
                case 0x42:
                    self.c = self.less(self.c)
                case 0x50:
                    self.pc = self.address()
                case 0x51:
                    target = self.address()
                    self.pc = target if self.zero else self.pc
                case 0x52:
                    target = self.address()
                    self.pc = self.pc if self.zero else target
                case 0x60:
                    self.flips.append(self.time)
                case 0x61:
                    self.shown.append((self.time, self.a))
                case 0x62:
                    self.a = self.keys.pop(0)
                case 0x70:
                    self.zero = self.a == self.byte()
                case 0x72:
                    self.zero = not self.a & self.byte()
                case other:
                    raise AssertionError(f"{other:02X} at {self.pc - 1:04X} is no instruction")


@pytest.fixture(scope="module")
def played() -> Fescue:
    (piece,) = PROGRAM.ranges
    assert piece.address == PROGRAM.run == 0x200
    board = Fescue(piece.data, 0x200, keys=[0x00])
    board.run()
    return board


def test_the_program_plays_all_lines_in_order_and_halts(played):
    assert [line for _, line in played.shown] == list(range(1, 9))


def test_each_note_is_played_as_long_and_as_high_as_the_tune_says(played):
    """From the bytes of the tune: so many half-waves, and a half-wave as long as its note says."""
    (piece,) = PROGRAM.ranges
    first = next(line for line in LISTING.splitlines() if "; line 1" in line)
    tune = piece.data[int(first[:4], 16) - 0x200 :]
    assert tune[-1] == 0xFF
    pairs = [(tune[k], tune[k + 1]) for k in range(0, len(tune) - 1, 2)]
    notes = [(note, count) for note, count in pairs if note != 0xFE and not note & 0x80]
    assert len(played.flips) == sum(count for _, count in notes)
    flips = iter(played.flips)
    for note, count in notes:
        times = [next(flips) for _ in range(count)]
        # per half-wave: the waiting loop, two instructions a round, and six around it
        assert {b - a for a, b in pairwise(times)} <= {2 * note + 6}


def test_holding_the_first_key_plays_it_again():
    (piece,) = PROGRAM.ranges
    board = Fescue(piece.data, 0x200, keys=[0x01, 0x02])
    board.run()
    assert [line for _, line in board.shown] == 2 * list(range(1, 9))


#: Opcode, bytes in all, and name, as the head of the listing has them.
INSTRUCTIONS = {
    0x00: (1, "HALT"), 0x10: (2, "SET A, "), 0x13: (3, "SET P, "), 0x20: (1, "GET A"), 0x22: (1, "STEP P"),
    0x30: (1, "COPY B, A"), 0x31: (1, "COPY C, A"), 0x32: (1, "COPY A, B"), 0x40: (1, "LESS A"),
    0x42: (1, "LESS C"), 0x50: (3, "GO "), 0x51: (3, "GO IF ZERO "), 0x52: (3, "GO UNLESS ZERO "),
    0x60: (1, "FLIP SPEAKER"), 0x61: (1, "SHOW A"), 0x62: (1, "KEYS A"), 0x70: (2, "COMPARE A, "),
    0x72: (2, "TEST A, "),
}  # fmt: skip


def test_the_listing_explains_every_instruction_it_uses():
    head, _, code = LISTING.partition("run 0200")
    for opcode, (length, name) in INSTRUCTIONS.items():
        operand = ["", " nn", " ll hh"][length - 1]
        assert re.search(rf"\b{opcode:02X}{operand} +{name}", head), name
    lines = [line for line in code.partition("; The tune")[0].splitlines() if line]
    assert len(lines) > 30
    for line in lines:
        found = bytes.fromhex(line[6:14])
        length, name = INSTRUCTIONS[found[0]]
        assert len(found) == length, line
        assert line[25:].startswith(name), line
        if name == "GO ":
            assert not line[25:].startswith(("GO IF", "GO UNLESS")), line
