"""A pause of hiss is told from signal by few looks, and what follows it is found all the same."""

from __future__ import annotations

import numpy as np
import pytest

from symbol_cards import recording_of
from tapewright.cards import load_format
from tapewright.line import decode
from tapewright.line.receiver import Receiver
from tapewright.model import Recording

RATE_HZ = 44_100
HISS = 0.02


class Looks:
    """Counts looks for a signal anew, and makes the first so many of them vain."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, vain: int = 0) -> None:
        self.count = 0
        find = Receiver.find

        def counted(receiver, pieces, *effort):
            self.count += len(pieces) == 1
            return None if len(pieces) == 1 and self.count <= vain else find(receiver, pieces, *effort)

        monkeypatch.setattr(Receiver, "find", counted)


def hissing(*parts: np.ndarray) -> Recording:
    sound = np.concatenate(parts)
    hiss = HISS * np.random.default_rng(1).standard_normal(sound.shape, np.float32)
    return Recording(sound + hiss, RATE_HZ)


def program(name: str, data: str, speed: float = 1.0, level: float = 0.5) -> np.ndarray:
    text = "1" * 600 + data + "1" * 200
    tape = recording_of(text, load_format(name), speed=speed, level=level, after_seconds=0.0)
    return tape.samples


def bits(seed: int, count: int = 2000) -> str:
    return "".join(np.random.default_rng(seed).choice(["0", "1"], count))


def pause(seconds: float) -> np.ndarray:
    return np.zeros((round(seconds * RATE_HZ), 1), np.float32)


@pytest.mark.parametrize("name", ["kcs-1200", "bell-202-1200"])
def test_a_faint_program_at_another_speed_is_found_after_a_pause(name, monkeypatch):
    looks = Looks(monkeypatch)
    first, second = bits(1), bits(2)
    # an Eb/N0 of 11 dB: in a band of 4 kHz the second is 4 dB above the hiss
    tape = hissing(
        program(name, first), pause(14.0), program(name, second, speed=0.92, level=0.022), pause(14.0)
    )
    heard = decode(tape, load_format(name)).symbols
    assert first in heard.text
    at = heard.text.find(second[:40])
    assert at >= 0
    wrong = sum(a != b for a, b in zip(heard.text[at : at + len(second)], second, strict=True))
    assert wrong < 0.02 * len(second)
    assert looks.count < 14  # a look each second would be 28


def test_what_is_found_after_looks_in_vain_is_read_from_where_its_sound_began(monkeypatch):
    # in vain are looks at the hiss before the first program, at the second of the other one that has its
    # leader and data, and at the one after it; the next look is three seconds later
    Looks(monkeypatch, vain=3)
    name, data = "kcs-1200", bits(2, 5000)
    tape = hissing(program(name, bits(1, 10_000)), pause(0.1), program(name, data, speed=0.88))
    assert data[1000:] in decode(tape, load_format(name)).symbols.text
