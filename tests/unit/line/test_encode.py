"""Synthesis against closed formulas: exact in time, free of aliasing, streaming, in constant memory."""

from __future__ import annotations

import importlib
import math
import tracemalloc
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal, special

from symbol_cards import sound_of, symbol_alphabet
from tapewright import line
from tapewright.model import TapePart, UsageError

#: Half-waves in no simple ratio to any sample rate, or to each other.
SQUARE = symbol_alphabet("""
"0" = [{ half_waves = [311.7] }]
"1" = [{ half_waves = [311.7, 622.3] }]
""")
SLOW = symbol_alphabet("""
"0" = [{ half_waves = [1311.7] }]
"1" = [{ half_waves = [701.3] }]
""")
MIXED = symbol_alphabet("""
"0" = [{ tone = 1200, cycles = 1 }]
"1" = [{ tone = 2400, cycles = 2 }]
H = [{ tone = 1200, cycles = 0.5 }]
F = [{ tone = 1000, us = 1300 }]
A = [{ half_waves = [500] }]
B = [{ half_waves = [500, 500] }]
P = [{ levels = [[1.0, 500]] }]
N = [{ levels = [[-0.5, 500]] }]
S = [{ silence = 500 }]
""")
RATES_HZ = [8_000, 11_025, 16_000, 22_050, 44_100, 48_000, 96_000, 192_000]


def square_wave(now_seconds: np.ndarray, half_seconds: float, highest_hz: float) -> np.ndarray:
    """Fourier series of the square wave that begins with its upper half: 4/pi sum of sin(k w t)/k, k odd."""
    base_hz = 0.5 / half_seconds
    wave = np.zeros(len(now_seconds))
    for k in range(1, int(highest_hz / base_hz) + 1, 2):
        wave += 4 / (np.pi * k) * np.sin(2 * np.pi * k * base_hz * now_seconds)
    return wave


def test_an_hour_of_leader_does_not_drift():
    # Exact arithmetic in rational numbers; 2.7 million half-waves of 10.4936 samples each.
    rate_hz, half = 8_000, Fraction("0.0013117")
    count = math.ceil(3600 / half)
    parts = [TapePart("lead", symbols="0", seconds=3600.0), TapePart("symbols", symbols="1111")]
    samples, tail = 0, np.zeros(0)
    for chunk in line.encode(parts, SLOW, rate_hz, level=0.5):
        samples += len(chunk)
        tail = np.concatenate((tail, chunk))[-8000:]
    total = count * half + 4 * Fraction("0.0007013")
    assert samples == math.ceil(total * rate_hz)

    # The last half-waves of the leader, by the phase of their fundamental over 100 whole turns.
    first = samples - len(tail)
    half_turns_before = Fraction(first, rate_hz) / half
    phase_turns = float(half_turns_before / 2 % 1)
    turn_samples = float(2 * half * rate_hz)
    n = np.arange(round(100 * turn_samples))
    heard = tail[: len(n)] @ np.exp(-2j * np.pi * n / turn_samples)
    assert len(n) < len(tail) - 40  # well before the symbols that follow
    found_turns = np.angle(heard) / (2 * np.pi) + 0.25  # a sine is a quarter turn behind a cosine
    late = (found_turns - phase_turns + 0.5) % 1 - 0.5
    assert abs(late) * turn_samples < 0.01  # of a sample, after an hour

    # And the edge that ends the leader is where the leader's exact length puts it.
    edge = float(count * half * rate_hz) - first
    k = int(edge)
    crossing = np.flatnonzero(np.diff(np.sign(tail[k - 2 : k + 3])))
    assert len(crossing) == 1
    at = k - 2 + int(crossing[0])
    assert at + tail[at] / (tail[at] - tail[at + 1]) == pytest.approx(edge, abs=0.1)


@pytest.mark.parametrize("rate_hz", [8_000, 44_100])
@pytest.mark.parametrize("half_us", [311.7, 187.3, 263.9])
def test_square_edges_do_not_alias(rate_hz, half_us):
    # Whatever stands beside the harmonics is an alias. The last hundredths of the band hold the skirt of the
    # edge's own filter, which folds at half the sample rate.
    alphabet = symbol_alphabet(f'"0" = [{{ half_waves = [{half_us}] }}]\n"1" = [{{ silence = 1000 }}]')
    seconds = 4.0
    parts = [TapePart("lead", symbols="0", seconds=seconds)]
    sound = sound_of(parts, alphabet, rate_hz, level=0.5)[100 : int((seconds - 0.1) * rate_hz)]
    window = signal.windows.blackmanharris(len(sound))
    spectrum = np.abs(np.fft.rfft(sound * window)) / (0.5 * window.sum())
    hz = np.arange(len(spectrum)) * rate_hz / len(sound)
    harmonic_hz = 0.5e6 / half_us
    beside = np.abs(hz / harmonic_hz - np.round(hz / harmonic_hz)) * harmonic_hz > 5 * rate_hz / len(sound)
    # the continuous component is the 0th harmonic: a square wave has none
    assert spectrum[hz < 5].max() < 1e-4 * spectrum.max()
    worst = spectrum[beside & (hz < 0.475 * rate_hz)].max() / spectrum.max()
    assert 20 * np.log10(worst) < -80


@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 96_000])
def test_square_wave_equals_its_fourier_series(rate_hz):
    half_seconds = 1311.7e-6
    sound = sound_of("0" * 400, SLOW, rate_hz, level=1.0)
    now = np.arange(len(sound)) / rate_hz
    inside = slice(200, len(sound) - 200)
    ideal = square_wave(now, half_seconds, 0.5 * rate_hz)
    assert np.corrcoef(sound[inside], ideal[inside])[0, 1] > 0.999
    # Up to 0.38 of the rate (0.76 of the band) the edge's filter is flat: there it is the series itself.
    # Its own aliases are below -80 dB, so is what is left.
    low_pass = signal.firwin(401, 0.38, width=0.04, fs=1.0)
    left = signal.oaconvolve((sound - ideal)[inside], low_pass, mode="valid")
    assert np.abs(left).max() < 2e-4


@settings(max_examples=12)
@given(
    symbols=st.text("01", min_size=30, max_size=60),
    rate_hz=st.sampled_from([8_000, 22_050, 44_100, 48_000]),
    lead_us=st.floats(10, 900),
)
def test_every_edge_is_where_it_belongs_between_samples(symbols, rate_hz, lead_us):
    # An ideally band-limited step at time t is 1/2 + Si(pi x)/pi, x in samples from t; a row of half-waves is
    # a sum of such steps. Compared where the edge's own filter is flat.
    alphabet = symbol_alphabet(f"""
"0" = [{{ half_waves = [311.7] }}]
"1" = [{{ half_waves = [622.3] }}]
D = [{{ silence = {lead_us} }}]
""")
    sound = sound_of([TapePart("gap", seconds=0.02), TapePart("symbols", symbols="D" + symbols)], alphabet,
                     rate_hz, level=1.0)  # fmt: skip
    widths = np.array([311.7e-6 if symbol == "0" else 622.3e-6 for symbol in symbols])
    edges = (0.02 + lead_us * 1e-6 + np.append(0.0, np.cumsum(widths))) * rate_hz
    heights = np.empty(len(edges))
    heights[0], heights[-1] = 1.0, 1.0 if len(symbols) % 2 == 0 else -1.0
    heights[1:-1] = 2.0 * (-1.0) ** np.arange(1, len(symbols))
    n = np.arange(int(edges[-2]))  # the last edge is the end of the sound
    ideal = np.zeros(len(n))
    for edge, height in zip(edges[:-1], heights[:-1], strict=True):
        ideal += height * (0.5 + special.sici(np.pi * (n - edge))[0] / np.pi)
    low_pass = signal.firwin(201, 0.38, width=0.05, fs=1.0)
    left = signal.oaconvolve(sound[: len(n)] - ideal, low_pass, mode="valid")
    assert np.abs(left[: -int(0.7e-3 * rate_hz)]).max() < 0.004  # a shift of 1/100 sample would be 0.02


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_lengths_and_tones_are_right_at_every_rate(rate_hz):
    text = "1" * 120
    sound = sound_of(text, MIXED, rate_hz, level=0.4)
    assert abs(len(sound) - Fraction(120, 1200) * rate_hz) <= 1
    now = np.arange(len(sound)) / rate_hz
    inside = slice(60, len(sound) - 60)
    assert np.abs(sound - 0.4 * np.sin(2 * np.pi * 2400 * now))[inside].max() < 1e-6


def test_level_scales_and_inversion_turns_over():
    text = "01ABPNSFH10"
    unit = sound_of(text, MIXED, 44_100, level=1.0)
    assert sound_of(text, MIXED, 44_100, level=0.25) == pytest.approx(0.25 * unit, abs=1e-6)
    assert np.array_equal(
        sound_of(text, MIXED, 44_100, level=0.6, inverted=True), -sound_of(text, MIXED, 44_100, level=0.6)
    )


def test_band_limited_edges_overshoot_by_a_fifth_at_most():
    # Gibbs: an isolated edge overshoots by 8.95 % of its height, which is 17.9 % of the level. That is what
    # the highest level allowed to a user rests on.
    sound = sound_of("0110100" * 40, SQUARE, 44_100, level=1.0)
    assert 1.1 < np.abs(sound).max() < 1.2


@settings(max_examples=15)
@given(pieces=st.lists(st.text("01HFABPNS", min_size=1, max_size=9), min_size=1, max_size=8))
def test_pieces_sound_like_the_whole(pieces):
    whole = sound_of("".join(pieces), MIXED, 44_100)
    apart = sound_of([TapePart("symbols", symbols=piece) for piece in pieces], MIXED, 44_100)
    assert apart == pytest.approx(whole, abs=1e-6)


def test_a_long_tape_comes_in_chunks_that_join_without_a_seam():
    # Longer than what is laid out at a time, against the same symbols as a lead and against the formula.
    text = "0" * 40_000
    sound = sound_of(text, SQUARE, 8_000, level=1.0)
    lead = [TapePart("lead", symbols="0", seconds=40_000 * 311.7e-6 - 1e-5)]
    chunks = list(line.encode(lead, SQUARE, 8_000, level=1.0))
    assert len(chunks) > 2
    assert len(np.concatenate(chunks)) == len(sound)
    assert np.abs(np.concatenate(chunks) - sound).max() < 1e-6
    # at 8 kHz only the fundamental of 1604 Hz lies in the band
    now = np.arange(len(sound)) / 8_000
    inside = slice(40, len(sound) - 40)
    assert np.abs(sound - square_wave(now, 311.7e-6, 4_000))[inside].max() < 1e-3


def test_memory_does_not_grow_with_the_tape():
    def peak_bytes(seconds: float) -> int:
        tracemalloc.start()
        for _ in line.encode([TapePart("lead", symbols="0", seconds=seconds)], SQUARE, 44_100):
            pass
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return peak

    peak_bytes(1.0)  # tables and compiled code, once
    ten_minutes = peak_bytes(600.0)
    assert ten_minutes < peak_bytes(30.0) + 0.5e6
    assert ten_minutes < 20e6  # the samples alone are 106 MB


TONES = symbol_alphabet("""
"0" = [{ tone = 1200, cycles = 4 }]
"1" = [{ tone = 2400, cycles = 8 }]
""")


@pytest.mark.parametrize(
    "part", [TapePart("lead", symbols="01", seconds=90.0), TapePart("gap", seconds=600.0)]
)
def test_memory_is_bounded_by_time_for_slow_symbols_and_long_silences(part):
    tracemalloc.start()
    for _ in line.encode([part], TONES, 192_000):
        pass
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 12e6  # a second of samples, in float64, float32 and a copy or two, is 4 to 8 MB


@pytest.mark.parametrize("piece_seconds, symbols_a_batch", [(0.003, 10_000), (0.1, 7), (1e9, 1)])
@pytest.mark.parametrize("rate_hz", [8_000, 44_100])
def test_pieces_of_any_length_make_the_same_samples(monkeypatch, piece_seconds, symbols_a_batch, rate_hz):
    module = importlib.import_module("tapewright.line.encode")
    mixed = [
        TapePart("lead", symbols="0A1", seconds=0.2),
        TapePart("symbols", symbols="01HFABPNS" * 9 + "FFAFFBFP"),
        TapePart("gap", seconds=0.7),
        TapePart("symbols", symbols="AFB0"),
    ]
    monkeypatch.setattr(module, "PIECE_SECONDS", 1e9)
    monkeypatch.setattr(module, "SYMBOLS_A_BATCH", 1 << 20)
    whole = sound_of(mixed, MIXED, rate_hz, level=0.7)
    monkeypatch.setattr(module, "PIECE_SECONDS", piece_seconds)
    monkeypatch.setattr(module, "SYMBOLS_A_BATCH", symbols_a_batch)
    cut = sound_of(mixed, MIXED, rate_hz, level=0.7)
    assert len(cut) == len(whole)
    assert np.abs(cut - whole).max() < 1e-6


@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
def test_a_tape_that_ends_on_a_sample_has_no_sample_more(rate_hz):
    # a cycle of 1200 Hz is 36.75 or 40 samples; a lead and a gap of 0.1 s are 4410 or 4800
    for count in range(1, 500):
        assert len(sound_of("0" * count, MIXED, rate_hz)) == math.ceil(Fraction(count * rate_hz, 1200))
    parts = [TapePart("gap", seconds=0.1), TapePart("symbols", symbols="0" * 120)] * 30
    assert len(sound_of(parts, MIXED, rate_hz)) == 30 * 2 * rate_hz // 10


def test_ten_minutes_of_half_waves_end_on_their_sample():
    # 350 us is no binary fraction, and a running sum rounds it the same way each time
    alphabet = symbol_alphabet('"0" = [{ half_waves = [350] }]\n"1" = [{ half_waves = [700] }]')
    count = 1_714_285  # of 7 samples each
    lead = [TapePart("lead", symbols="0", seconds=(count - 0.5) * 350e-6)]
    assert sum(len(chunk) for chunk in line.encode(lead, alphabet, 20_000)) == 7 * count


# The sign goes on alternating from whatever came before (cards: `HalfWaves`, `Alphabet.Segment`): a tone of
# whole cycles ended on its lower half, one of half a cycle on its upper; a level is followed by its opposite;
# silence leaves it as it was. A tone that ended elsewhere counts as having ended at the nearest half-turn.
@pytest.mark.parametrize(
    "before, sign",
    [
        ("", 1), ("A", -1), ("AA", 1), ("B", 1), ("BA", -1), ("0", 1), ("1", 1), ("H", -1), ("HH", 1),
        ("H0", -1), ("AH", 1), ("P", -1), ("N", 1), ("PN", 1), ("AP", -1), ("S", 1), ("AS", -1), ("HS", -1),
        ("PS", -1), ("SA", -1), ("F", -1), ("FF", -1),
    ],
)  # fmt: skip
def test_a_half_wave_goes_on_from_what_came_before(before, sign):
    # F is 1.3 turns: it ends at 0.3 (nearest half-turn: 0.5, go on below); twice 0.6 (0.5).
    rate_hz = 96_000
    sound = sound_of(before + "A", MIXED, rate_hz, level=1.0)
    last = sound[-round(250e-6 * rate_hz)]  # the middle of its 500 us
    assert np.sign(last) == sign
    assert abs(last) > 0.8


def test_silence_and_gaps_leave_the_alternation_as_it_was():
    gapped = [
        TapePart("symbols", symbols="A"),
        TapePart("gap", seconds=0.01),
        TapePart("symbols", symbols="A"),
    ]
    sound = sound_of(gapped, MIXED, 96_000, level=1.0)
    assert sound[24] > 0.8  # in the middle of the first 500 us
    assert sound[-24] < -0.8


def test_a_tone_after_a_half_wave_continues_its_phase():
    # After one upper half-wave the phase is half a turn: the sine starts downwards; after two, upwards.
    rate_hz = 96_000
    for before, sign in (("A", -1), ("B", 1)):
        sound = sound_of(before + "0", MIXED, rate_hz, level=1.0)
        first_quarter = len(sound) - round(1 / 1200 * rate_hz) + round(1 / 4800 * rate_hz)
        assert sound[first_quarter] == pytest.approx(sign, abs=0.01)


@pytest.mark.parametrize("rate_hz", [8_000, 44_100])
def test_silence_is_silent_and_as_long_as_it_says(rate_hz):
    parts = [TapePart("gap", seconds=1.25), TapePart("symbols", symbols="1"), TapePart("gap", seconds=0.75)]
    sound = sound_of(parts, MIXED, rate_hz)
    assert len(sound) == math.ceil(Fraction(2) * rate_hz + Fraction(rate_hz, 1200))
    assert not np.any(sound[: int(1.25 * rate_hz) - 30])
    assert not np.any(sound[-int(0.75 * rate_hz) + 30 :])
    assert np.any(sound)


def test_nothing_makes_no_sound():
    assert len(sound_of([], MIXED, 44_100)) == 0
    assert len(sound_of("", MIXED, 44_100)) == 0
    assert len(sound_of([TapePart("gap", seconds=0.0)], MIXED, 44_100)) == 0


def test_a_lead_is_repeated_whole_until_its_time_has_passed():
    # 1 s of a pattern of 2.5 ms: 400 times exactly; a little more: once more.
    pattern = "01A" + "S"  # 833.3 + 833.3 + 500 + 500 us
    seconds = Fraction(2, 1200) + Fraction(1, 1000)
    for wanted, times in ((400 * seconds, 400), (400 * seconds + Fraction(1, 100_000), 401)):
        sound = sound_of([TapePart("lead", symbols=pattern, seconds=float(wanted))], MIXED, 48_000)
        assert len(sound) == math.ceil(times * seconds * 48_000)


def test_bytes_have_to_be_framed_first():
    with pytest.raises(UsageError, match="bytes have to be framed before they become sound"):
        list(line.encode([TapePart("bytes", data=b"A")], MIXED, 44_100))
