"""What stands on tape, measured from outside: zero crossings, spectra and fits, against published figures.

The Kansas City standard: BYTE, February 1976, pp. 72-73 (standards.md section 1.1, read). Its worked example:
section 1.3, computed there from the rules. Modem tones: section 2, second-hand.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy import signal

import tapewright as tw

LONG_US, SHORT_US, BIT_US = 416.667, 208.333, 3333.333
#: Geometric mean of the two half-waves (section 1.3): decides which of them one is.
WIDTH_LIMIT_US = 294.628
RATES_HZ = [48_000, 44_100]
#: Where one tone gives way to the other the slope has a corner, and no sampled signal can hold a corner. It
#: is rounded off, which moves that one crossing by less than a tenth of a sample: 2.3 us at 44.1 kHz.
CORNER_US = 2.3


def tape_of(data: bytes, card: str, rate_hz: float = 48_000) -> np.ndarray:
    return tw.synthesize(data, format=card, rate_hz=rate_hz).samples[:, 0].astype(np.float64)


def zero_crossings_us(sound: np.ndarray, rate_hz: float) -> np.ndarray:
    """Places where the sign changes, of the sound interpolated sixteen times finer."""
    fine = signal.resample_poly(sound, 16, 1, window=("kaiser", 9.0))
    loud = np.flatnonzero(np.abs(fine) > 0.1 * np.abs(fine).max())
    fine[: loud[0]], fine[loud[-1] + 1 :] = 0.0, 0.0
    at = np.flatnonzero((fine[:-1] != 0) & (fine[1:] != 0) & ((fine[:-1] > 0) != (fine[1:] > 0)))
    return (at + fine[at] / (fine[at] - fine[at + 1])) * 1e6 / (16 * rate_hz)


def runs_of(widths_us: np.ndarray) -> list[tuple[str, int]]:
    """Run-length form: how many long or short half-waves in a row."""
    names = np.where(widths_us > WIDTH_LIMIT_US, "long", "short")
    return [(str(name), len(list(group))) for name, group in itertools.groupby(names)]


def tone_hz(sound: np.ndarray, rate_hz: float) -> float:
    """Frequency of the strongest line in a spectrum of bins far finer than its width."""
    size = 1 << 20
    spectrum = np.abs(np.fft.rfft(sound * np.hanning(len(sound)), size))
    return float(np.argmax(spectrum)) * rate_hz / size


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_mark_is_2400_hz_and_space_1200_hz(rate_hz):
    # A page of zeros: each byte is nine spaces (30 ms) and two marks, after the leader.
    sound = tape_of(bytes(4), "kcs-300", rate_hz)
    leader = sound[int(1.0 * rate_hz) : int(4.0 * rate_hz)]
    assert tone_hz(leader, rate_hz) == pytest.approx(2400, rel=1e-3)
    crossings = zero_crossings_us(sound, rate_hz)
    first_long = int(np.argmax(np.diff(crossings) > WIDTH_LIMIT_US))
    start = int(crossings[first_long] * 1e-6 * rate_hz)
    spaces = sound[start + 5 : start + int(9 / 300 * rate_hz) - 5]
    assert tone_hz(spaces, rate_hz) == pytest.approx(1200, rel=1e-3)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_worked_example_of_41h(rate_hz):
    crossings = zero_crossings_us(tape_of(b"\x41\x41", "kcs-300", rate_hz), rate_hz)
    widths = np.diff(crossings)
    runs = runs_of(widths)
    example = [("long", 8), ("short", 16), ("long", 40), ("short", 16), ("long", 8), ("short", 32)]
    assert runs[1:7] == example
    assert runs[7:12] == example[:5]  # of the second byte; its stop bits run on into the trailer

    # The leader: marks without a break, at least five seconds of them, and nothing but silence before.
    assert runs[0][0] == "short"
    assert crossings[runs[0][1]] - crossings[0] >= 5e6 - 2 * SHORT_US

    begin = runs[0][1]
    byte = widths[begin : begin + 120]
    assert len(byte) == 56 + 64
    assert np.count_nonzero(byte > WIDTH_LIMIT_US) == 56
    is_long = byte > WIDTH_LIMIT_US
    assert byte[is_long] == pytest.approx(LONG_US, abs=CORNER_US)
    assert byte[~is_long] == pytest.approx(SHORT_US, abs=CORNER_US)
    beside_a_corner = np.zeros(120, bool)
    beside_a_corner[:2] = beside_a_corner[-2:] = True
    for corner in np.flatnonzero(np.diff(is_long)):
        beside_a_corner[max(corner - 1, 0) : corner + 3] = True
    away = ~beside_a_corner
    assert byte[is_long & away] == pytest.approx(LONG_US, abs=0.05)
    assert byte[~is_long & away] == pytest.approx(SHORT_US, abs=0.05)

    # Where each bit of the table starts, from the first edge of the start bit.
    at = crossings[begin : begin + 121] - crossings[begin]
    table = {8: 3333.333, 24: 6666.667, 64: 23333.333, 80: 26666.667, 88: 30000.0, 120: 36666.667}
    for number, starts_at_us in table.items():
        assert at[number] == pytest.approx(starts_at_us, abs=2 * CORNER_US)
    # From one corner to another of the same kind, the rounding is the same and cancels.
    assert at[120] == pytest.approx(11 * BIT_US, abs=0.05)
    assert at[88] - at[8] == pytest.approx(8 * BIT_US, abs=0.05)


def test_bit_time_holds_over_a_program():
    # From start bit to start bit, eleven bits each: 3333.333 us a bit, and nothing lost between.
    rate_hz = 44_100
    count = 256
    crossings = zero_crossings_us(tape_of(b"\xff" * count, "kcs-300", rate_hz), rate_hz)
    widths = np.diff(crossings)
    starts = crossings[:-1][(widths > WIDTH_LIMIT_US) & (np.append(0, widths[:-1]) < WIDTH_LIMIT_US)]
    assert len(starts) == count
    assert np.diff(starts) == pytest.approx(11 * BIT_US, abs=0.05)
    assert (starts[-1] - starts[0]) / (11 * (count - 1)) == pytest.approx(1e6 / 300, rel=1e-8)


def bytes_from_widths(widths_us: np.ndarray, zero: int, one: int, stop_bits: int) -> bytes:
    """A receiver of a few lines: so many long half-waves are a 0, so many short ones a 1."""
    _, *between, _ = runs_of(widths_us)  # leader and trailer may lack a half-wave at the silence
    bits = ""
    for name, count in between:
        whole, rest = divmod(count, zero if name == "long" else one)
        assert rest == 0, "a bit of a fraction of its half-waves"
        bits += ("0" if name == "long" else "1") * whole
    bits += "1" * (8 + stop_bits)  # the trailer
    found = bytearray()
    at = 0
    while "0" in bits[at:]:
        start, character, stop = bits[at], bits[at + 1 : at + 9], bits[at + 9 : at + 9 + stop_bits]
        assert (start, stop) == ("0", "1" * stop_bits)
        found.append(sum(1 << place for place, bit in enumerate(character) if bit == "1"))
        at += 9 + stop_bits
    return bytes(found)


@pytest.mark.parametrize("card, zero, one, stop_bits", [("kcs-300", 8, 16, 2), ("kcs-1200", 2, 4, 1)])
def test_a_receiver_made_of_zero_crossings_alone_reads_it(card, zero, one, stop_bits):
    # Start bit, least significant bit first, stop bits: section 1.1; the derivative: section 1.2.
    data = bytes(range(0, 256, 7)) + b"\x00\xff\x41\x82"
    widths = np.diff(zero_crossings_us(tape_of(data, card), 48_000))
    assert bytes_from_widths(widths, zero, one, stop_bits) == data


def test_worked_example_of_41h_in_the_1200_baud_derivative():
    # Section 1.3, last row but three: with one stop bit 26 half-waves and 8333.333 us.
    crossings = zero_crossings_us(tape_of(b"\x41\x41", "kcs-1200"), 48_000)
    runs = runs_of(np.diff(crossings))
    example = [("long", 2), ("short", 4), ("long", 10), ("short", 4), ("long", 2), ("short", 4)]
    assert runs[1:7] == example
    assert runs[7:12] == example[:5]
    begin = runs[0][1]
    assert sum(count for _, count in runs[1:7]) == 26
    assert crossings[begin + 26] - crossings[begin] == pytest.approx(8333.333, abs=0.05)
    assert begin * SHORT_US >= 5e6 - 2 * SHORT_US


# Name, mark (1) and space (0) in Hz, bit/s: ITU-T V.21 channel 1, V.23 forward mode 2, Bell 103 originating
# side, Bell 202 forward channel (section 2: second-hand, modem tables and an encyclopedia).
MODEMS = [
    ("v21-300", 980, 1180, 300),
    ("v23-1200", 1300, 2100, 1200),
    ("bell-103-300", 1270, 1070, 300),
    ("bell-202-1200", 1200, 2200, 1200),
]
MODEM_RATE_HZ = 48_000


def fitted_tones(sound: np.ndarray, hertz: float, rate_hz: float, starts: np.ndarray, seconds: float):
    """Fit a sine of known frequency to each bit; returns phases in turns at its start, and what is left."""
    phases, left = np.empty(len(starts)), np.empty(len(starts))
    for k, start in enumerate(starts):
        # the corners between bits are rounded off over a few samples: leave those out
        n = np.arange(int(np.ceil(start * rate_hz)) + 4, int((start + seconds) * rate_hz) - 3)
        turns = hertz * (n / rate_hz - start)
        basis = np.stack((np.cos(2 * np.pi * turns), np.sin(2 * np.pi * turns)), 1)
        (c, s), *_ = np.linalg.lstsq(basis, sound[n], rcond=None)
        phases[k] = np.arctan2(c, s) / (2 * np.pi)
        left[k] = np.sqrt(np.mean((sound[n] - basis @ (c, s)) ** 2))
    return phases, left


@pytest.mark.parametrize("card, mark_hz, space_hz, bit_rate", MODEMS)
def test_modem_tones_by_spectrum(card, mark_hz, space_hz, bit_rate):
    sound = tape_of(bytes(1), card, MODEM_RATE_HZ)
    begin = int(np.argmax(np.abs(sound) > 0.05))
    leader = sound[begin : begin + int(4.9 * MODEM_RATE_HZ)]
    assert tone_hz(leader, MODEM_RATE_HZ) == pytest.approx(mark_hz, rel=1e-3)
    first, last = (begin + int((5.0 + bits / bit_rate) * MODEM_RATE_HZ) for bits in (0.1, 8.9))
    assert tone_hz(sound[first:last], MODEM_RATE_HZ) == pytest.approx(space_hz, rel=1e-3)


@pytest.mark.parametrize("card, mark_hz, space_hz, bit_rate", MODEMS)
def test_modem_bits_are_pure_tones_whose_phase_goes_on(card, mark_hz, space_hz, bit_rate):
    data = b"\x41\x00\xa7\xff\x5e"
    sound = tape_of(data, card, MODEM_RATE_HZ)
    begin = 0.5  # seconds of silence that every written tape begins with
    assert np.argmax(np.abs(sound) > 0.01) == pytest.approx(begin * MODEM_RATE_HZ, abs=2)
    leader = 60  # bits: the end of the leader, whose whole the spectrum above covers
    starts = begin + 5.0 + np.arange(-leader, 10 * len(data) + 60) / bit_rate
    tones = {
        "1": fitted_tones(sound, mark_hz, MODEM_RATE_HZ, starts, 1 / bit_rate),
        "0": fitted_tones(sound, space_hz, MODEM_RATE_HZ, starts, 1 / bit_rate),
    }
    heard = "".join(
        "1" if one < zero else "0" for one, zero in zip(tones["1"][1], tones["0"][1], strict=True)
    )
    # Five seconds of marks, then start bit, least significant bit first, one stop bit.
    assert heard[:leader] == "1" * leader
    assert heard[leader:-60] == "".join("0" + f"{value:08b}"[::-1] + "1" for value in data)

    phases, left = (np.array([tones[bit][which][k] for k, bit in enumerate(heard)]) for which in (0, 1))
    assert left.max() < 0.002  # of an amplitude of 0.6: each bit is that tone and nothing else
    turns = np.where(np.array(list(heard)) == "1", mark_hz, space_hz) / bit_rate
    jump = np.diff(phases) - turns[:-1]
    assert np.abs(jump - np.round(jump)).max() < 0.003  # of a turn, at any bit boundary
