from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tapewright.cards.symbols import HalfWaves, Levels, Piece, Silence, Tone
from tapewright.channel import CassetteChannel, play
from tapewright.learn.line_code import LineCode, propose
from tapewright.model import Recording
from tests import sounds_of_nothing as nothing
from tests.symbol_cards import recording_of, symbol_card

RATE_HZ = 44_100
#: A usable recorder: 30 dB of signal over hiss, a little dull, with hum.
RECORDER = replace(CassetteChannel.PORTABLE, hiss_snr_db=30.0, low_pass_hz=6_000.0, hum_level_db=-35.0)

#: Name: the card's symbols, the leader, and the family it should be taken for.
CODES = {
    "four cycles": ('"0" = [{tone = 1200, cycles = 4}]\n"1" = [{tone = 2400, cycles = 8}]', "1", "tones of"),
    "one cycle": (
        '"0" = [{tone = 1200, cycles = 1}]\n"1" = [{tone = 2400, cycles = 1}]',
        "1",
        "single cycles",
    ),
    "pairs": (
        '"0" = [{half_waves = [220, 220]}]\n"1" = [{half_waves = [440, 440]}]\n'
        '"P" = [{half_waves = [620, 620]}]',
        "P",
        "pairs",
    ),
    "half-waves": ('"0" = [{half_waves = [250]}]\n"1" = [{half_waves = [430]}]', "0", "half-waves"),
    "ratio": (
        '"0" = [{tone = 3600, cycles = 12}, {tone = 2400, cycles = 4}]\n'
        '"1" = [{tone = 3600, cycles = 6}, {tone = 2400, cycles = 8}]',
        "0",
        "tone ratio",
    ),
    "burst": (
        '"0" = [{tone = 3200, cycles = 4}, {silence = 1250}]\n'
        '"1" = [{tone = 3200, cycles = 8}, {silence = 1250}]',
        "0",
        "bursts",
    ),
    "burst or none": (
        '"0" = [{tone = 3000, cycles = 5}, {silence = 1333}]\n"1" = [{silence = 3000}]',
        "0",
        "bursts",
    ),
    "biphase-M": ('"0" = [{half_waves = [500]}]\n"1" = [{half_waves = [250, 250]}]', "0", "biphase-M"),
    "biphase-L": (
        '"0" = [{levels = [[1, 250], [-1, 250]]}]\n"1" = [{levels = [[-1, 250], [1, 250]]}]',
        "0",
        "biphase-L",
    ),
    "three lengths": (
        '"0" = [{half_waves = [175, 175, 254, 254]}]\n"1" = [{half_waves = [254, 254, 175, 175]}]\n'
        '"L" = [{half_waves = [332, 332]}]',
        "L",
        "three lengths",
    ),
    "modem": ('"0" = [{tone = 1180, us = 3333.3}]\n"1" = [{tone = 980, us = 3333.3}]', "1", "modem tones"),
}


def saved(name: str, seed: int, channel: CassetteChannel = RECORDER) -> Recording:
    """Record a leader and 480 random bits, each byte with a start and a stop bit."""
    symbols, leader, _ = CODES[name]
    rng = np.random.default_rng(seed)
    start, stop = ("0", "1") if leader != "0" else ("1", "0")
    text = "".join(start + "".join(rng.choice(["0", "1"], 8)) + stop for _ in range(48))
    card = symbol_card(symbols)
    shortest_s = 0.004 if name in ("ratio", "burst", "burst or none", "modem") else 0.0007
    return play(recording_of(leader * int(0.7 / shortest_s) + text, card, rate_hz=RATE_HZ), channel, seed)


def spelt(pieces: list[Piece]) -> list[float]:
    """Write pieces as numbers: a tone by its half-waves, or by frequency and time."""
    numbers: list[float] = []
    for piece in pieces:
        if isinstance(piece, Tone):
            cycles = piece.cycles
            numbers += (
                [piece.tone, piece.us or 0.0] if cycles is None else [0.5e6 / piece.tone] * int(2 * cycles)
            )
        elif isinstance(piece, HalfWaves):
            numbers += piece.half_waves
        elif isinstance(piece, Levels):
            numbers += [level * us for level, us in piece.levels]
        elif isinstance(piece, Silence):
            numbers.append(piece.silence)
    return numbers


def is_right(code: LineCode, name: str) -> bool:
    """Whether the bits sound as in the card, which may be called either way round, within 4 %."""
    truth = symbol_card(CODES[name][0]).symbols
    return any(
        all(
            len(spelt(truth[bit])) == len(spelt(code.symbols[as_bit]))
            and spelt(code.symbols[as_bit]) == pytest.approx(spelt(truth[bit]), rel=0.04)
            for bit, as_bit in zip("01", names, strict=True)
        )
        for names in ("01", "10")
    )


@pytest.mark.parametrize("name", CODES)
def test_the_right_code_comes_first(name: str) -> None:
    codes, _ = propose([saved(name, 11)])
    assert codes, "nothing proposed"
    assert is_right(codes[0], name), codes[0]
    assert codes[0].family.startswith(CODES[name][2])
    assert [code.score_bits for code in codes] == sorted((code.score_bits for code in codes), reverse=True)


@pytest.mark.parametrize("name", ["pairs", "three lengths"])
def test_a_leader_of_its_own_is_a_symbol(name: str) -> None:
    code = propose([saved(name, 12)])[0][0]
    truth = symbol_card(CODES[name][0]).symbols[CODES[name][1]]
    assert code.leader == "L"
    assert spelt(code.symbols["L"]) == pytest.approx(spelt(truth), rel=0.04)


def test_only_biphase_l_depends_on_polarity() -> None:
    assert propose([saved("biphase-L", 13)])[0][0].polar
    assert not propose([saved("pairs", 13)])[0][0].polar


def test_squares_are_written_as_half_waves_and_sines_as_tones() -> None:
    assert isinstance(propose([saved("pairs", 14)])[0][0].symbols["0"][0], HalfWaves)
    assert isinstance(propose([saved("one cycle", 14)])[0][0].symbols["0"][0], Tone)


def test_recordings_at_different_speeds_and_upside_down_are_of_one_code() -> None:
    channels = [
        replace(RECORDER, speed_error_percent=4.0),
        replace(RECORDER, speed_error_percent=-4.0, is_inverted=True, record_gain_db=-6.0),
    ]
    codes, heard = propose([saved("one cycle", seed, channel) for seed, channel in enumerate(channels)])
    assert is_right(codes[0], "one cycle")
    # 1.04 / 0.96, and the mean is the card's own
    assert heard[1].tempo / heard[0].tempo == pytest.approx(1.0833, rel=0.005)
    assert min(codes[0].timings, key=lambda timing: timing.microseconds).microseconds == pytest.approx(
        208.3, rel=0.01
    )


#: Two recordings of one machine by two recorders.
FAST_AND_SLOW = [
    replace(RECORDER, hiss_snr_db=25.0, low_pass_hz=5_000.0, speed_error_percent=error)
    for error in (3.0, -3.0)
]


def played(symbols: str, leader: str, seed: int, channel: CassetteChannel) -> Recording:
    rng = np.random.default_rng(seed)
    text = "".join("01"[leader == "0"] + "".join(rng.choice(["0", "1"], 8)) + leader for _ in range(60))
    return play(recording_of(leader * 300 + text, symbol_card(symbols), rate_hz=RATE_HZ), channel, seed)


def proposed(symbols: str, leader: str) -> LineCode:
    codes, _ = propose([played(symbols, leader, seed, each) for seed, each in enumerate(FAST_AND_SLOW)])
    return codes[0]


@pytest.mark.parametrize(
    "bit_us,low_hz,high_hz",
    [
        (1e6 / 1200, 1463.0, 2243.0),  # a cell has no half-wave without a change of tone nearby
        (1e6 / 450, 1357.5, 1807.5),  # nearly three cycles and four
        (1e6 / 300, 1675.0, 1875.0),  # hiss moves a half-wave by as much as the tones differ
    ],
)
def test_tones_of_a_modem_are_measured_well(bit_us: float, low_hz: float, high_hz: float) -> None:
    code = proposed(
        f'"0" = [{{tone = {low_hz}, us = {bit_us}}}]\n"1" = [{{tone = {high_hz}, us = {bit_us}}}]', "1"
    )
    assert code.family == "modem tones"
    cycles = sorted(1e-6 * hertz * us for hertz, us in (spelt(code.symbols[bit]) for bit in "01"))
    assert cycles == pytest.approx([low_hz * bit_us * 1e-6, high_hz * bit_us * 1e-6], rel=0.0004)


def test_pulses_of_two_recordings_at_two_speeds_make_bits_of_one_length() -> None:
    pulse = "{half_waves = [130, 130]}"
    code = proposed(
        f'"0" = [{pulse}, {{silence = 740}}]\n"1" = [{pulse}, {{silence = 240}}, {pulse}, {{silence = 240}}]',
        "0",
    )
    lasting = [sum(spelt(code.symbols[bit])) for bit in "01"]
    assert lasting == pytest.approx([1000.0, 1000.0], rel=0.003)


def test_pulses_of_two_widths_and_rests_of_one_are_told_by_whole_cycles() -> None:
    # Where a recorder passes no constant level, rests come out longer or shorter than they are.
    code = proposed('"0" = [{half_waves = [250, 300]}]\n"1" = [{half_waves = [540, 300]}]', "0")
    lasting = sorted(sum(spelt(code.symbols[bit])) for bit in "01")
    assert lasting == pytest.approx([550.0, 840.0], rel=0.1)


@pytest.mark.parametrize(
    "steps, begins_with_an_edge",
    [((-0.33, 0.33, 1.0, 0.33, -0.33, -1.0), False), ((0.5, 1.0, 0.5, -0.5, -1.0, -0.5), True)],
)
def test_a_tone_that_begins_amid_a_wave_lasts_for_a_time(
    steps: tuple[float, ...], begins_with_an_edge: bool
) -> None:
    slow, fast = (
        ", ".join(f"[{level}, {us}]" for level in steps * cycles) for us, cycles in ((116.0, 3), (58.0, 6))
    )
    code = proposed(f'"0" = [{{levels = [{slow}]}}]\n"1" = [{{levels = [{fast}]}}]', "1")
    for bit in "01":
        (tone,) = code.symbols[bit]
        assert isinstance(tone, Tone)
        assert (tone.cycles is not None) == begins_with_an_edge
        lasting_us = tone.us or 1e6 * (tone.cycles or 0.0) / tone.tone
        assert lasting_us == pytest.approx(2088.0, rel=0.01)


def test_bursts_and_silence_that_last_equally_long_are_written_so() -> None:
    symbols = propose([saved("burst or none", 15)])[0][0].symbols
    burst, silence = (symbols[bit] for bit in "01")
    tone, rest = burst
    assert isinstance(tone, Tone)
    assert isinstance(rest, Silence)
    assert spelt(silence)[0] == pytest.approx(tone.turns * 1e6 / tone.tone + rest.silence, abs=0.02)


def test_leaders_too_short_to_stand_out_are_not_what_bits_are_made_of() -> None:
    symbols = '"0" = [{half_waves = [232]}]\n"1" = [{half_waves = [543]}]\n"P" = [{half_waves = [920]}]'
    rng = np.random.default_rng(4)
    blocks = ["P" * 80 + "".join(rng.choice(["0", "1"], 180)) for _ in range(12)]
    sound = recording_of("P" * 400 + "".join(blocks), symbol_card(symbols), rate_hz=RATE_HZ)
    codes, _ = propose([play(sound, RECORDER, 1)])
    lengths = [np.mean(spelt(codes[0].symbols[bit])) for bit in "01L"]
    assert sorted(lengths) == pytest.approx([232.0, 543.0, 920.0], rel=0.03)


def test_nearly_twice_as_long_is_not_made_twice_as_long() -> None:
    code = proposed('"0" = [{half_waves = [228, 228]}]\n"1" = [{half_waves = [453, 453]}]', "0")
    short, long = sorted(spelt(code.symbols[bit])[0] for bit in "01")
    assert long / short == pytest.approx(453 / 228, rel=0.003)


def test_a_slicing_offset_does_not_matter() -> None:
    sound = saved("one cycle", 15)
    peak = np.percentile(np.abs(sound.samples), 90)
    sliced = 0.5 * np.clip(8 * (sound.samples / peak - 0.25), -1, 1)
    codes, _ = propose([Recording(sliced.astype(np.float32), sound.rate_hz)])
    assert is_right(codes[0], "one cycle")


def test_what_was_heard_tells_leaders_and_lengths() -> None:
    heard = propose([saved("pairs", 16)])[1][0]
    start_s, end_s = heard.leaders_s[0]
    assert start_s == pytest.approx(0.3, abs=0.05)
    assert end_s - start_s == pytest.approx(1000 * 1240e-6, abs=0.05)
    # the tape runs 1 % fast
    assert sorted(heard.classes_us)[:2] == pytest.approx([220 / 1.01, 440 / 1.01], rel=0.02)
    assert len(heard.times_s) == len(heard.half_waves_us) == len(heard.is_leader)


@pytest.mark.parametrize(
    "sound",
    [
        nothing.white_noise(6),
        nothing.hum(6),
        nothing.music(8),
        nothing.speech(8),
        nothing.silence(2),
        nothing.tone(4, 1000.0),
    ],
    ids=["noise", "hum", "music", "speech", "silence", "tone"],
)
def test_nothing_is_proposed_where_there_is_no_data(sound: np.ndarray) -> None:
    codes, heard = propose([Recording(sound.astype(np.float32), nothing.RATE_HZ)])
    assert codes == []
    assert len(heard) == 1
