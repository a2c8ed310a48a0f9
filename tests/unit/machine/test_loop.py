"""The load routine: what it measures, and which symbols follow."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapewright.cards import Alphabet, FormatCard, load_format, parse_card
from tapewright.cards.machine_input import ComparatorInput, LoadLoop, OneShotInput, ToneDecoderInput
from tapewright.machine.ideal_bit import ideal_bit
from tapewright.machine.loop import LEADER_SYMBOLS, Reader, measure_edges
from tapewright.machine.simulate import Edges
from tapewright.model import CardError, TapePart

TEN_US = 10e-6


def loop(reads: str, *limits: float, **more: float) -> LoadLoop:
    """Limits in microseconds where they are times."""
    scale = 1.0 if reads in ("count", "burst") else 1e-6
    return LoadLoop(
        **{"poll_seconds": TEN_US, "reads": reads, "limits": [scale * x for x in limits], **more}  # type: ignore[arg-type]
    )


def edges(*us: float, first: int = 0) -> Edges:
    return Edges(1e-6 * np.array(us, np.float64), first)


# Heron: 417 us is 1, 833 us is 0. Reed: halves of 220 and 440, pilot 620. Sedge: 250 is 0, 500 is 1.
HERON = loop("cycle", 280, 600, 1200)
SEDGE = loop("halves", 125, 375, 700)
#: Format, loop, leader, and how far each edge may stray (us) so that no measurement crosses a limit: half the
#: way from the nearest ideal measurement to a limit, less a poll; worked out by hand.
SURE = {
    "heron, cycles": ("heron-cycle-1600", HERON, "1", 55),  # (417 - 280) / 2 - 10
    "heron, halves": ("heron-cycle-1600", loop("halves", 90, 312, 550), "1", 40),  # (312 - 208) / 2 - 10
    "reed, halves": ("reed-pwm-1500", loop("halves", 100, 330, 530, 800), "P", 35),  # (530 - 440) / 2 - 10
    "reed, cycles": ("reed-pwm-1500", loop("cycle", 300, 550, 770, 1060, 1500), "P", 40),  # (550 - 440) / 2
    "kansas city, cycles": ("kcs-300", loop("cycle", 280, 600, 1200), "1", 55),
    "kansas city, counted": ("kcs-300", loop("count", 5, 11.5, 20, window_seconds=3.2e-3), "1", 30),
    "thistle, bursts": ("thistle-burst-320", loop("burst", 4.5, 11.5, 23.5, quiet_seconds=8e-4), "0", 60),
    "sedge, halves": ("sedge-half-2700", SEDGE, "0", 50),  # (375 - 250) / 2 - 10
    "alder, halves": ("alder-biphase-m-2000", SEDGE, "0", 50),
    "yarrow, cycles": ("yarrow-fm-500", loop("cycle", 600, 1500, 2600), "0", 60),
    "teasel, cycles": ("teasel-three-1170", loop("cycle", 200, 428, 586, 1000), "L", 25),  # (428 - 350) / 2
    "plover, cycles": ("plover-ratio-200", loop("cycle", 180, 345, 600), "0", 20),  # (345 - 278) / 2 - 10
}
CARD_OF_PREFIXES = """
card   = "format"
name   = "prefixes"
title  = "A symbol that begins another"
source = "made up for the tests"
[symbols]
"0" = [{ half_waves = [500] }]
"1" = [{ half_waves = [500, 250] }]
[byte]
[[block]]
kind = "data"
layout = [{ lead = "0", seconds = 1.0 }, { sync = "ff" }, { data = 16 }, { lead = "0", seconds = 0.3 }]
"""
BITS = st.lists(st.sampled_from("01"), min_size=1, max_size=60).map("".join)


def perfect(name: str, text: str, stage: ComparatorInput | None = None) -> Edges:
    part = TapePart("symbols", symbols=text)
    return Edges(*ideal_bit([part], Alphabet.of(load_format(name)), stage))


def numbers(name: str, text: str) -> np.ndarray:
    return np.array(Alphabet.of(load_format(name)).indices(text))


@pytest.fixture(scope="module")
def readers() -> dict[str, Reader]:
    return {case: Reader.of(load_format(name), how) for case, (name, how, *_) in SURE.items()}


# Edges at 5, 105, 325, 425, 655 us: seen at 10, 110, 330, 430, 660 us. By hand.
@pytest.mark.parametrize(
    "how, first, values, starts",
    [
        (loop("cycle", 0, 300, 400), 0, [320, 330], [10, 330]),
        (loop("cycle", 0, 300, 400), 1, [320], [110]),
        (loop("high", 0, 150, 400), 0, [100, 100], [10, 330]),
        (loop("high", 0, 150, 400), 1, [220, 230], [110, 430]),
        (loop("low", 0, 150, 400), 0, [220, 230], [110, 430]),
        (loop("halves", 0, 150, 400), 0, [100, 220, 100, 230], [10, 110, 330, 430]),
    ],
)
def test_what_is_measured_of_times(how, first, values, starts):
    seen = measure_edges(edges(5, 105, 325, 425, 655, first=first), how)
    assert seen.value == pytest.approx(1e-6 * np.array(values))
    assert seen.start_seconds == pytest.approx(1e-6 * np.array(starts))
    assert seen.end_seconds == pytest.approx(seen.start_seconds + seen.value)
    limit = how.limits[1]
    assert seen.kind.tolist() == [int(value * 1e-6 >= limit) for value in values]


def test_a_window_begins_with_an_edge_and_the_next_with_the_first_edge_after_it():
    # windows of 300 us from 10 us (10, 110: two edges) and from 330 us (330, 430: the one at 660 is outside)
    seen = measure_edges(edges(5, 105, 325, 425, 655), loop("count", 0.5, 1.5, 2.5, window_seconds=3e-4))
    assert seen.value.tolist() == [2, 2, 1]
    assert seen.start_seconds == pytest.approx([10e-6, 330e-6, 660e-6])
    assert seen.kind.tolist() == [1, 1, 0]


def test_a_burst_ends_when_it_has_been_quiet_for_long_enough():
    seen = measure_edges(edges(5, 105, 325, 425, 655), loop("burst", 1.5, 2.5, 9, quiet_seconds=1.5e-4))
    assert seen.value.tolist() == [2, 2, 1]
    assert seen.kind.tolist() == [0, 0, -1]
    assert seen.end_seconds == pytest.approx([260e-6, 580e-6, 810e-6])


def test_a_pair_of_edges_between_two_polls_is_not_seen():
    clean = measure_edges(edges(5, 205), loop("high", 0, 400))
    blip = measure_edges(edges(5, 101, 109, 205), loop("high", 0, 400))
    assert blip.value == pytest.approx(clean.value)
    # one poll falls between these two, so they are seen
    wider = measure_edges(edges(5, 99, 109, 205), loop("high", 0, 400))
    assert wider.value == pytest.approx([90e-6, 100e-6])


def test_three_edges_between_two_polls_are_one():
    assert measure_edges(edges(5, 201, 204, 207), loop("high", 0, 400)).value == pytest.approx([200e-6])


@pytest.mark.parametrize("value, kind", [(190, -1), (200, 0), (390, 0), (400, 1), (590, 1), (600, -1)])
def test_kinds_reach_from_one_limit_up_to_the_next(value, kind):
    # limits half a poll off, where a real count's lie: between two counts
    seen = measure_edges(edges(0, value), loop("high", 195, 395, 595))
    assert seen.kind.tolist() == [kind]


@pytest.mark.parametrize("case", SURE)
@given(data=BITS, seed=st.integers(0, 2**32 - 1), lost=st.integers(0, 12))
def test_edges_that_stray_less_than_the_limits_allow_are_read_exactly(readers, case, data, seed, lost):
    name, _, leader, stray_us = SURE[case]
    mark = {"P": "S", "L": "10"}.get(leader, "01"[leader == "0"])
    text = 32 * leader + mark + data + 12 * leader
    ideal = perfect(name, text)
    # The recording may begin anywhere in the leader; windows that begin within a bit stay there.
    lost *= 16 if case == "kansas city, counted" else 1
    since = ideal.seconds[lost]
    strays = np.random.default_rng(seed).uniform(-1e-6 * stray_us, 1e-6 * stray_us, len(ideal))
    played = Edges((ideal.seconds + strays - since + 1e-3)[lost:], lost & 1)
    assert readers[case].first_wrong(played, numbers(name, text)) is None
    assert readers[case].margin(played, numbers(name, text)) > 0
    read = readers[case].read(played)
    alphabet = Alphabet.of(load_format(name))
    told = "".join("?" if k < 0 else alphabet.names[k] for k in read.symbol)
    assert mark + data + 8 * leader in told
    assert np.all(read.start_seconds[1:] >= read.end_seconds[:-1] - 1e-9)


def test_the_first_error_is_told_with_place_time_and_measurement():
    text = 20 * "1" + "01101001" + 20 * "1"
    # The fifth datum is a 1 and begins after 20 x 417 us of leader and 833 + 417 + 417 + 833 us. It is
    # stretched to 667 us by moving all later edges 250 us.
    begin = 20 / 2400 + 1 / 1200 + 2 / 2400 + 1 / 1200
    played = perfect("heron-cycle-1600", text)
    late = played.seconds + 250e-6 * (played.seconds > begin + 1e-6)
    reader = Reader.of(load_format("heron-cycle-1600"), HERON)
    wrong = reader.first_wrong(Edges(late, 0), numbers("heron-cycle-1600", text))
    assert wrong is not None
    assert wrong.index == 24
    assert wrong.read == 0
    assert wrong.seconds == pytest.approx(begin, abs=1.01 * TEN_US)
    assert wrong.measured == pytest.approx(1 / 2400 + 250e-6, abs=1.01 * TEN_US)
    assert (wrong.low, wrong.high) == pytest.approx((280e-6, 600e-6))
    # 667 us is 67 us beyond the limit, which is 183 us from 417
    assert wrong.margin == pytest.approx(-67 / 183, abs=0.06)
    # 4 of 7 data read; the last 1 is taken for the leader's, of which 8 are asked for
    assert reader.margin(Edges(late, 0), numbers("heron-cycle-1600", text)) == pytest.approx(-11 / 15)


def test_margin_is_the_share_of_the_way_to_the_limit_that_is_left():
    text = 20 * "1" + "00110" + 12 * "1"
    played = perfect("heron-cycle-1600", text).seconds
    fine = loop("cycle", 280, 600, 1200, poll_seconds=1e-7)
    reader = Reader.of(load_format("heron-cycle-1600"), fine)
    assert reader.margin(Edges(played, 0), numbers("heron-cycle-1600", text)) == pytest.approx(1, abs=0.01)
    # the second 1 among the data made longer by half of what separates 417 us from the limit of 600
    late = played + 0.5 * (600e-6 - 1 / 2400) * (played > 20 / 2400 + 2 / 1200 + 1 / 2400 + 1e-6)
    assert reader.margin(Edges(late, 0), numbers("heron-cycle-1600", text)) == pytest.approx(0.5, abs=0.01)
    # and made shorter by a quarter of what separates it from the limit of 280
    early = played - 0.25 * (1 / 2400 - 280e-6) * (played > 20 / 2400 + 2 / 1200 + 1 / 2400 + 1e-6)
    assert reader.margin(Edges(early, 0), numbers("heron-cycle-1600", text)) == pytest.approx(0.75, abs=0.01)


@pytest.mark.parametrize("left, loads", [(LEADER_SYMBOLS, True), (LEADER_SYMBOLS - 1, False)])
def test_so_much_of_the_leader_is_needed(left, loads):
    text = 32 * "1" + "0110" + 12 * "1"
    seconds = perfect("heron-cycle-1600", text).seconds[2 * (32 - left) :]
    wrong = Reader.of(load_format("heron-cycle-1600"), HERON).first_wrong(
        Edges(seconds, 0), numbers("heron-cycle-1600", text)
    )
    assert (wrong is None) == loads
    if wrong is not None:
        assert wrong.index == 32


def test_nothing_need_follow_the_last_datum():
    # no edge ends the last cycle, so it is not measured; the one before it is needed
    text = 32 * "1" + "0110"
    seconds = perfect("heron-cycle-1600", text).seconds
    reader = Reader.of(load_format("heron-cycle-1600"), HERON)
    assert reader.first_wrong(Edges(seconds, 0), numbers("heron-cycle-1600", text)) is None
    wrong = reader.first_wrong(Edges(seconds[:-2], 0), numbers("heron-cycle-1600", text))
    assert wrong is not None
    assert (wrong.index, wrong.read, wrong.measured) == (34, -1, None)


def test_of_rows_that_begin_alike_the_longest_counts():
    # a long half-wave is 0, and with a short one after it 1
    card = parse_card(CARD_OF_PREFIXES, FormatCard, "test")
    symbols = 16 * "0" + "1011000110" + 12 * "0"
    alphabet = Alphabet.of(card)
    played = Edges(*ideal_bit([TapePart("symbols", symbols=symbols)], alphabet))
    reader = Reader.of(card, SEDGE)
    assert reader.first_wrong(played, np.array(alphabet.indices(symbols))) is None
    read = "".join(alphabet.names[k] for k in reader.read(played).symbol)
    assert read == symbols[: len(read)]
    assert len(read) == len(symbols) - 1


def test_an_error_in_the_leader_is_forgiven_and_one_in_the_data_is_not():
    text = 64 * "1" + "01101001" + 12 * "1"
    seconds = perfect("heron-cycle-1600", text).seconds
    expected = numbers("heron-cycle-1600", text)
    reader = Reader.of(load_format("heron-cycle-1600"), HERON)
    for lost, loads in ((40, True), (2 * 66, False)):
        played = Edges(np.delete(seconds, [lost, lost + 1]), 0)
        assert (reader.first_wrong(played, expected) is None) == loads


def test_silence_and_nothing_expected():
    reader = Reader.of(load_format("heron-cycle-1600"), HERON)
    expected = numbers("heron-cycle-1600", 32 * "1" + "0110")
    wrong = reader.first_wrong(Edges(np.empty(0), 0), expected)
    assert wrong is not None
    assert (wrong.index, wrong.read) == (32, -1)
    assert reader.margin(Edges(np.empty(0), 0), expected) == -1
    assert reader.first_wrong(Edges(np.empty(0), 0), np.empty(0, np.int64)) is None
    assert len(reader.read(Edges(np.empty(0), 0)).symbol) == 0


def test_upside_down_only_matters_where_a_cycle_would_straddle_two_symbols():
    text = 32 * "1" + "0110100110" + 12 * "1"
    played = perfect("heron-cycle-1600", text)
    upside_down = Edges(played.seconds, 1)
    expected = numbers("heron-cycle-1600", text)
    reader = Reader.of(load_format("heron-cycle-1600"), HERON)
    assert reader.first_wrong(upside_down, expected) is not None
    halves = Reader.of(load_format("heron-cycle-1600"), SURE["heron, halves"][1])
    assert halves.first_wrong(upside_down, expected) is None
    # one half-wave a bit: signs alternate on, there is no right way up
    text = 32 * "0" + "1011010" + 12 * "0"
    sedge = Edges(perfect("sedge-half-2700", text).seconds, 1)
    assert Reader.of(load_format("sedge-half-2700"), SEDGE).first_wrong(
        sedge, numbers("sedge-half-2700", text)
    ) is None  # fmt: skip


def test_a_routine_is_written_for_the_stage_it_listens_through():
    text = 32 * "0" + "1001011010" + 12 * "0"
    # a pulse at every crossing: from one to the next is a half-wave, so whole cycles of the bit tell sedge's
    pulses = OneShotInput(kind="one-shot", bias_ohms=1e4, pulse_seconds=8e-5)
    how = loop("cycle", 125, 375, 700)
    with pytest.raises(CardError, match="measures 750 us in symbol '1', outside"):
        Reader.of(load_format("sedge-half-2700"), how)
    reader = Reader.of(load_format("sedge-half-2700"), how, pulses)
    played = perfect("sedge-half-2700", text, pulses)
    assert reader.first_wrong(played, numbers("sedge-half-2700", text)) is None
    # a tone decoder on plover's high tone: 3.33 ms of it is 0, 1.67 ms is 1
    tone = ToneDecoderInput(
        kind="tone-decoder", input_ohms=2e4, center_hz=3600, lock_hz=400, loop_seconds=2e-4, lock_seconds=3e-4
    )
    how = loop("high", 900, 2500, 4500)
    reader = Reader.of(load_format("plover-ratio-200"), how, tone)
    played = perfect("plover-ratio-200", text, tone)
    assert np.diff(played.seconds)[::2] == pytest.approx(
        [12 / 3600 if bit == "0" else 6 / 3600 for bit in text]
    )
    assert reader.first_wrong(played, numbers("plover-ratio-200", text)) is None
    # and a comparator with one more inverter turns everything over
    inverted = ComparatorInput(kind="comparator", bias_ohms=1e4, is_inverted=True)
    text = text.translate(str.maketrans("01", "10"))
    with pytest.raises(CardError, match=r"alike.*\(with the input bit turned over it could: is_inverted\)"):
        Reader.of(load_format("heron-cycle-1600"), HERON, inverted)
    reader = Reader.of(load_format("heron-cycle-1600"), loop("low", 90, 312, 550), inverted)
    played = perfect("heron-cycle-1600", text, inverted)
    assert reader.first_wrong(played, numbers("heron-cycle-1600", text)) is None


@pytest.mark.parametrize(
    "name, how, message",
    [
        ("reed-pwm-1500", loop("high", 100, 330, 530, 800), "measures symbols '0' and 'S' alike"),
        ("sedge-half-2700", loop("high", 125, 375, 700), "nothing of its own to measure in symbol '0'"),
        ("larch-biphase-l-2000", loop("halves", 125, 375, 700), "measures symbols '0' and '1' alike"),
        ("heron-cycle-1600", loop("cycle", 280, 600, 800), "measures 830 us in symbol '0', outside"),
        ("v21-300", loop("cycle", 600, 930, 1300), "loses its place at symbol"),
        ("kcs-300", loop("count", 5, 11.5, 14, window_seconds=3.2e-3), "measures 16 edges in symbol '1'"),
    ],
)
def test_a_loop_that_could_never_read_the_format_is_refused(name, how, message):
    with pytest.raises(CardError, match=message) as caught:
        Reader.of(load_format(name), how)
    assert caught.value.key == "loop.limits"
    assert name in str(caught.value)
    assert "\n" not in str(caught.value)
    assert "is_inverted" not in str(caught.value)  # that would not help
