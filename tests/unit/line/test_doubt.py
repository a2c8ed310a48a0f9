"""How sure symbols are in music after a program, and in a program from a dull recorder."""

from __future__ import annotations

import numpy as np
import pytest

import sounds_of_nothing as sounds
import tapewright as tw
from tapewright import line
from tapewright.cards import Alphabet
from tapewright.line.doubt import share_of_doubt
from tapewright.line.grid import Grid
from tapewright.line.imprint import Hearing, Imprint
from tapewright.line.templates import band_of
from tapewright.model import GAP

RATE_HZ = sounds.RATE_HZ
SURE = 0.99


def tape_of(card):
    program = np.random.default_rng(5).integers(0, 256, 60, np.uint8).tobytes()
    return tw.synthesize(program, format=card, start=0x9000).samples[:, 0].astype(np.float64)


def heard_in(sound, card):
    symbols = line.decode(tw.Recording(sound.astype(np.float32), RATE_HZ), tw.load_format(card)).symbols
    return symbols, np.exp(symbols.log_p.max(axis=1)), symbols.index != GAP


# these three said that 4 to 38 % of this music was symbols for certain
@pytest.mark.parametrize("card", ["osier-biphase-s-1200", "larch-biphase-l-2000", "reed-pwm-1500"])
def test_music_after_a_program_is_no_symbols_for_certain(card):
    tape, music = tape_of(card), 0.7 * sounds.music(6.0)
    symbols, sureness, real = heard_in(np.concatenate((tape, np.zeros(RATE_HZ // 10), music)), card)
    length = symbols.end_seconds - symbols.start_seconds
    in_music = real & (symbols.start_seconds > len(tape) / RATE_HZ + 0.1)
    assert length[in_music & (sureness > SURE)].sum() < 0.001 * 6.0
    assert np.mean(sureness[real & ~in_music] > SURE) > 0.98  # and the program before it is as sure as ever


@pytest.mark.parametrize("card", ["kcs-1200", "reed-pwm-1500", "v21-300", "thistle-burst-320"])
@pytest.mark.parametrize("noise", [0.0, 0.05])
def test_a_dull_recording_is_not_taken_for_music(card, noise):
    tape = tape_of(card)
    turns = np.fft.rfftfreq(len(tape), 1 / RATE_HZ)
    dull = np.fft.irfft(np.fft.rfft(tape) / (1 + 1j * turns / 1500.0), len(tape))  # first order, 1500 Hz
    rms = np.sqrt(np.mean(dull**2))
    hiss = noise * rms * np.random.default_rng(6).standard_normal(len(tape))
    _, sureness, real = heard_in(dull + hiss, card)
    assert real.sum() > 400
    assert np.mean(sureness[real] > SURE) > 0.98


def doubt_of(explained, left, below_db):
    """Of symbols that are as far from the card's as `explained` says, with something more beside them."""
    alphabet = Alphabet.of(tw.load_format("larch-biphase-l-2000"))
    grid = Grid.of(alphabet, band_of(alphabet, 44_100.0))
    ideal = Imprint.ideal(grid, np.ones(2))
    energy = float(ideal.energy.mean())
    # both symbols carry something more that is none of the card's
    more = np.cos(np.linspace(0, 2 * np.pi, grid.length[0], endpoint=False))
    more -= (more @ grid.ideal[0, 0]) / energy * grid.ideal[0, 0]
    more *= np.sqrt((1 / explained - 1) * energy / (more @ more))
    learned = Imprint(grid, (ideal.wave + more).astype(np.float32))
    symbol = np.random.default_rng(4).integers(0, 2, 1000)
    sound = learned.wave[0, :, 0][symbol].ravel()
    left = np.sqrt(energy / 2 * 10 ** (-below_db / 10)) * left / np.std(left)
    place = np.arange(len(symbol)) * grid.length[0]
    hearing = Hearing.of((sound + left).astype(np.float32), symbol, place, np.zeros(1000, np.int64), grid)
    return share_of_doubt(hearing, learned, ideal, np.ones(1000), energy)


@pytest.mark.parametrize("explained, below_db, is_doubted", [
    (0.8, 30, False), (0.8, 15, True),  # what is left may have any spectrum if it is weak
    (0.65, 45, False), (0.65, 30, True),  # and must be weaker where the card's waveforms explain less
    (0.5, 45, True),
])  # fmt: skip
def test_the_less_is_explained_the_weaker_must_be_what_is_left(explained, below_db, is_doubted):
    tone = np.sin(0.5 * np.arange(12_000))  # music's rest is no noise
    doubt = doubt_of(explained, tone, below_db)
    assert np.all(doubt > 0.4) if is_doubted else np.all(doubt < 0.01)


@pytest.mark.parametrize("explained, above, is_doubted", [
    (0.85, 0.2, False),  # like the card's: what is left may lean
    (0.5, 0.2, True),
    (0.5, 1.0, False),  # unlike them, as a recorder makes them, but white
])  # fmt: skip
def test_the_less_waveforms_are_like_the_cards_the_flatter_must_be_what_is_left(explained, above, is_doubted):
    """Noise weaker in half of what is looked at: of 0.2 times the power, it is as flat as 0.2**0.5 / 0.6."""
    noise = np.fft.rfft(np.random.default_rng(8).standard_normal(12_000))
    noise[len(noise) * 3 // 8 :] *= np.sqrt(above)
    doubt = doubt_of(explained, np.fft.irfft(noise), 8)
    assert np.median(doubt) > 0.02 if is_doubted else np.median(doubt) < 0.01


@pytest.mark.parametrize("loud", [0.1, 0.2])
def test_a_note_at_the_pitch_of_a_symbol_is_no_symbol_for_certain(loud):
    rng = np.random.default_rng(1)
    now = np.arange(RATE_HZ // 3) / RATE_HZ

    def plucked(pitch):
        partials = range(1, 1 + int(min(12, 9000 / pitch)))
        wave = sum(np.sin(2 * np.pi * k * pitch * now + rng.uniform(0, 6.28)) / k**1.2 for k in partials)
        return wave * np.minimum(1, now / 0.01) * np.exp(-5 * now)

    # the 0 of these tones on a tape 12 % slow, and a quieter chord below it
    sound = np.pad(plucked(880.0) + loud * (plucked(330.0) + plucked(137.5)), 9000)
    hiss = 1e-3 * rng.standard_normal(len(sound))
    _, sureness, real = heard_in(0.1 * (sound + hiss), "tansy-hex-250")
    assert not np.any(sureness[real] > SURE)
