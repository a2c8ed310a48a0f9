"""The figures hold what was read, each value at its place, however long the recording."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import plotly.graph_objects as go
import pytest

from report_readings import (
    RATE_HZ,
    SYMBOL_SECONDS,
    damaged,
    good,
    make_block,
    make_reading,
    make_recording,
    make_symbols,
    nothing,
)
from tapewright.cards import load_format
from tapewright.model import GAP, Reading, Recording, Samples, Symbols
from tapewright.report import Picture, draw_pictures, survey_sound
from tapewright.report.closeup import choose_place, closeup_figure
from tapewright.report.lengths import half_wave_figure, nominal_half_waves_us, symbol_length_figure
from tapewright.report.sound import SoundSurvey, take_stretch
from tapewright.report.strip import strip_figure
from tapewright.report.tracks import confidence_figure, level_figure, make_track, speed_figure, typical_speed

CARD = load_format("kcs-300")


def survey(source: Recording, channel: int | str = 0, **more: float) -> SoundSurvey:
    return survey_sound(source, channel, **{"expected_seconds": source.seconds, **more})


def trace(figure: go.Figure, name: str) -> go.Scatter:
    return next(found for found in figure.data if found.name == name)


def names(figure: go.Figure) -> list[str]:
    return [found.name for found in figure.data]


def closeup_of(reading: Reading, source: Recording) -> go.Figure:
    place = choose_place(reading, survey(source))
    stretch = take_stretch(source, 0, place.span.start_seconds, place.span.end_seconds)
    return closeup_figure(reading, place, stretch)


def symbol_run(count: int, seconds: float = SYMBOL_SECONDS) -> Symbols:
    starts = seconds * np.arange(count)
    ones = np.ones(count, np.float32)
    log_p = np.zeros((count, 2), np.float32)
    return Symbols("01", np.zeros(count, np.int16), starts, starts + seconds, log_p, ones, ones, ones)


# The close-up.


def test_the_boundaries_up_close_are_the_symbols_times() -> None:
    reading, source = damaged()
    figure = closeup_of(reading, source)
    low, high = figure.layout.xaxis.range
    times = np.unique(np.asarray(trace(figure, "boundaries").x))
    symbols = reading.symbols
    expected = symbols.start_seconds[(symbols.start_seconds > low) & (symbols.start_seconds < high)]
    assert len(expected) > 20
    inside = times[(times > low) & (times < high)]
    np.testing.assert_array_equal(inside, expected)


def test_the_symbols_up_close_have_their_values_between_their_boundaries() -> None:
    reading, source = damaged()
    figure = closeup_of(reading, source)
    low, high = figure.layout.xaxis.range
    marks = trace(figure, "symbols")
    symbols = reading.symbols
    shown = [
        k for k in range(len(symbols)) if symbols.end_seconds[k] > low and symbols.start_seconds[k] < high
    ]
    assert list(marks.text) == [symbols.names[symbols.index[k]] for k in shown]
    for x, k in zip(marks.x, shown, strict=True):
        assert symbols.start_seconds[k] < x < symbols.end_seconds[k]


def test_the_samples_up_close_are_the_recordings_own() -> None:
    reading, source = damaged()
    drawn = trace(closeup_of(reading, source), "samples")
    first = round(drawn.x[0] * RATE_HZ)
    np.testing.assert_allclose(drawn.x * RATE_HZ, first + np.arange(len(drawn.x)), atol=1e-6)
    np.testing.assert_array_equal(drawn.y, source.samples[first : first + len(drawn.x), 0])


def test_up_close_is_the_least_sure_byte() -> None:
    reading, source = damaged()  # byte 4 could not be read
    place = choose_place(reading, survey(source))
    seconds = reading.blocks[0].byte_seconds
    assert place.byte is not None
    assert (place.byte.start_seconds, place.byte.end_seconds) == (seconds[4], seconds[5])
    assert place.span.start_seconds < seconds[4]
    assert place.span.end_seconds > seconds[5]
    assert place.value == "unreadable"
    readable = replace(reading.blocks[0], byte_confidence=np.array([1, 0.9, 0.8, 0.7, 1, 1, 0.69]))
    place = choose_place(replace(reading, blocks=(readable,)), survey(source))
    assert place.byte is not None
    assert place.byte.start_seconds == seconds[6]  # the last byte has no next one to end at
    assert place.byte.end_seconds == pytest.approx(seconds[6] + 11 * SYMBOL_SECONDS)
    assert place.value == "44"
    assert "0206" in place.label


def test_up_close_without_bytes_are_the_first_symbols_and_without_symbols_the_loudest_place() -> None:
    symbols = make_symbols(b"A")
    reading = make_reading(symbols=symbols)
    place = choose_place(reading, survey(make_recording(symbols)))
    assert place.span.start_seconds == symbols.start_seconds[1]
    samples = np.zeros(8000, np.float32)
    samples[6000] = 0.9
    source = Recording(samples, RATE_HZ)
    place = choose_place(nothing()[0], survey(source))
    assert place.span.start_seconds < 0.75 < place.span.end_seconds


def test_many_samples_up_close_are_thinned_without_losing_a_peak() -> None:
    reading, source = good()
    n = 200_000
    samples = 0.01 * np.sin(np.arange(n)).astype(np.float32)
    samples[123_456] = 0.77
    stretch = replace(take_stretch(source, 0, 0, 0), seconds=np.arange(n) / 1e6, samples=samples)
    drawn = trace(closeup_figure(reading, choose_place(reading, survey(source)), stretch), "samples")
    assert len(drawn.x) <= 4000
    assert drawn.x[np.argmax(drawn.y)] == pytest.approx(0.123456)
    assert np.all(np.diff(drawn.x) > 0)


# The tape strip and the survey behind it.


def test_the_strip_shows_a_click_where_it_is() -> None:
    samples = np.zeros(80_000, np.float32)
    samples[20_000], samples[60_000] = 0.5, -0.25
    figure = strip_figure(nothing()[0], survey(Recording(samples, RATE_HZ)))
    high, low = trace(figure, "sound"), trace(figure, "sound, low")
    assert high.x[np.argmax(high.y)] == pytest.approx(20_000 / RATE_HZ, abs=0.003)
    assert low.x[np.argmin(low.y)] == pytest.approx(60_000 / RATE_HZ, abs=0.003)
    assert max(high.y) == pytest.approx(1.0)  # scaled to the peak
    assert min(low.y) == pytest.approx(-0.5)
    assert max(high.customdata) == pytest.approx(-6.02, abs=0.01)  # 20 log10 0.5


def test_the_strip_has_blocks_gaps_and_faults_at_their_times() -> None:
    reading, source = damaged()
    figure = strip_figure(reading, survey(source))
    block, fault = reading.blocks[0], reading.blocks[0].faults[0]
    bar = trace(figure, "damaged blocks")
    assert bar.base[0] == block.span.start_seconds
    assert bar.x[0] == pytest.approx(block.span.seconds)
    assert "blocks" not in names(figure)
    gap = trace(figure, "gaps")
    assert (gap.base[0], gap.x[0]) == (0.0, 0.5)
    assert fault.span is not None
    marks = trace(figure, "faults")
    assert len(marks.x) == 1  # the other fault has no place
    assert fault.span.start_seconds < marks.x[0] < fault.span.end_seconds
    assert "no signal, where 1 byte stood" in marks.hovertext[0]


class Streamed:
    """A long recording that is made as it is asked for, and counts what was taken."""

    channels, path, sha256 = 2, None, None

    def __init__(self, seconds: int) -> None:
        self.rate_hz = RATE_HZ
        self.seconds = seconds
        self.taken = 0

    def chunks(self, seconds: float = 1.0) -> Iterator[Samples]:
        step = round(seconds * self.rate_hz)
        for first in range(0, round(self.seconds * self.rate_hz), step):
            self.taken += step
            time = (first + np.arange(step)) / self.rate_hz
            tone = np.sin(2 * np.pi * 1000 * (time + 0.25 / 8000))
            yield np.stack((0.1 * tone, 0.3 * tone), 1).astype(np.float32)


def test_an_hour_is_drawn_with_a_few_thousand_columns() -> None:
    found = survey_sound(Streamed(3600), 1, expected_seconds=3600)
    assert found.seconds == 3600
    assert len(found.low) <= 4000
    assert len(found.low) * found.column_seconds == pytest.approx(3600, abs=found.column_seconds)
    assert found.peak == pytest.approx(0.3, rel=0.02)


def test_a_wrong_expectation_of_the_length_costs_nothing_but_detail() -> None:
    found = survey_sound(Streamed(100), 1, expected_seconds=0.0)
    assert len(found.low) <= 4000
    assert found.seconds == 100


def test_columns_are_the_least_and_greatest_samples_however_the_recording_is_cut() -> None:
    samples = np.random.default_rng(5).normal(0, 0.1, 123_457).astype(np.float32)
    found = survey(Recording(samples, RATE_HZ))
    width = round(found.column_seconds * RATE_HZ)
    for column in (0, 1, 1000, len(found.low) - 1):
        piece = samples[column * width : (column + 1) * width]
        assert found.low[column] == piece.min()
        assert found.high[column] == piece.max()
    assert (len(found.low) - 1) * width < len(samples) <= len(found.low) * width


@pytest.mark.parametrize("channel, peak", [(0, 0.1), (1, 0.3), ("average", 0.2)])
def test_the_channel_that_was_listened_to_is_drawn(channel: int | str, peak: float) -> None:
    assert survey_sound(Streamed(5), channel, expected_seconds=5).peak == pytest.approx(peak, rel=0.02)


def test_a_stretch_is_taken_without_reading_on_to_the_end() -> None:
    source = Streamed(1000)
    stretch = take_stretch(source, 1, 2.5, 3.25)
    assert source.taken <= 4 * RATE_HZ
    assert stretch.seconds[0] == 2.5
    assert stretch.seconds[-1] == pytest.approx(3.25)
    np.testing.assert_allclose(
        stretch.samples, 0.3 * np.sin(2 * np.pi * 1000 * (stretch.seconds + 0.25 / 8000)), atol=1e-5
    )


def test_a_stretch_beyond_the_end_is_short() -> None:
    source = Recording(np.ones(800, np.float32), RATE_HZ)
    assert len(take_stretch(source, 0, 0.05, 0.2).samples) == 400
    assert len(take_stretch(source, 0, 0.2, 0.3).samples) == 0


# Lengths.


def test_half_waves_of_a_tone_are_half_its_period() -> None:
    rate_hz, hertz = 44_100.0, 1234.5
    tone = 0.5 * np.sin(2 * np.pi * hertz * np.arange(44_100) / rate_hz).astype(np.float32)
    found = survey(Recording(tone, rate_hz))
    drawn = trace(half_wave_figure(found, CARD), "half-waves")
    top = int(np.argmax(found.half_wave_counts))
    assert found.half_wave_edges[top] <= 0.5 / hertz <= found.half_wave_edges[top + 1]
    assert found.half_wave_counts[top - 1 : top + 2].sum() == found.half_wave_counts.sum()
    assert found.half_wave_counts.sum() == pytest.approx(2 * hertz, abs=2)
    assert drawn.x[np.argmax(drawn.y)] == pytest.approx(0.5e6 / hertz, rel=0.01)


def test_quiet_half_waves_are_left_out() -> None:
    time = np.arange(16_000) / RATE_HZ
    sound = np.where(time < 1, 0.5, 0.02) * np.sin(2 * np.pi * 500 * time)
    source = Recording(sound.astype(np.float32), RATE_HZ)
    assert survey(source, quiet_below=0.1).half_wave_counts.sum() == pytest.approx(1000, abs=2)
    assert survey(source, quiet_below=0.0).half_wave_counts.sum() == pytest.approx(2000, abs=2)


def test_the_half_waves_of_the_kansas_city_standard() -> None:
    # 2400 Hz for a mark, 1200 Hz for a space (Kansas City standard, see the card's source).
    assert nominal_half_waves_us(CARD) == [208.3, 416.7]
    lines = half_wave_figure(survey(good()[1]), CARD).layout.shapes
    assert sorted(line.x0 for line in lines) == [208.3, 416.7]


def test_every_symbol_is_counted_with_its_length() -> None:
    symbols = symbol_run(1000)
    index = np.array([0, 1] * 500, np.int16)
    ends = symbols.start_seconds + np.where(index == 0, 0.002, 0.003)
    index[0] = GAP
    reading = replace(good()[0], symbols=replace(symbols, index=index, end_seconds=ends))
    figure = symbol_length_figure(reading, CARD)
    zero, one = trace(figure, "symbol 0"), trace(figure, "symbol 1")
    assert (sum(zero.y), sum(one.y)) == (499, 500)
    assert zero.x[np.argmax(zero.y)] == pytest.approx(2000, rel=0.01)
    assert one.x[np.argmax(one.y)] == pytest.approx(3000, rel=0.01)


# Along time.


def test_each_byte_stands_at_its_time_with_its_chance_of_being_wrong() -> None:
    reading, _ = damaged()
    figure = confidence_figure(reading)
    block = reading.blocks[0]
    readable = block.byte_confidence > 0
    drawn, lost = trace(figure, "bytes"), trace(figure, "unreadable")
    np.testing.assert_array_equal(drawn.x, block.byte_seconds[readable])
    np.testing.assert_allclose(drawn.y, 1 - block.byte_confidence[readable])
    assert list(lost.x) == [block.byte_seconds[4]]
    assert drawn.hovertext[2].startswith("0202: 4D, confidence 0.42")


def test_of_many_bytes_the_least_sure_are_drawn() -> None:
    rng = np.random.default_rng(6)
    confidence = 1 - 1e-5 * rng.uniform(1, 2, 40_000)
    worst = [17, 20_000, 39_999]
    confidence[worst] = 0.5
    symbols = make_symbols(b"A")
    block = make_block(
        bytes(len(confidence)),
        symbols,
        byte_confidence=confidence,
        byte_seconds=np.arange(len(confidence)) / 30,
    )
    drawn = trace(confidence_figure(make_reading(block, symbols=symbols)), "bytes")
    assert len(drawn.x) <= 2000
    assert sorted(drawn.x[np.asarray(drawn.y) > 0.4]) == pytest.approx(np.array(worst) / 30)


def test_wow_is_seen_in_the_speed() -> None:
    symbols = symbol_run(6000)  # 20 s
    wow = 0.01 * np.sin(2 * np.pi * 1.0 * symbols.start_seconds)
    jitter = np.random.default_rng(7).normal(0, 0.02, 6000)
    symbols = replace(symbols, speed=(1.03 + wow + jitter).astype(np.float32))
    reading = replace(good()[0], symbols=symbols)
    drawn = trace(speed_figure(reading), "speed")
    expected = 3.0 + np.sin(2 * np.pi * drawn.x)
    # Fifteen symbols to a step bring 2 % of jitter down to half a percent.
    assert np.sqrt(np.mean((drawn.y - expected) ** 2)) < 0.6
    assert np.corrcoef(drawn.y, expected)[0, 1] > 0.75
    found = typical_speed(reading)
    assert found is not None
    assert found[0] == pytest.approx(3.0, abs=0.1)


def test_level_and_noise_are_in_decibels_of_full_scale() -> None:
    figure = level_figure(good()[0])
    np.testing.assert_allclose(trace(figure, "signal").y, -12.04, atol=0.01)  # 20 log10 0.25
    np.testing.assert_allclose(trace(figure, "noise").y, -52.04, atol=0.01)  # 20 log10 0.0025


def test_a_track_breaks_where_there_was_nothing() -> None:
    symbols = symbol_run(600)
    late = np.where(np.arange(600) < 300, 0.0, 10.0)
    symbols = replace(
        symbols, start_seconds=symbols.start_seconds + late, end_seconds=symbols.end_seconds + late
    )
    track = make_track(symbols, np.ones(600), np.asarray)
    assert np.count_nonzero(np.isnan(track.mean)) == 1
    assert np.all(track.mean[~np.isnan(track.mean)] == 1)
    assert not np.any((track.seconds > 1.1) & (track.seconds < 10.9))


def test_a_track_of_an_hour_is_short_and_keeps_its_extremes() -> None:
    symbols = symbol_run(1_080_000)
    values = np.zeros(len(symbols))
    values[500_010:500_040] = 1.0  # a tenth of a second
    track = make_track(symbols, values, np.asarray)
    assert len(track.mean) <= 2000
    assert np.nanmax(track.high) == 1.0
    assert np.nanmin(track.low) == 0.0
    assert track.seconds[np.nanargmax(track.high)] == pytest.approx(500_025 * SYMBOL_SECONDS, abs=2)


# Where there is nothing.


def empty_recording() -> tuple[Reading, Recording]:
    return nothing()[0], Recording(np.zeros(0, np.float32), RATE_HZ)


def only_gap() -> tuple[Reading, Recording]:
    symbols = replace(symbol_run(1), index=np.array([GAP], np.int16))
    return make_reading(symbols=symbols), make_recording(symbols)


def block_without_data() -> tuple[Reading, Recording]:
    symbols = make_symbols(b"A")
    block = make_block(b"", symbols, byte_confidence=np.zeros(0), byte_seconds=np.zeros(0))
    return make_reading(block, symbols=symbols), make_recording(symbols)


def times_unknown() -> tuple[Reading, Recording]:
    reading, source = good()
    block = replace(reading.blocks[0], byte_seconds=np.full(11, np.nan))
    return replace(reading, blocks=(block,)), source


def silence() -> tuple[Reading, Recording]:
    return nothing()[0], Recording(np.zeros(8000, np.float32), RATE_HZ)


@pytest.mark.parametrize(
    "found",
    [nothing(), empty_recording(), only_gap(), block_without_data(), times_unknown(), silence()],
    ids=["nothing", "no samples", "only a gap", "no data", "times unknown", "silence"],
)
def test_every_figure_can_be_drawn_of_very_little(found: tuple[Reading, Recording]) -> None:
    reading, source = found
    pictures = draw_pictures(reading, CARD, source, survey(source))
    assert [picture.name for picture in pictures] == [
        "strip", "confidence", "speed", "level", "half-waves", "symbols", "closeup",
    ]  # fmt: skip
    for picture in pictures:
        assert_is_drawn_or_says_why_not(picture)


def assert_is_drawn_or_says_why_not(picture: Picture) -> None:
    assert picture.figure.to_json()
    if picture.is_empty:
        assert len(picture.figure.layout.annotations) == 1
        assert picture.figure.layout.annotations[0].text
