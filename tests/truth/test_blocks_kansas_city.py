"""The Kansas City standard's own figures (BYTE, February 1976; worked example: dossier section 1.3)."""

from __future__ import annotations

import pytest

from tapewright import blocks, framing
from tapewright.cards import Alphabet, load_format
from tapewright.model import Image


def symbols_of(name: str, data: bytes) -> str:
    card = load_format(name)
    parts = list(framing.encode(blocks.encode(Image.from_bytes(data), card), card))
    return next(part.symbols for part in parts if part.kind == "symbols")


def test_letter_a_at_300_baud_is_the_eleven_bits_of_the_worked_example() -> None:
    # start 0, least significant bit first 1 0 0 0 0 0 1 0, two stop bits
    assert symbols_of("kcs-300", b"\x41") == "0" + "10000010" + "11"


@pytest.mark.parametrize("name,half_waves,us", [("kcs-300", 120, 36_666.667), ("kcs-1200", 26, 8_333.333)])
def test_letter_a_has_the_half_waves_and_length_of_the_worked_example(
    name: str, half_waves: int, us: float
) -> None:
    alphabet = Alphabet.of(load_format(name))
    shapes = [alphabet.shapes[k] for k in alphabet.indices(symbols_of(name, b"\x41"))]
    assert sum(2 * shape.turns for shape in shapes) == half_waves
    assert sum(shape.seconds for shape in shapes) * 1e6 == pytest.approx(us, abs=0.001)


def test_each_block_is_preceded_by_at_least_five_seconds_of_marks() -> None:
    card = load_format("kcs-300")
    first = next(blocks.encode(Image.from_bytes(b"A"), card))
    assert first.kind == "lead"
    assert set(first.symbols) == {"1"}
    assert first.seconds >= 5.0
