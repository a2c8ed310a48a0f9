from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapewright.learn.code_book import Book, draw_up
from tapewright.learn.durations import Tokens
from tapewright.learn.fit import fit_book
from tapewright.learn.parse import coarse_spreads, parse_book

SHORT, LONG, REST = np.log([200.0, 400.0, 1200.0])
NO_LEADER: list[np.ndarray] = []


def tokens_from(us: np.ndarray) -> Tokens:
    count = len(us)
    no = np.zeros(count, np.bool_)
    rising = np.arange(count) % 2 == 0
    return Tokens(np.cumsum(us) * 1e-6, np.asarray(us, np.float64), no, rising, np.zeros(count, np.int32))


def said(words: list[list[float]], bits: np.ndarray, jitter_us: float = 2.0) -> Tokens:
    """Say bits in words of half-waves (microseconds)."""
    us = np.concatenate([words[bit] for bit in bits])
    return tokens_from(us + jitter_us * np.random.default_rng(5).standard_normal(len(us)))


def bits_of(count: int) -> np.ndarray:
    return np.random.default_rng(6).integers(0, 2, count)


WORDS = {
    "tones of 2 and 4 cycles": [[400.0] * 4, [200.0] * 8],
    "pairs": [[200.0] * 2, [400.0] * 2],
    "half-waves": [[200.0], [400.0]],
    "biphase": [[400.0], [200.0, 200.0]],
    "three lengths": [[200.0, 200.0, 300.0, 300.0], [300.0, 300.0, 200.0, 200.0]],
    "tone ratio": [[150.0] * 12 + [230.0] * 4, [150.0] * 6 + [230.0] * 8],
    "pulses counted": [[150.0] * 7 + [1200.0], [150.0] * 15 + [1200.0]],
    "clock and data": [[120.0, 900.0], [120.0, 390.0, 120.0, 390.0]],
}


@pytest.mark.parametrize("name", WORDS)
def test_the_right_book_is_drawn_up_and_explains_best(name: str) -> None:
    tokens = said(WORDS[name], bits_of(400))
    classes = np.log(sorted({us for word in WORDS[name] for us in word}))
    books = draw_up(tokens, classes)
    costs = [parse_book(tokens, book, coarse_spreads(book)).cost for book in books]
    best = books[int(np.argmin(costs))]
    spelt = [tuple(np.exp([best.centres[k] for k in word]).round(3).tolist()) for word in best.words]
    turned = {tuple(word[k:] + word[:k]) for word in WORDS[name] for k in range(len(word))}
    assert {len(word) for word in spelt} == {len(word) for word in WORDS[name]}
    assert all(tuple(round(us, 3) for us in word) in turned for word in spelt)


@given(st.lists(st.integers(0, 1), min_size=20, max_size=80))
@settings(max_examples=25, deadline=None)
def test_a_book_cuts_what_was_said_in_it_into_the_bits_said(bits: list[int]) -> None:
    tokens = said([[200.0, 200.0], [400.0, 400.0]], np.array(bits))
    book = Book("runs", ((0, 0), (1, 1)), (SHORT, LONG))
    cut = parse_book(tokens, book, coarse_spreads(book))
    assert cut.words.tolist() == bits
    assert cut.explained == 1.0


def test_a_half_wave_in_no_word_is_left_out() -> None:
    us = said([[200.0, 200.0], [400.0, 400.0]], bits_of(50)).us
    book = Book("runs", ((0, 0), (1, 1)), (SHORT, LONG))
    cut = parse_book(tokens_from(np.insert(us, 40, 2500.0)), book, coarse_spreads(book))
    assert (cut.words < 0).sum() == 1
    assert cut.places[cut.words < 0].tolist() == [40]


def test_a_word_may_be_cut_off_at_a_break_only() -> None:
    book = Book("runs", ((0,) * 8, (1,) * 4), (SHORT, LONG))
    at_the_ends = np.concatenate([[400.0] * 3, [200.0] * 8, [400.0] * 4, [200.0] * 5])
    assert parse_book(tokens_from(at_the_ends), book, coarse_spreads(book)).explained == 1.0
    inside = np.concatenate([[400.0] * 4, [200.0] * 3, [400.0] * 4])
    cut = parse_book(tokens_from(inside), book, coarse_spreads(book))
    assert np.flatnonzero(cut.elements < 0).tolist() == [4, 5, 6]


def test_fit_finds_lengths_and_their_spread() -> None:
    tokens = said([[203.0] * 2, [395.0] * 2], bits_of(600), jitter_us=4.0)
    fit = fit_book(tokens, Book("runs", ((0, 0), (1, 1)), (SHORT, LONG)), NO_LEADER)
    assert np.exp(fit.book.centres) == pytest.approx([203.0, 395.0], rel=0.005)
    assert fit.spreads == pytest.approx([4.0 / 203.0, 4.0 / 395.0], rel=0.25)


def test_lengths_are_right_although_every_change_moves_an_edge() -> None:
    us = np.where(bits_of(3000), 400.0, 200.0)
    late = 12.0 * np.concatenate(([0.0], np.sign(np.diff(us)), [0.0]))
    tokens = tokens_from(us + late[1:] - late[:-1])
    fit = fit_book(tokens, Book("runs", ((0,), (1,)), (SHORT, LONG)), NO_LEADER)
    assert np.exp(fit.calm) == pytest.approx([200.0, 400.0], rel=0.008)
    assert abs(np.exp(fit.book.centres[0]) - 200.0) > 5.0  # the middle of all is far off


def test_a_leader_of_its_own_and_the_mark_behind_it_become_words() -> None:
    data = said([[200.0, 200.0], [400.0, 400.0]], bits_of(200)).us
    block = np.concatenate([[600.0] * 24, [200.0, 400.0], data])
    fit = fit_book(
        tokens_from(np.concatenate([block, block, block])),
        Book("runs", ((0, 0), (1, 1)), (SHORT, LONG)),
        [np.log([200.0, 200.0]), np.log([600.0, 600.0])],
    )
    spelt = dict(
        zip(fit.names, (np.exp([fit.book.centres[k] for k in word]) for word in fit.book.words), strict=True)
    )
    assert fit.leader == "L"
    assert spelt["L"] == pytest.approx([600.0, 600.0], rel=0.01)
    assert spelt["M"] == pytest.approx([200.0, 400.0], rel=0.02)


def test_a_mark_stands_behind_a_leader_though_a_cycle_of_it_is_uneven() -> None:
    data = said([[200.0, 200.0], [310.0, 310.0]], bits_of(200)).us
    leader = np.full(24, 120.0)
    leader[14:16] = 103.0, 137.0
    block = np.concatenate([leader, [200.0, 310.0], data])
    book = Book("runs", ((0, 0), (1, 1)), (SHORT, float(np.log(310.0))))
    fit = fit_book(tokens_from(np.concatenate([block, block])), book, [np.log([120.0, 120.0])])
    assert fit.names == ("0", "1", "L", "M")
    assert np.exp([fit.book.centres[k] for k in fit.book.words[3]]) == pytest.approx([200.0, 310.0], rel=0.02)


def test_a_mark_of_a_length_that_nothing_else_has_is_a_word_however_rare_it_is() -> None:
    data = said([[200.0, 200.0], [400.0, 400.0]], bits_of(200)).us
    like_leader = np.full(60, 200.0)  # a run of zeros in the data
    block = np.concatenate([np.full(60, 200.0), [690.0, 700.0], data, like_leader, data])
    book = Book("runs", ((0, 0), (1, 1)), (SHORT, LONG))
    fit = fit_book(tokens_from(np.concatenate(4 * [block])), book, [np.log([200.0, 200.0])])
    assert (fit.names, fit.leader) == (("0", "1", "M"), "0")
    assert np.exp([fit.book.centres[k] for k in fit.book.words[2]]) == pytest.approx([695.0, 695.0], rel=0.01)
    assert fit.parse.explained == 1.0
    twice = fit_book(tokens_from(np.concatenate(2 * [block])), book, [np.log([200.0, 200.0])])
    assert twice.names == ("0", "1")  # two may be an accident


def test_what_stands_behind_one_leader_of_three_is_no_mark() -> None:
    data = said([[200.0, 200.0], [400.0, 400.0]], bits_of(200)).us
    leader = np.full(24, 600.0)
    us = np.concatenate([leader, data, leader, [200.0, 400.0], data, leader, data])
    fit = fit_book(tokens_from(us), Book("runs", ((0, 0), (1, 1)), (SHORT, LONG)), [np.log([600.0, 600.0])])
    assert fit.names == ("0", "1", "L")


def test_a_leader_of_bits_is_named_after_the_bit() -> None:
    tokens = said([[200.0, 200.0], [400.0, 400.0]], bits_of(200))
    book = Book("runs", ((0, 0), (1, 1)), (SHORT, LONG))
    assert fit_book(tokens, book, [np.log([400.0, 400.0])]).leader == "1"


def test_a_leader_a_quarter_slower_than_a_bit_is_no_leader_of_such_bits() -> None:
    tones = [[210.0] * 10, [105.0] * 20]
    leader = np.full(24, 134.0)
    us = np.concatenate([leader, said(tones, bits_of(60)).us, leader, said(tones, bits_of(60)).us])
    book = Book("runs", ((0,) * 10, (1,) * 20), tuple(np.log([210.0, 105.0])))
    fit = fit_book(tokens_from(us), book, [np.log([134.0, 134.0])])
    assert (fit.names, fit.leader) == (("0", "1", "L"), "L")
    assert np.exp([fit.book.centres[k] for k in fit.book.words[2]]) == pytest.approx([134.0] * 2, rel=0.01)


@pytest.mark.parametrize("later", [0, 1, 2])
def test_a_rest_ends_its_word_wherever_the_order_of_half_waves_cuts(later: int) -> None:
    # the first half-wave after a rest comes out longer
    words = [[155.0, *[128.0] * count, 1980.0] for count in (8, 16)]
    cut = tuple(tuple(word[len(word) - later :] + word[: len(word) - later]) for word in words)
    classes = np.log([128.0, 155.0, 1980.0])
    book = Book("run pairs", tuple(tuple(_class(us) for us in word) for word in cut), tuple(classes.tolist()))
    assert book.ended_by_rest().words == tuple(tuple(_class(us) for us in word) for word in words)


def _class(us: float) -> int:
    return [128.0, 155.0, 1980.0].index(us)


def test_a_rest_of_two_lengths_ends_no_word() -> None:
    book = Book("runs", ((1, 0, 1, 0), (2, 0)), tuple(np.log([120.0, 390.0, 900.0])))
    assert book.ended_by_rest() == book


def test_a_changed_length_that_passes_for_its_like_follows_from_the_other() -> None:
    """Words begin within a half-wave; of the lengths only three are told apart, not the shorter long one."""
    bits = bits_of(600)
    us = np.repeat(np.where(bits == 1, 261.0, 148.0), 2)
    last = np.arange(1, len(us) - 1, 2)
    us[last] += np.where(us[last + 1] > us[last], 19.0, np.where(us[last + 1] < us[last], -19.0, 0.0))
    tokens = tokens_from(us + 2.0 * np.random.default_rng(7).standard_normal(len(us)))
    fits = [fit_book(tokens, book, NO_LEADER) for book in draw_up(tokens, np.log([148.0, 167.0, 260.0]))]
    best = min(fits, key=lambda fit: fit.cost)
    assert best.parse.explained > 0.99
    spelt = [np.exp([best.book.centres[k] for k in word]) for word in best.book.words]
    for word, lengths in zip(spelt, [(148, 148), (261, 261), (148, 167), (261, 242)], strict=True):
        np.testing.assert_allclose(word, lengths, atol=2.0)
