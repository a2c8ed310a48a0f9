"""The receiver for live sound, on tapes whose symbols and times are known exactly."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from benchmarks.live import fed_by
from sounds_of_nothing import white_noise
from symbol_cards import recording_of
from tapewright import Image, Listener, line, read, synthesize
from tapewright.cards import Alphabet, format_names, load_format
from tapewright.line.gather import chained
from tapewright.model import GAP, Recording, SignalError, Symbols, UsageError

#: One of each family; with each, the symbol its leaders are made of.
LEADERS = {
    "kcs-300": "1",
    "kcs-1200": "1",
    "heron-cycle-1600": "1",
    "larch-biphase-l-2000": "0",
    "v23-1200": "1",
    "alder-biphase-m-2000": "0",
}
RATE_HZ = 44_100
BEFORE_SECONDS = 0.3


def bits_of(name: str, seed: int = 1) -> str:
    return "".join(np.random.default_rng(seed).choice(["0", "1"], 80 if name == "kcs-300" else 240))


def tape_of(name: str, bits: str, **how: object) -> tuple[np.ndarray, float]:
    """Record a leader of half a second, bits, and a little leader again; also tells when the bits begin."""
    card = load_format(name)
    alphabet = Alphabet.of(card)
    symbol_seconds = alphabet.shapes[alphabet.names.index(LEADERS[name])].seconds
    count = round(0.5 / symbol_seconds)
    text = LEADERS[name] * count + bits + LEADERS[name] * round(0.05 / symbol_seconds)
    recording = recording_of(text, card, before_seconds=BEFORE_SECONDS, **how)  # type: ignore[arg-type]
    return recording.samples[:, 0], BEFORE_SECONDS + count * symbol_seconds


def joined(parts: list[Symbols]) -> tuple[str, np.ndarray, np.ndarray]:
    return (
        "".join(part.text for part in parts),
        np.concatenate([part.start_seconds for part in parts]),
        np.concatenate([part.end_seconds for part in parts]),
    )


@cache
def heard_in_small_pieces(name: str) -> tuple[str, np.ndarray, np.ndarray]:
    """Text, starts, ends."""
    samples, _ = tape_of(name, bits_of(name))
    return joined(fed_by(Listener(name, RATE_HZ), samples, 64)[0])


@pytest.mark.parametrize("name", LEADERS)
def test_the_data_at_their_times_each_symbol_once(name):
    bits = bits_of(name)
    text, starts, ends = heard_in_small_pieces(name)
    at = text.find(bits)
    assert at >= 0
    alphabet = Alphabet.of(load_format(name))
    seconds = np.array([alphabet.shapes[k].seconds for k in alphabet.indices(bits)])
    true_starts = tape_of(name, bits)[1] + np.cumsum(seconds) - seconds
    # recording_of begins on a whole sample, 22.7 us
    assert starts[at : at + len(bits)] == pytest.approx(true_starts, abs=30e-6)
    assert ends[at : at + len(bits)] == pytest.approx(true_starts + seconds, abs=30e-6)
    assert np.all(starts[1:] >= ends[:-1])
    assert np.all(ends > starts)


@pytest.mark.parametrize("name", LEADERS)
def test_pieces_do_not_matter(name):
    samples, _ = tape_of(name, bits_of(name))
    rng = np.random.default_rng(7)
    listener = Listener(name, RATE_HZ)
    parts, first = [], 0
    while first < len(samples):
        size = int(rng.integers(1, 5001))
        parts.append(listener.feed(samples[first : first + size]))
        first += size
    parts.append(listener.finish())
    text, starts, ends = joined(parts)
    small_text, small_starts, small_ends = heard_in_small_pieces(name)
    assert text == small_text
    assert starts == pytest.approx(small_starts, abs=1e-6)
    assert ends == pytest.approx(small_ends, abs=1e-6)


@pytest.mark.parametrize("name", format_names())
def test_data_after_hiss_and_a_leader_come_as_in_a_file_within_a_tenth_of_a_second(name):
    """The hiss in which a tape begins teaches nothing of symbols that the leader lacks."""
    tape = synthesize(Image.from_bytes(bytes(range(60, 90)), 0x8000), format=name)
    hiss = np.float32(0.0008) * np.random.default_rng(3).standard_normal(tape.samples.shape, np.float32)
    tape = replace(tape, samples=0.25 * tape.samples + hiss)
    reading = read(tape, format=name)
    parts, fed = fed_by(Listener(name, tape.rate_hz), tape.samples, 64)
    live = chained(parts)
    assert len(reading.image) == 30
    for block in reading.blocks:
        if not block.data:
            continue

        def is_data(symbols: Symbols, seconds: np.ndarray = block.byte_seconds) -> np.ndarray:
            middle = 0.5 * (symbols.start_seconds + symbols.end_seconds)
            return (middle > seconds[0]) & (middle < seconds[-1])

        data, of_file = is_data(live), is_data(reading.symbols)
        assert live.index[data].tolist() == reading.symbols.index[of_file].tolist()
        assert np.all((fed - live.end_seconds)[data] <= 0.1)


@pytest.mark.parametrize("name", LEADERS)
def test_a_file_says_the_same(name):
    """The leader's beginning, where symbols may begin anywhere, may differ by a symbol."""
    bits = bits_of(name)
    samples, _ = tape_of(name, bits)
    file = line.decode(Recording(samples, RATE_HZ), load_format(name)).symbols.text
    live = heard_in_small_pieces(name)[0]
    assert live[live.find(bits) :] == file[file.find(bits) :]
    assert abs(len(live) - len(file)) <= 2


@pytest.mark.parametrize("name, same", [("heron-cycle-1600", "0"), ("larch-biphase-l-2000", "1")])
def test_a_run_longer_than_a_window_keeps_its_count(name, same):
    """A third of a second or more of one bit: nothing in a window tells where its symbols begin."""
    bits = bits_of(name)[:200]
    bits = bits + same * 700 + bits[::-1]
    samples, _ = tape_of(name, bits)
    listener = Listener(name, RATE_HZ)
    text, *_ = joined([listener.feed(samples), listener.finish()])
    assert bits in text


def test_a_noisy_tape_and_then_another_faster_and_fainter():
    name, rng = "kcs-1200", np.random.default_rng(3)
    first, _ = tape_of(name, bits_of(name, 1))
    second, _ = tape_of(name, bits_of(name, 2), speed=1.08, level=0.1)
    samples = np.concatenate((first, second))
    samples = samples + 0.02 * rng.standard_normal(len(samples))
    listener = Listener(name, RATE_HZ)
    text, *_ = joined([listener.feed(samples), listener.finish()])
    assert bits_of(name, 1) in text
    assert bits_of(name, 2) in text


def test_hiss_and_silence_hold_no_symbols():
    listener = Listener("kcs-1200", RATE_HZ)
    sound = np.concatenate((0.1 * white_noise(1.5), np.zeros(RATE_HZ), 0.7 * white_noise(1.5, seed=2)))
    assert len(listener.feed(sound)) == 0
    assert len(listener.finish()) == 0


def test_silences_are_told_as_gaps():
    samples, begin = tape_of("heron-cycle-1600", bits_of("heron-cycle-1600"))
    listener = Listener("heron-cycle-1600", RATE_HZ)
    fed = listener.feed(np.concatenate((samples, np.zeros(RATE_HZ, np.float32))))
    rest = listener.finish()
    assert np.flatnonzero(fed.index == GAP).tolist() == [0]
    assert fed.start_seconds[0] == 0.0
    # two wavelengths, at the most, are lost of a leader
    assert fed.end_seconds[0] == pytest.approx(BEFORE_SECONDS, abs=0.0015)
    assert begin < fed.end_seconds[-1] < len(samples) / RATE_HZ
    assert rest.index.tolist() == [GAP]
    assert rest.start_seconds[0] == fed.end_seconds[-1]
    assert rest.end_seconds[0] == pytest.approx(len(samples) / RATE_HZ + 1.0)


def test_finish_gives_the_rest_and_reset_begins_anew():
    name = "kcs-300"
    bits = bits_of(name)
    samples, begin = tape_of(name, bits)
    cut = samples[: round((begin + len(bits) / 300) * RATE_HZ)]  # where the data end
    listener = Listener(name, RATE_HZ)
    fed = listener.feed(cut)
    assert not fed.text.endswith(bits)
    rest = listener.finish()
    assert (fed.text + rest.text).endswith(bits)
    with pytest.raises(UsageError, match="reset"):
        listener.feed(cut)
    listener.reset()
    again = listener.feed(cut)
    assert again.text == fed.text
    assert np.array_equal(again.start_seconds, fed.start_seconds)


def held_bytes(thing: object) -> int:
    """Bytes of all arrays within reach, with those that views keep alive."""
    if isinstance(thing, np.ndarray):
        while isinstance(thing.base, np.ndarray):
            thing = thing.base
        return thing.nbytes
    if isinstance(thing, (list, tuple, set)):
        return sum(held_bytes(one) for one in thing)
    if isinstance(thing, dict):
        return sum(held_bytes(one) for one in thing.values())
    return held_bytes(vars(thing)) if hasattr(thing, "__dict__") and not isinstance(thing, type) else 0


def test_ten_minutes_take_no_more_memory_than_one():
    """A tape in the first minute and in the last."""
    rate_hz, name = 8_000, "kcs-1200"
    samples, _ = tape_of(name, bits_of(name), rate_hz=rate_hz)
    minute = np.zeros(60 * rate_hz, np.float32)
    with_tape = minute.copy()
    with_tape[-len(samples) :] = samples
    listener = Listener(name, rate_hz)
    texts, held = [], []
    for sound in (with_tape, *[minute] * 8, with_tape):
        texts.append(listener.feed(sound).text)
        held.append(held_bytes(vars(listener)))
    texts[-1] += listener.finish().text
    assert bits_of(name) in texts[0] + texts[1]
    assert bits_of(name) in texts[-1]
    assert held[-1] < held[0] + 20_000
    assert max(held) < 4_000_000


def test_channels():
    name = "kcs-1200"
    samples, _ = tape_of(name, bits_of(name))
    noise = 0.5 * np.random.default_rng(2).standard_normal(len(samples))
    both = np.stack((noise, samples), axis=1)
    assert bits_of(name) in Listener(name, RATE_HZ, channel=1).feed(both).text
    assert bits_of(name) in Listener(name, RATE_HZ).feed(np.stack((samples, 0.5 * samples), axis=1)).text
    with pytest.raises(UsageError, match="no channel 2"):
        Listener(name, RATE_HZ, channel=2).feed(both)
    with pytest.raises(UsageError, match="'left'"):
        Listener(name, RATE_HZ, channel="left")


def test_what_is_no_sound_is_refused():
    with pytest.raises(SignalError, match="sample rate"):
        Listener("kcs-1200", 100.0)
    listener = Listener("kcs-1200", RATE_HZ)
    with pytest.raises(SignalError):
        listener.feed(np.array([0.0, np.nan]))
    assert len(listener.feed(np.zeros(0))) == 0
