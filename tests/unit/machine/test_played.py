"""What is played to the machine: a recording cut into stretches, its symbols in place."""

from __future__ import annotations

import numpy as np
import pytest

from small_machines import EDGE_SECONDS, TWO_TONES, card_of, sound_of, times, with_sound
from tapewright.line import decode
from tapewright.machine.played import Played, dulled, played
from tapewright.machine.simulate import RATE_HZ
from tapewright.model import Recording, SignalError, Symbols


def heard(sound: np.ndarray, rate_hz: float = RATE_HZ) -> list[Played]:
    recording = Recording(np.asarray(sound, np.float32), rate_hz)
    return played(recording.samples[:, 0], rate_hz, decode(recording, card_of(TWO_TONES)).symbols)


@pytest.fixture(scope="module")
def sent() -> Played:
    return sound_of(data_symbols=300)


@pytest.fixture(scope="module")
def two_stretches(sent: Played) -> np.ndarray:
    """Twice the same at a tenth of full scale, a second of silence between."""
    silence = np.zeros(round(RATE_HZ))
    return 0.1 * np.concatenate((sent.sound, silence, sent.sound))


def test_a_pause_ends_a_stretch(sent, two_stretches):
    first, second = heard(two_stretches)
    assert second.since_seconds - first.since_seconds == pytest.approx(sent.seconds + 1.0, abs=1e-3)
    for part in (first, second):
        # but for what is taken from the silence beside it, the symbols are those that were sent
        text, whole = part.symbol.tolist(), sent.symbol.tolist()
        assert any(text == whole[k : k + len(text)] for k in range(4))
        assert len(text) > len(whole) - 4


def test_the_tone_has_an_amplitude_of_one_whatever_the_recording_has(two_stretches):
    for level in (0.05, 1.0):
        for part in heard(level * two_stretches):
            assert np.percentile(np.abs(part.sound), 95) == pytest.approx(1.0, abs=0.2)


def test_symbols_stand_where_they_are_in_the_sound(sent, two_stretches):
    part = heard(two_stretches)[0]
    place = int(np.flatnonzero(sent.symbol != sent.symbol[0])[0])
    here = part.first_datum
    at = part.since_seconds + part.start_seconds[here]
    assert at == pytest.approx(sent.start_seconds[place], abs=30e-6)


def test_another_rate_is_brought_to_the_simulations(sent):
    every_second = 0.2 * sent.sound[::2]
    part = heard(every_second, RATE_HZ / 2)[0]
    assert part.seconds == pytest.approx(sent.seconds, abs=0.02)


def test_the_speed_of_the_tape_is_kept():
    part = heard(0.2 * sound_of(data_symbols=300, speed=1.04).sound)[0]
    assert np.median(part.speed) == pytest.approx(1.04, abs=0.003)
    assert len(part.speed) == len(part.symbol)


def test_noise_holds_no_program():
    noise = 0.1 * np.random.default_rng(3).standard_normal(round(2 * RATE_HZ))
    with pytest.raises(SignalError, match=r"^there is no signal|^no stretch"):
        heard(noise)


def test_a_few_symbols_are_no_program():
    names, count = "01", 20
    start = 0.5 + 1e-3 * np.arange(count)
    few = Symbols(
        names, np.ones(count, np.int16), start, start + 1e-3, np.zeros((count, 2), np.float32),
        *(np.ones(count, np.float32) for _ in range(3)),
    )  # fmt: skip
    with pytest.raises(SignalError, match="32 symbols of this format in a row"):
        played(np.zeros(round(RATE_HZ), np.float32), RATE_HZ, few)


def test_a_part_has_the_symbols_that_lie_wholly_in_it(sent):
    part = sent.part(0.2, 0.3)
    assert part.seconds == pytest.approx(0.1, abs=2 / RATE_HZ)
    assert part.since_seconds == pytest.approx(0.2, abs=1 / RATE_HZ)
    inside = (sent.start_seconds >= 0.2) & (sent.end_seconds <= 0.3)
    assert len(part.symbol) == pytest.approx(np.count_nonzero(inside), abs=1)
    assert part.start_seconds[0] >= 0
    assert part.end_seconds[-1] <= part.seconds
    first = round(0.2 * RATE_HZ)
    assert part.sound[:100].tolist() == sent.sound[first : first + 100].tolist()


def test_a_part_beyond_the_ends_is_all_of_it(sent):
    assert sent.part(-1.0, 1e3).symbol.tolist() == sent.symbol.tolist()


def test_the_first_datum_is_the_first_symbol_that_is_not_the_leaders(sent):
    assert sent.start_seconds[sent.first_datum] == pytest.approx(EDGE_SECONDS + 0.4, abs=1e-3)


# A first-order low-pass leaves 1 / sqrt(1 + (f / fc)^2) (textbook: RC corner).
@pytest.mark.parametrize("hertz, corner_hz", [(1000.0, 1000.0), (2000.0, 1000.0), (500.0, 4000.0)])
def test_the_tone_control_is_a_first_order_low_pass(sent, hertz, corner_hz):
    tone = with_sound(sent, np.sin(2 * np.pi * hertz * times(sent))).sound
    left = dulled(tone, corner_hz)[round(0.1 * RATE_HZ) :]
    assert np.max(np.abs(left)) == pytest.approx(1 / np.hypot(1, hertz / corner_hz), abs=0.01)


def test_no_tone_control_leaves_the_sound_alone(sent):
    assert dulled(sent.sound, np.inf) is sent.sound
