"""The receiver on symbols whose text, times, speed and level are known exactly."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from symbol_cards import recording_of, symbol_card
from tapewright import channel, line
from tapewright.cards import Alphabet, format_names, load_format
from tapewright.model import Recording, Symbols

#: One of each family; the receiver knows nothing of families. With each, the symbol its leaders are made of.
CARDS = {
    "kcs-1200": "1",
    "heron-cycle-1600": "1",
    "sedge-half-2700": "0",
    "reed-pwm-1500": "P",
    "teasel-three-1170": "L",
    "alder-biphase-m-2000": "0",
    "larch-biphase-l-2000": "0",
    "osier-biphase-s-1200": "1",
    "thistle-burst-320": "0",
    "sorrel-step-1200": "1",
    "plover-ratio-200": "0",
}
FREE_PHASE = {"v21-300": "1", "v23-1200": "1", "bell-103-300": "1", "bell-202-1200": "1"}
LEADERS = CARDS | FREE_PHASE | {"kcs-300": "1"}
RATE_HZ = 44_100


def random_bits(count: int, seed: int) -> str:
    return "".join(np.random.default_rng(seed).choice(["0", "1"], count))


def leader_of(name: str, seconds: float) -> str:
    alphabet = Alphabet.of(load_format(name))
    symbol = LEADERS[name]
    return symbol * round(seconds / alphabet.shapes[alphabet.names.index(symbol)].seconds)


def tape_of(name: str, bits: str, **how: object) -> Recording:
    """Record leader, bits, and a little leader again, with 0.3 s of silence before and after."""
    text = leader_of(name, 0.6) + bits + leader_of(name, 0.05)
    return recording_of(text, load_format(name), **how)  # type: ignore[arg-type]


def joined(*recordings: Recording) -> Recording:
    return Recording(np.concatenate([r.samples for r in recordings]), recordings[0].rate_hz)


def side_by_side(*recordings: Recording) -> Recording:
    return Recording(np.concatenate([r.samples for r in recordings], axis=1), recordings[0].rate_hz)


def hear(recording: Recording, name: str) -> Symbols:
    return line.decode(recording, load_format(name)).symbols


def true_times(
    name: str, bits: str, speed: float = 1.0, rate_hz: float = RATE_HZ
) -> tuple[np.ndarray, np.ndarray]:
    alphabet = Alphabet.of(load_format(name))
    text = leader_of(name, 0.6) + bits
    edges = round(0.3 * rate_hz) / rate_hz + np.cumsum(
        [0.0, *(alphabet.shapes[k].seconds / speed for k in alphabet.indices(text))]
    )
    return edges[-len(bits) - 1 : -1], edges[-len(bits) :]


@pytest.mark.parametrize("speed", [1.0, 1.07])
@pytest.mark.parametrize("name", CARDS)
def test_symbols_times_and_speed(name, speed):
    bits = random_bits(300, 3)
    symbols = hear(tape_of(name, bits, speed=speed), name)
    at = symbols.text.find(bits)
    assert at >= 0
    heard = slice(at, at + len(bits))
    starts, ends = true_times(name, bits, speed)
    # a sample is 22.7 us
    assert np.abs(symbols.start_seconds[heard] - starts).max() < 12e-6
    assert np.abs(symbols.end_seconds[heard] - ends).max() < 12e-6
    assert np.sqrt(np.mean((symbols.start_seconds[heard] - starts) ** 2)) < 4e-6
    assert symbols.speed[heard].mean() == pytest.approx(speed, rel=1e-3)


@pytest.mark.parametrize("name", FREE_PHASE)
def test_symbols_and_times_of_a_carrier_whose_phase_runs_free(name):
    # A bit holds no whole number of half-turns, so nothing but the change of frequency shows where it ends;
    # a leader leaves the boundaries open, and they settle over the first bits.
    bits = random_bits(300, 4)
    bit_seconds = Alphabet.of(load_format(name)).mean_bit_seconds
    symbols = hear(tape_of(name, bits), name)
    at = symbols.text.find(bits)
    assert at >= 0
    heard = slice(at, at + len(bits))
    starts, _ = true_times(name, bits)
    late_bits = np.abs(symbols.start_seconds[heard] - starts) / bit_seconds
    assert late_bits.max() < 0.25
    assert late_bits[20:].max() < 0.1
    assert np.median(late_bits) < 0.05
    assert symbols.speed[heard].mean() == pytest.approx(1.0, rel=1e-3)


@pytest.mark.parametrize(
    "name, decibels",
    [("kcs-1200", -5.0), ("sedge-half-2700", -4.0), ("larch-biphase-l-2000", -6.0), ("v23-1200", -8.0)],
)
def test_posteriors_are_probabilities(name, decibels):
    # "No signal here" takes a share too, so the symbols' own shares add up to less than one. Of the symbols
    # heard wrong in noise, the posterior must have had its doubts.
    bits = random_bits(500, 5)
    noisy = channel.add_noise(tape_of(name, bits), decibels, band_hz=(20, 20_000), seed=5)
    symbols = hear(noisy, name)
    real = symbols.index >= 0
    p = np.exp(symbols.log_p[real].astype(np.float64))
    assert p.sum(axis=1).max() <= 1 + 1e-6
    assert p.min() >= 0
    chosen = p[np.arange(len(p)), symbols.index[real]]
    assert chosen.mean() > 0.9
    assert chosen.min() < 0.999
    assert np.all(np.isneginf(symbols.log_p[~real]))


def test_doubts_are_about_as_frequent_as_they_say():
    # Kansas City tones at 1200 bit/s, Eb/N0 of 4 dB: some symbols are heard wrong. If the posteriors are
    # right, about sum(1 - p) of them are. Random bits of fixed length: place by place against the truth.
    name, bits = "kcs-1200", random_bits(3_000, 6)
    band_db = 10 * np.log10(20_000 / 1_200)
    noisy = channel.add_noise(tape_of(name, bits), 4.0 - band_db, band_hz=(0, 20_000), seed=6)
    symbols = hear(noisy, name)
    starts, ends = true_times(name, bits)
    middle = 0.5 * (symbols.start_seconds + symbols.end_seconds)
    place = np.searchsorted(ends, middle)
    inside = (middle > starts[0]) & (place < len(bits)) & (symbols.index >= 0)
    right = np.array(list(bits))[place[inside]] == np.array(list(symbols.names))[symbols.index[inside]]
    p = np.exp(symbols.log_p[inside].astype(np.float64)).max(axis=1)
    wrong, expected = np.count_nonzero(~right), float((1 - p).sum())
    assert wrong > 20
    assert 0.4 < wrong / expected < 2.5


@pytest.mark.parametrize("level", [0.05, 0.5])
def test_level_is_that_of_the_tone(level):
    bits = random_bits(300, 7)
    symbols = hear(tape_of("kcs-300", bits[:100], level=level), "kcs-300")
    assert np.median(symbols.level[symbols.index >= 0]) == pytest.approx(level, rel=0.03)
    quiet = hear(tape_of("sedge-half-2700", bits, level=0.1 * level), "sedge-half-2700")
    loud = hear(tape_of("sedge-half-2700", bits, level=level), "sedge-half-2700")
    assert quiet.text == loud.text
    assert np.median(loud.level) == pytest.approx(10 * np.median(quiet.level), rel=0.01)


def test_level_is_that_of_the_bit_that_sounds_where_the_other_is_silence():
    card = symbol_card(
        "0 = [{ tone = 3000, cycles = 2 }, { silence = 333.33 }]\n1 = [{ silence = 1000 }]",
        'start = "1"\nstop = "0"',
    )
    bits = "".join(f"1{value:08b}0" for value in np.random.default_rng(7).bytes(60))
    with warnings.catch_warnings():
        warnings.simplefilter("error", RuntimeWarning)
        symbols = line.decode(recording_of("0" * 300 + bits + "0" * 30, card, level=0.4), card).symbols
    assert bits in symbols.text
    assert np.median(symbols.level[symbols.index == 0]) == pytest.approx(0.4, rel=0.05)


def test_noise_is_what_was_added():
    # White noise of standard deviation s up to 22050 Hz; the receiver hears it in its own band only, so per
    # sample it is s times the root of the share of the spectrum.
    name = "kcs-1200"
    recording = tape_of(name, random_bits(1_000, 8))
    sigma = 0.05
    noise = sigma * np.random.default_rng(8).standard_normal(recording.samples.shape)
    symbols = hear(Recording((recording.samples + noise).astype(np.float32), RATE_HZ), name)
    # the band is 360 to 4320 Hz for tones of 1200 and 2400 Hz (0.3 of the lowest, 1.8 of the highest)
    expected = sigma * np.sqrt((4_320 - 360) / 22_050)
    # what the symbol after leaves in the end of a symbol, rounded by the band, counts as noise as well
    assert np.median(symbols.noise) == pytest.approx(expected, rel=0.15)


def test_silence_before_between_and_after_is_a_gap():
    name = "kcs-1200"
    one, two = random_bits(400, 9), random_bits(400, 10)
    how = {"before_seconds": 0.75, "after_seconds": 0.4}
    recording = joined(tape_of(name, one, **how), tape_of(name, two, **how))
    symbols = hear(recording, name)
    assert one in symbols.text
    assert two in symbols.text
    gaps = np.flatnonzero(symbols.index < 0)
    length = 0.6 + 400 / 1200 + 0.05  # of each program
    places = [(0, 0.75), (0.75 + length, 1.9 + length), (1.9 + 2 * length, 2.3 + 2 * length)]
    assert len(gaps) == len(places)
    for gap, (start, end) in zip(gaps, places, strict=True):
        assert symbols.start_seconds[gap] == pytest.approx(start, abs=0.002)
        assert symbols.end_seconds[gap] == pytest.approx(end, abs=0.002)
    assert np.all(symbols.end_seconds[:-1] <= symbols.start_seconds[1:] + 1e-6)


def test_two_programs_at_different_speeds():
    name = "kcs-1200"
    programs = [(random_bits(600, 11), 1.04), (random_bits(600, 12), 1.0)]
    symbols = hear(joined(*(tape_of(name, bits, speed=speed) for bits, speed in programs)), name)
    for bits, speed in programs:
        at = symbols.text.find(bits)
        assert at >= 0
        assert symbols.speed[at : at + 600].mean() == pytest.approx(speed, rel=1e-3)


@pytest.mark.parametrize("name", ["kcs-300", "kcs-1200", "heron-cycle-1600"])
@pytest.mark.parametrize("late_seconds", [0.4012, 0.5507, 0.6999])
def test_a_recording_that_begins_within_the_leader_loses_no_data(name, late_seconds):
    bits = "0" + random_bits(200, 13)  # the leader is ones
    tape = tape_of(name, bits)
    begin = round(late_seconds * RATE_HZ)
    assert bits in hear(Recording(tape.samples[begin:], RATE_HZ), name).text


@pytest.mark.parametrize("name", ["kcs-300", "heron-cycle-1600", "larch-biphase-l-2000", "reed-pwm-1500"])
def test_a_long_clean_recording_with_pauses_and_leaders_in_it(name):
    # long enough for symbols to be followed where they are beyond doubt, and searched for where they are not
    programs = [random_bits(1500, seed) for seed in (14, 15, 16)]
    text = hear(joined(*(tape_of(name, bits) for bits in programs)), name).text
    for bits in programs:
        assert bits in text


@pytest.mark.parametrize("name", ["kcs-1200", "sedge-half-2700", "alder-biphase-m-2000", "v23-1200"])
def test_polarity_does_not_matter_where_only_changes_count(name):
    bits = random_bits(400, 13)
    assert bits in hear(tape_of(name, bits, inverted=True), name).text


def test_polarity_matters_where_the_sign_is_the_bit():
    # Biphase-L upside down says the opposite, or is half a cell late; told to turn it over, the receiver
    # hears it right.
    name, bits = "larch-biphase-l-2000", random_bits(400, 14)
    card = load_format(name)
    upside_down = tape_of(name, bits, inverted=True)
    assert bits not in line.decode(upside_down, card).symbols.text
    assert bits in line.decode(upside_down, card, inverted=True).symbols.text
    assert line.is_polar(Alphabet.of(card))
    assert not line.is_polar(Alphabet.of(load_format("alder-biphase-m-2000")))


@pytest.mark.parametrize("name", ["heron-cycle-1600", "v23-1200"])
def test_windows_are_stitched_without_losing_or_doubling_a_symbol(name):
    # 25 s are three windows; bits without any repetition of more than a few dozen.
    alphabet = Alphabet.of(load_format(name))
    bits = random_bits(round(24 / alphabet.mean_bit_seconds), 15)
    recording = tape_of(name, bits)
    assert recording.seconds > 24.5
    symbols = hear(recording, name)
    assert bits in symbols.text
    real = symbols.index >= 0
    assert np.all(np.diff(symbols.start_seconds[real]) > 0)
    steps = symbols.start_seconds[1:] - symbols.end_seconds[:-1]
    assert np.abs(steps).max() < 0.25 * min(shape.seconds for shape in alphabet.shapes)


@pytest.mark.parametrize("bad", [0, 1])
def test_the_good_channel_of_two_is_heard(bad):
    name, bits = "kcs-1200", random_bits(500, 16)
    good = tape_of(name, bits)
    pair = [good, good]
    pair[bad] = channel.add_noise(good, -10.0, band_hz=(20, 20_000), seed=16)
    heard = line.decode(side_by_side(*pair), load_format(name))
    assert heard.channel == 1 - bad
    assert bits in heard.symbols.text


def test_a_silent_channel_is_not_averaged_in():
    name, bits = "sedge-half-2700", random_bits(500, 17)
    good = tape_of(name, bits)
    silent = Recording(np.zeros_like(good.samples), RATE_HZ)
    hum = 0.3 * np.sin(2 * np.pi * 50 * np.arange(len(good.samples)) / RATE_HZ)
    humming = Recording(hum.astype(np.float32), RATE_HZ)
    for other in (silent, humming):
        heard = line.decode(side_by_side(other, good), load_format(name))
        assert heard.channel in (1, "average")
        assert bits in heard.symbols.text


def test_two_channels_with_noise_of_their_own_are_averaged():
    # The average has 3 dB less noise than either.
    name, bits = "kcs-1200", random_bits(500, 18)
    clean = tape_of(name, bits)
    noisy = [channel.add_noise(clean, 2.0, band_hz=(20, 20_000), seed=seed) for seed in (18, 19)]
    heard = line.decode(side_by_side(*noisy), load_format(name))
    assert heard.channel == "average"
    assert bits in heard.symbols.text
    alone = line.decode(noisy[0], load_format(name))
    ratio = np.median(alone.symbols.noise) / np.median(heard.symbols.noise)
    assert 20 * np.log10(ratio) == pytest.approx(3.0, abs=0.7)


def test_one_channel_upside_down_does_not_cancel_the_other():
    name, bits = "kcs-1200", random_bits(500, 20)
    upright, inverted = tape_of(name, bits), tape_of(name, bits, inverted=True)
    heard = line.decode(side_by_side(upright, inverted), load_format(name))
    assert heard.channel in (0, 1)
    assert bits in heard.symbols.text


@pytest.mark.parametrize("name", ["kcs-1200", "sedge-half-2700", "larch-biphase-l-2000"])
def test_a_constant_on_top_changes_nothing(name):
    bits = random_bits(400, 21)
    recording = tape_of(name, bits, level=0.3)
    shifted = Recording(recording.samples + np.float32(0.5), RATE_HZ)
    symbols, plain = hear(shifted, name), hear(recording, name)
    assert bits in symbols.text
    assert np.median(symbols.level) == pytest.approx(np.median(plain.level), rel=0.02)


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 96_000, 192_000])
@pytest.mark.parametrize("name", ["kcs-1200", "alder-biphase-m-2000"])
def test_any_sample_rate(name, rate_hz):
    bits = random_bits(300, 22)
    symbols = hear(tape_of(name, bits, rate_hz=rate_hz), name)
    at = symbols.text.find(bits)
    assert at >= 0
    starts, _ = true_times(name, bits, rate_hz=rate_hz)
    assert np.abs(symbols.start_seconds[at : at + 300] - starts).max() < 20e-6


@pytest.mark.parametrize("samples", [0, 1, 10, 2_000, 88_200])
@pytest.mark.parametrize("name", ["kcs-1200", "sedge-half-2700", "v21-300", "yarrow-fm-500"])
def test_an_empty_or_silent_recording_holds_no_symbols(name, samples):
    heard = line.decode(Recording(np.zeros(samples, np.float32), RATE_HZ), load_format(name))
    assert len(heard.symbols) == 0
    assert heard.evidence_bits == 0.0
    assert heard.seconds == pytest.approx(samples / RATE_HZ)


def test_evidence_tells_the_right_card_from_others():
    # All three are made of 1200 and 2400 Hz; in nats it is no close call.
    surveyed = line.survey(tape_of("kcs-300", random_bits(400, 23)))
    cards = [load_format(name) for name in ("plover-ratio-200", "v21-300", "kcs-300")]
    ranked = line.rank(surveyed, cards, 1)
    assert ranked[0].card.name == "kcs-300"
    assert len(ranked) == len(cards)
    assert ranked[0].evidence_bits > 2 * ranked[1].evidence_bits


@pytest.mark.parametrize("name", ["sorrel-step-1200", "osier-biphase-s-1200", "bell-202-1200"])
def test_of_many_cards_a_quick_look_keeps_the_right_one_and_few_others(name):
    tape = tape_of(name, random_bits(1500, 29))
    noise = 0.1 * np.random.default_rng(3).standard_normal(len(tape.samples)).astype(np.float32)
    noisy = Recording(tape.samples[:, 0] + noise, tape.rate_hz)
    ranked = line.rank(line.survey(noisy), [load_format(card) for card in format_names()], 1)
    assert ranked[0].card.name == name
    assert 2 <= len(ranked) < len(format_names()) / 2


def test_what_was_found_while_ranking_is_what_decoding_finds():
    card = load_format("larch-biphase-l-2000")
    tape = tape_of(card.name, random_bits(1500, 31))
    surveyed = line.survey(tape)
    (prospect,) = line.rank(surveyed, [card], 1)
    one = line.decode(tape, card, surveyed=surveyed)
    other = line.decode(tape, card, surveyed=surveyed, prospect=prospect)
    assert other.channel == one.channel
    assert np.array_equal(other.symbols.index, one.symbols.index)
    assert np.array_equal(other.symbols.log_p, one.symbols.log_p)
