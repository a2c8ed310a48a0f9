"""One tape for all tests of the command line: written once, read once."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest

from command_line import BARE_CARD, PROGRAM, QUICK_CARD, START, Ran, run, with_silence


@dataclass(frozen=True)
class Tape:
    """Files that belong together."""

    folder: Path
    card: Path
    bare_card: Path
    program: Path
    sound: Path
    hurt: Path
    hurt_elsewhere: Path
    wrote: Ran


@pytest.fixture(scope="session")
def tape(tmp_path_factory: pytest.TempPathFactory) -> Tape:
    folder = tmp_path_factory.mktemp("tape")
    card, bare_card = folder / "quick.toml", folder / "bare.toml"
    card.write_text(QUICK_CARD)
    bare_card.write_text(BARE_CARD)
    program, sound = folder / "program.bin", folder / "tape.wav"
    program.write_bytes(PROGRAM)
    wrote = run("write", program, "-o", sound, "--format", card, "--start", hex(START), "--name", "TEST")
    return Tape(
        folder,
        card,
        bare_card,
        program,
        sound,
        with_silence(sound, folder / "hurt.wav", 1.90, 1.94),
        with_silence(sound, folder / "hurt-elsewhere.wav", 2.30, 2.34),
        wrote,
    )


@pytest.fixture(scope="session")
def reading(tape: Tape) -> Ran:
    return run(
        "read", tape.sound, "--format", tape.card, "-o", tape.folder / "read.hex", "--report",
        tape.folder / "read.html",
    )  # fmt: skip


@pytest.fixture(scope="session")
def json_reading(tape: Tape) -> Ran:
    return run("read", tape.hurt, "--format", tape.card, "--json")
