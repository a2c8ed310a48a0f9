"""Small machines, and sounds to play to them whose symbols are known because we wrote them."""

from __future__ import annotations

import tomllib
from functools import cache

import numpy as np
from scipy import signal

from tapewright import line
from tapewright.cards import Alphabet, FormatCard, load_format
from tapewright.cards.machine import MachineCard
from tapewright.machine.eye import Eye
from tapewright.machine.played import Played
from tapewright.machine.simulate import RATE_HZ
from tapewright.model import TapePart

EDGE_SECONDS = 0.1
LEADER_SECONDS = 0.4
#: Square half-waves; a cycle lasts 417 us or 833 us.
TWO_TONES = "heron-cycle-1600"

CYCLES = {"poll_seconds": "10u", "reads": "cycle", "limits": ["280u", "600u", "1200u"]}
#: A comparator that wants 100 mV either way: a lower limit only, and a wide window.
COMPARATOR = {
    "kind": "comparator",
    "coupling_farads": "1u",
    "bias_ohms": "100k",
    "hysteresis_volts": 0.2,
}
#: One transistor, AC-coupled: a lower and an upper limit.
TRANSISTOR = {
    "kind": "transistor",
    "coupling_farads": "100n",
    "pulldown_ohms": "10k",
    "is_pulldown_in_lead": True,
    "base_ohms": "10k",
    "collector_ohms": "4.7k",
    "is_inverted": True,
    "gain": 200,
    "low_volts": 1.4,
    "high_volts": 1.4,
}
#: A format whose bits differ in which half-wave is the long one: upside down, each is the other.
LOPSIDED = "lopsided"
LOPSIDED_CARD = """
card   = "format"
name   = "lopsided"
title  = "Long half-wave first or last"
source = "made up for the tests"
[symbols]
"0" = [{ half_waves = [200, 500] }]
"1" = [{ half_waves = [500, 200] }]
[byte]
[[block]]
kind = "data"
layout = [{ lead = "0", seconds = 1.0 }, { sync = "ff" }, { data = 16 }, { lead = "0", seconds = 0.3 }]
"""
UPPER_HALVES = {"poll_seconds": "10u", "reads": "high", "limits": ["100u", "350u", "700u"]}


@cache
def card_of(name: str) -> FormatCard:
    """Give a card of the library or of the tests."""
    if name == LOPSIDED:
        return FormatCard.model_validate(tomllib.loads(LOPSIDED_CARD))
    return load_format(name)


def machine(stage: dict[str, object], loop: dict[str, object] | None = None, name: str = TWO_TONES) -> Eye:
    """Make a machine of an input stage and a load routine."""
    card = MachineCard.model_validate(
        {
            "card": "machine",
            "name": "test-board",
            "title": "A board for the tests",
            "source": "made up for the tests",
            "format": name,
            "input": stage,
            "loop": loop or CYCLES,
        }
    )
    return Eye.of(card, card_of(name))


@cache
def text_of(name: str, data_symbols: int, seed: int, leader: str) -> tuple[str, FormatCard]:
    """Give a leader and random data."""
    card = card_of(name)
    alphabet = Alphabet.of(card)
    seconds = alphabet.shapes[alphabet.names.index(leader)].seconds
    rng = np.random.default_rng(seed)
    data = "".join(rng.choice(["0", "1"], data_symbols))
    other = "1" if leader == "0" else "0"
    return leader * round(LEADER_SECONDS / seconds) + other + data + leader * 12, card


def sound_of(
    name: str = TWO_TONES, data_symbols: int = 1200, *, seed: int = 1, leader: str = "1", speed: float = 1.0
) -> Played:
    """Write leader, random data and trailer at the simulation's rate."""
    text, card = text_of(name, data_symbols, seed, leader)
    alphabet = Alphabet.of(card)
    symbol = np.array(alphabet.indices(text), np.int64)
    seconds = np.array([shape.seconds for shape in alphabet.shapes])[symbol] / speed
    tape = [TapePart("gap", seconds=EDGE_SECONDS), TapePart("symbols", symbols=text)]
    tape.append(TapePart("gap", seconds=EDGE_SECONDS))
    # played faster means: rendered at a lower rate, and called the simulation's
    pieces = list(line.render(list(line.wave_of(tape, alphabet)), RATE_HZ / speed))
    sound = np.concatenate(pieces).astype(np.float32)
    sound /= np.percentile(np.abs(sound), 98)
    end = EDGE_SECONDS / speed + np.cumsum(seconds)
    return Played(sound, 0.0, symbol, end - seconds, end, np.full(len(symbol), speed))


def with_sound(part: Played, sound: np.ndarray) -> Played:
    return part.heard_as(np.asarray(sound, np.float32))


def times(part: Played) -> np.ndarray:
    return np.arange(len(part.sound)) / RATE_HZ


def with_hum(part: Played, share: float, hertz: float = 50.0) -> Played:
    return with_sound(part, part.sound + share * np.sin(2 * np.pi * hertz * times(part)))


def with_treble_lift(part: Played, corner_hz: float, ratio: float = 6.0) -> Played:
    """Lift what is above a corner: a zero there, a pole `ratio` higher."""
    zero, pole = 2 * np.pi * corner_hz, 2 * np.pi * corner_hz * ratio
    b, a = signal.bilinear([1 / zero, 1], [1 / pole, 1], RATE_HZ)
    return with_sound(part, signal.lfilter(b, a, part.sound))


def with_treble_loss(part: Played, corner_hz: float) -> Played:
    b, a = signal.butter(1, corner_hz, fs=RATE_HZ)
    return with_sound(part, signal.lfilter(b, a, part.sound))


def scaled(part: Played, start_seconds: float, end_seconds: float, factor: float) -> Played:
    """Change the level of a stretch."""
    inside = (times(part) >= start_seconds) & (times(part) < end_seconds)
    return with_sound(part, np.where(inside, factor * part.sound, part.sound))
