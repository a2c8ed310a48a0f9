"""The receiver against the bound, in short; and the measuring tools themselves, against closed formulas."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

import tapewright as tw
from benchmarks.accuracy.bars import bar_db
from benchmarks.accuracy.bounds import CURVE_DB, bound_rate, bounds
from benchmarks.accuracy.dropouts import count_wrong, count_wrong_read
from benchmarks.accuracy.families import FAMILIES, byte_error_rate, symbol_error_rate
from benchmarks.accuracy.fit import needed_db
from benchmarks.accuracy.measure import run_point
from benchmarks.accuracy.peer import PEER_RATE_HZ, peer_for, peer_name
from benchmarks.accuracy.signals import IMPAIRMENTS, noisy, send
from tapewright.cards import Alphabet, load_format

#: Below the Eb/N0 at which the bound has one byte in a hundred wrong, so that enough are wrong to be counted.
BELOW_DB = 1.0
#: Standard errors that chance is given on either side.
CHANCE = 2.5
SECONDS = 18.0

families = pytest.mark.parametrize("card_name", ["heron-cycle-1600", "larch-biphase-l-2000"])


@families
def test_byte_errors_are_as_many_as_the_bound_and_its_bar_allow_and_no_fewer(card_name):
    """Fewer than the best possible receiver makes would mean too little noise, or a bound that is none."""
    family = next(family for family in FAMILIES if family.card == card_name)
    bound = bounds()[card_name]
    eb_n0_db = bound["ideal_db"] - BELOW_DB
    count = run_point(load_format(card_name), IMPAIRMENTS["clean"], eb_n0_db, SECONDS, [0])
    fewest = count.bytes_ * float(bound_rate(bound, eb_n0_db))
    most = count.bytes_ * float(bound_rate(bound, eb_n0_db - bar_db(family, "clean")))
    assert count.bytes_ > 2000
    assert fewest - CHANCE * math.sqrt(fewest) <= count.wrong <= most + CHANCE * math.sqrt(most)


@pytest.mark.parametrize(
    "card_name, factor",
    [
        ("kcs-1200", 1.0),  # orthogonal, coherent: Q(sqrt(Eb/N0)) (Proakis and Salehi, ch. 4)
        ("larch-biphase-l-2000", 2.0),  # antipodal: Q(sqrt(2 Eb/N0)) (the same)
    ],
)
def test_simulated_bound_is_the_closed_formula_where_there_is_one(card_name, factor):
    bound = bounds()[card_name]
    eb_n0_db = bound["ideal_db"] + np.array([*CURVE_DB, 0.0, 1.0])
    exact = 1 - (1 - symbol_error_rate(factor, eb_n0_db)) ** 8
    assert bound_rate(bound, eb_n0_db) == pytest.approx(exact, rel=0.1)


def test_needed_eb_n0_is_read_off_the_counts():
    """Counts as theory's curve has them where one byte in a hundred is wrong at 9.3 dB."""
    eb_n0_db = [6.0, 7.5, 9.0, 10.0]
    wrong = [round(10_000 * rate) for rate in byte_error_rate(9.3, eb_n0_db)]
    found = needed_db(eb_n0_db, wrong, [10_000] * 4)
    assert found.how == "fit"
    assert found.db == pytest.approx(9.3, abs=0.01)


def test_needed_eb_n0_lies_between_too_many_errors_and_none_at_all():
    found = needed_db([10.0, 11.5, 13.0], [1500, 1500, 0], [5000] * 3)
    assert found.how == "lines"
    assert 11.5 < found.db < 13.0
    assert found.sigma_db > 0.3


@pytest.mark.parametrize("wrong", [[0, 0], [900, 800]])
def test_needed_eb_n0_is_unknown_where_the_target_is_not_crossed(wrong):
    assert math.isnan(needed_db([9.0, 10.0], wrong, [1000, 1000]).db)


def test_q_is_the_published_one():
    """Orthogonal, coherent, at 6, 8 and 10 dB: the dossier of standards, section 3.1."""
    assert symbol_error_rate(1.0, [6.0, 8.0, 10.0]) == pytest.approx([2.301e-2, 6.004e-3, 7.827e-4], rel=1e-3)


@families
def test_noise_has_the_density_that_the_energy_of_a_bit_asks_for(card_name):
    """N0/2 a sample is the variance; the energy is worked out from the length and power of symbols alone."""
    card = load_format(card_name)
    sent = send(card, IMPAIRMENTS["clean"], 5.0, 3)
    hiss = noisy(sent, 7.0, 3).samples[:, 0].astype(float) - sent.samples
    bits = sent.payload
    long = (sent.end[bits] - sent.start[bits]) * 44_100
    by_kind = [long[sent.symbol[bits] == kind].mean() for kind in np.unique(sent.symbol[bits])]
    inside = slice(int(sent.start[bits[0]] * 44_100), int(sent.end[bits[-1]] * 44_100))
    energy = np.mean(by_kind) * np.mean(sent.samples[inside].astype(float) ** 2)
    assert energy / (2 * np.var(hiss)) == pytest.approx(10**0.7, rel=0.02)


def test_all_at_once_is_faster_quieter_in_turn_and_hums_beside_the_signal():
    card = load_format("kcs-1200")
    sent = send(card, IMPAIRMENTS["together"], 21.0, 0)
    bits = sent.payload
    length = np.mean(sent.end[bits] - sent.start[bits])
    assert length == pytest.approx(1 / 1200 / 1.03, rel=1e-3)
    # 10 dB up and down, symbols of 0 and 1 alike
    assert 10 * np.log10(sent.level[bits].max() / sent.level[bits].min()) == pytest.approx(20, abs=1.5)
    spectrum = np.abs(np.fft.rfft(sent.samples * np.hanning(len(sent.samples))))
    hertz = np.fft.rfftfreq(len(sent.samples), 1 / 44_100)
    assert 49.9 < hertz[:4000][np.argmax(spectrum[:4000])] < 50.1
    # what carries bits is the energy of the signal, and the hum is none of it
    hum = 2 * spectrum[:4000].max() / np.hanning(len(sent.samples)).sum()
    clean = send(card, IMPAIRMENTS["clean"], 5.0, 0)
    assert hum == pytest.approx(0.25 * np.sqrt(2 * np.mean(clean.samples.astype(float) ** 2)), rel=0.1)
    quiet = bits[np.argsort(sent.level[bits])[: len(bits) // 10]]
    total = np.concatenate(([0.0], np.cumsum(sent.samples.astype(float) ** 2)))
    both = total[(sent.end[quiet] * 44_100).astype(int)] - total[(sent.start[quiet] * 44_100).astype(int)]
    assert sent.energy[quiet].sum() < 0.8 * both.sum()


def test_wrong_bytes_are_those_in_the_dropouts():
    """One of 50 ms a second, and bytes of 9.2 ms: some 6 of 100, but chance decides how many dropouts."""
    faded = count_wrong("kcs-1200", 25.0, 7.0)
    assert 0.02 < faded.wrong / faded.bytes_ < 0.15
    assert count_wrong("kcs-1200", 0.0, 3.0).wrong == 0


def test_bytes_read_are_wrong_where_the_dropouts_are_too():
    faded = count_wrong_read("kcs-1200", 25.0, 7.0, seed=0)
    assert 0.02 < faded.wrong / faded.bytes_ < 0.15
    assert count_wrong_read("kcs-1200", 0.0, 3.0, seed=0).wrong == 0


def test_bytes_out_of_step_are_wrong_and_not_flagged(monkeypatch):
    """A reading that says all bytes is sure, but comes one place late: right only where neighbours agree."""

    def late(recording, *, format):
        reading = tw.read(recording, format=format)
        block = reading.blocks[0]
        moved = replace(block, data=b"\0" + block.data[:-1], byte_confidence=np.ones(len(block.data)))
        calls.append(1)
        return reading if len(calls) == 1 else replace(reading, blocks=(moved,))

    calls: list[int] = []
    monkeypatch.setattr("benchmarks.accuracy.dropouts.tw", SimpleNamespace(**vars(tw) | {"read": late}))
    faded = count_wrong_read("kcs-1200", 0.0, 3.0, seed=0)
    assert faded.wrong > 0.95 * faded.bytes_
    assert faded.unflagged == faded.wrong


def test_there_is_a_peer_for_two_tones_of_equal_length_only():
    assert (
        peer_for(Alphabet.of(load_format("heron-cycle-1600")))[1]
        == "the bits are not two tones of equal length"
    )
    _, why_not = peer_for(Alphabet.of(load_format("v21-300")))
    assert bool(why_not) == (peer_name() is None)


@pytest.mark.skipif(peer_name() is None, reason="liquid-dsp is not installed; only the benchmarks use it")
@pytest.mark.parametrize("impairment", ["clean", "wow"])
def test_peer_does_as_well_as_noncoherent_detection_can(impairment):
    """exp(-g/2)/2 at 6 dB is 6.831e-2 (the dossier of standards, section 3.1; Proakis and Salehi, ch. 4)."""
    card = load_format("kcs-1200")
    peer, _ = peer_for(Alphabet.of(card))
    assert peer is not None
    assert peer.samples == PEER_RATE_HZ / 1200
    sent = send(card, IMPAIRMENTS[impairment], 12.0, 0)
    wrong = peer.decide(noisy(sent, 6.0, 0), sent) != sent.symbol[sent.payload]
    expected = 6.831e-2
    assert len(wrong) > 8000
    assert wrong.mean() == pytest.approx(expected, abs=3 * math.sqrt(expected / len(wrong)))
