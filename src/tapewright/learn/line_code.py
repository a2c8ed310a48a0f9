"""From recordings to line codes: what a 0, a 1, a leader and a mark sound like.

Marks, durations, code book, fit: each step is a module, and this one puts them together. Codes that explain
the recordings about as well stand side by side, best first; bytes that are known will choose between them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from tapewright.cards.symbols import Piece, Tone
from tapewright.learn.cells import Cells, draw_up_cells
from tapewright.learn.code_book import Book, draw_up
from tapewright.learn.durations import Tokens, duration_classes, shared_tempo, stretches
from tapewright.learn.fit import Fit, fit_book, with_leader
from tapewright.learn.parse import Null, coarse_spreads, parse_book
from tapewright.learn.spelling import family_of, spell, tidy_us, twin
from tapewright.learn.takes import Take, is_square, leader_patterns, pulse_width, takes_of
from tapewright.model import Recording

__all__ = ["Heard", "LineCode", "Timing", "propose"]

FloatArray = npt.NDArray[np.float64]

#: Tones are measured no better than this share. So near to a whole number of sixtieths of a cycle, that is
#: what they are: at 300 bit/s a multiple of 5 Hz, as the tones of all modem standards are.
TIDY_CYCLES, PARTS_OF_A_CYCLE = 0.0008, 60
#: Half-waves used to rank books, and to fit the best of them.
RANKED_WITH, FITTED_WITH = 4_000, 12_000
#: So many books are fitted, if they explain at least this share of what the best one does.
FITTED_BOOKS, HOPEFUL = 10, 0.5
#: Fewer half-waves than this are no save.
FEWEST_HALF_WAVES = 120
#: A line code explains this share of half-waves at least, and gains so much on each, in bits.
LEAST_EXPLAINED, LEAST_GAIN = 0.75, 1.0
#: Where books of whole cycles explain this share, cells of whole cycles are not needed beside them.
WELL_EXPLAINED = 0.95
#: What a word costs to describe, in bits: a length, and how often it stands.
WORD_BITS = 20.0
#: Evidence of a leader for biphase-L or against it: long half-waves are 0 1 0 1 there and one symbol in -M.
LEADER_BITS = 10.0
#: Tones that change further from an edge than this share of a half-wave change anywhere in a wave.
FAR_FROM_EDGES = 0.25
#: A cell holds whole cycles where it does within the first of these shares, and may within the second.
SURELY_WHOLE, MAYBE_WHOLE = 0.003, 0.015


@dataclass(frozen=True)
class Timing:
    """One class of durations.

    Parameters
    ----------
    name : str
        ``"short"``, ``"medium"`` and so on.
    microseconds : float
        Median, at the mean tempo of all recordings.
    spread_us : float
        Robust standard deviation.
    count : int
        How many half-waves were of it.
    """

    name: str
    microseconds: float
    spread_us: float
    count: int


@dataclass(frozen=True)
class LineCode:
    """What bits may sound like.

    Parameters
    ----------
    family : str
        A plain word for people.
    symbols : dict
        As in a format card: ``"0"`` and ``"1"`` (which is which is anybody's guess), ``"L"`` where leaders
        have a symbol of their own, ``"M"`` and on for marks.
    timings : tuple of Timing
        Shortest first.
    leader : str
        The symbol leaders consist of.
    polar : bool
        Whether the sound upside down is other data.
    score_bits : float
        How much better this explains what was heard than knowing no code does; comparable within one call.
    words : str
        The evidence in a sentence.
    """

    family: str
    symbols: dict[str, list[Piece]]
    timings: tuple[Timing, ...]
    leader: str
    polar: bool
    score_bits: float
    words: str


@dataclass(frozen=True, eq=False)
class Heard:
    """What was heard of one recording, for pictures.

    Parameters
    ----------
    times_s, half_waves_us : ndarray, shape (n,)
        Where each half-wave begins, and how long it is at the tempo all recordings share.
    is_leader : ndarray of bool, shape (n,)
    leaders_s : tuple of (float, float)
        Where leaders begin and end.
    classes_us : tuple of float
        The few lengths half-waves have outside leaders.
    tempo : float
        Durations here over their mean in all recordings.
    """

    times_s: FloatArray
    half_waves_us: FloatArray
    is_leader: npt.NDArray[np.bool_]
    leaders_s: tuple[tuple[float, float], ...]
    classes_us: tuple[float, ...]
    tempo: float


def propose(sounds: Sequence[Recording], *, limit: int = 12) -> tuple[list[LineCode], list[Heard]]:
    """Propose line codes for recordings of one machine.

    Parameters
    ----------
    sounds : sequence of Recording
        Saves of the same machine; they may differ in speed, level and polarity.
    limit : int
        At most so many codes.

    Returns
    -------
    codes : list of LineCode
        Best first; none where there is nothing like data.
    heard : list of Heard
        One for each recording.
    """
    takes = takes_of(sounds)
    usable = [take for take in takes if len(take.data.us) >= FEWEST_HALF_WAVES]
    if not usable:
        return [], [_heard(take, 0.0, ()) for take in takes]
    late = shared_tempo([take.data for take in usable])
    tempo = {id(take): float(shift) for take, shift in zip(usable, late, strict=True)}
    usable = [
        replace(take, tokens=_at_tempo(take.tokens, shift), data=_at_tempo(take.data, shift))
        for take, shift in zip(usable, late.tolist(), strict=True)
    ]
    tokens = _fitted_with(usable)
    opinions = duration_classes(tokens.logs)
    codes = _codes(usable, tokens, opinions, limit)
    for rising in (True, False) if not codes else ():
        evened = [
            replace(take, tokens=take.tokens.evened(rising), data=take.data.evened(rising)) for take in usable
        ]
        tokens = _fitted_with(evened)
        codes += _codes(evened, tokens, duration_classes(tokens.logs), limit)
    classes_us = tuple(float(us) for us in np.exp(opinions[0])) if opinions else ()
    return codes, [_heard(take, tempo.get(id(take), 0.0), classes_us) for take in takes]


def _at_tempo(tokens: Tokens, shift: float) -> Tokens:
    return replace(tokens, us=tokens.us * np.exp(-shift)) if shift else tokens


def _fitted_with(takes: Sequence[Take]) -> Tokens:
    """Data of all recordings, as much of each."""
    return _together([_some(take.data, FITTED_WITH // len(takes)) for take in takes])


def _some(tokens: Tokens, most: int) -> Tokens:
    """So many half-waves, a quarter of them from each quarter of the recording."""
    count = len(tokens.us)
    if count <= most:
        return tokens
    place = np.arange(count)
    return tokens.pick(place % (count // 4 + 1) < most // 4)


def _together(parts: Sequence[Tokens]) -> Tokens:
    """One after another, with a break before each."""
    if len(parts) == 1:
        return parts[0]
    breaks = [np.concatenate(([True], part.breaks[1:])) for part in parts]
    return Tokens(
        np.concatenate([part.starts_s for part in parts]),
        np.concatenate([part.us for part in parts]),
        np.concatenate(breaks),
        np.concatenate([part.rising for part in parts]),
        np.concatenate([part.leader for part in parts]),
    )


def _codes(
    takes: Sequence[Take], tokens: Tokens, opinions: Sequence[FloatArray], limit: int
) -> list[LineCode]:
    if not opinions:
        return []
    null = Null(tokens.logs)
    patterns = leader_patterns(takes)
    codes: list[LineCode] = []
    best_cells = list(_best_cells(tokens, opinions))
    books = [
        *_best_books(tokens, opinions, patterns),
        *(book for cells in best_cells for book in _whole(cells)),
    ]
    well_explained = False
    for book in books:
        fit = fit_book(tokens, book, patterns)
        count = len(tokens.us)
        well_explained |= fit.parse.explained > WELL_EXPLAINED
        score = (null.cost - fit.cost) / np.log(2.0) - WORD_BITS * len(fit.names)
        if fit.parse.explained < LEAST_EXPLAINED or score < LEAST_GAIN * count:
            continue
        codes += _spelt(takes, fit, score)
    for cells in best_cells:
        if well_explained and _whole_cycles(cells, SURELY_WHOLE):
            continue  # words of whole cycles do
        score = (null.cost - cells.cost) / np.log(2.0) - 3 * WORD_BITS
        if cells.explained >= LEAST_EXPLAINED and score >= LEAST_GAIN * len(tokens.us):
            codes.append(_modem_code(cells, patterns, score))
    codes.sort(key=lambda code: -code.score_bits)
    return _without_repeats(codes)[:limit]


def _best_books(tokens: Tokens, opinions: Sequence[FloatArray], patterns: Sequence[FloatArray]) -> list[Book]:
    """The dozen books that explain the beginning best, with a leader of their own where they need it."""
    few = _some(tokens, RANKED_WITH)
    books: dict[tuple[tuple[float, ...], ...], Book] = {}
    for classes in opinions:
        for book in draw_up(few, classes):
            merged = book.merged()
            books.setdefault(merged.key, merged)
    null = Null(few.logs).cost
    gains = [null - _cost_with_leader(few, book, patterns) for book in books.values()]
    order = np.argsort(gains)[::-1][:FITTED_BOOKS]
    listed = list(books.values())
    return [listed[k] for k in order if gains[k] > HOPEFUL * gains[order[0]]]


def _cost_with_leader(tokens: Tokens, book: Book, patterns: Sequence[FloatArray]) -> float:
    """What half-waves cost: short leaders among them are no reason to prefer a code they are words of."""
    if patterns:
        book, _, _ = with_leader(book, ("0",) * len(book.words), patterns, coarse_spreads(book))
    return parse_book(tokens, book, coarse_spreads(book)).cost


def _best_cells(tokens: Tokens, opinions: Sequence[FloatArray]) -> Iterator[Cells]:
    best: dict[tuple[int, int, int], Cells] = {}
    for cells in draw_up_cells(tokens, opinions):
        short_us, long_us = cells.half_waves_us
        key = (round(short_us / 8), round(long_us / 8), round(cells.cell_us / 50))
        if key not in best or cells.cost < best[key].cost:
            best[key] = cells
    yield from best.values()


def _spelt(takes: Sequence[Take], fit: Fit, score: float) -> Iterator[LineCode]:
    lengths = np.exp(fit.calm)
    pulse = pulse_width(takes, fit)
    symbols = spell(fit, is_square=pulse is None and is_square(takes, fit), pulse_us=pulse)
    if symbols["0"] == symbols["1"]:
        return
    if _changes_amid_waves(fit, symbols):
        symbols = {name: [_timed(piece) for piece in pieces] for name, pieces in symbols.items()}
    used = sorted({k for word in fit.book.words for k in word}, key=lambda k: lengths[k])
    timings = _named([(float(lengths[k]), float(lengths[k] * fit.spreads[k]), fit.counts[k]) for k in used])
    family = family_of(symbols)
    words = (
        f"{100 * fit.parse.explained:.1f} % of the half-waves make up whole symbols of this kind,"
        f" with a spread of {100 * max(fit.spreads[k] for k in used):.1f} %."
    )
    polar = any("levels" in type(piece).model_fields for bit in "01" for piece in symbols[bit])
    code = LineCode(family, symbols, timings, fit.leader, polar, score, words)
    yield code
    other = twin(symbols) if family == "biphase-M" else None
    if other is not None:
        # A leader of long half-waves is a leader of one symbol in biphase-M only, one of short ones in both.
        leader_is_long = fit.leader in "01" and len(fit.book.words[fit.names.index(fit.leader)]) == 1
        yield replace(
            code,
            family="biphase-L",
            symbols=other,
            polar=True,
            leader="0",
            score_bits=score + (-LEADER_BITS if leader_is_long else LEADER_BITS),
            words=words[:-1] + ", if an edge in the middle of each bit and its direction are what counts.",
        )


def _changes_amid_waves(fit: Fit, symbols: dict[str, list[Piece]]) -> bool:
    """Whether one tone follows the other at a phase far from that of an edge, as steps of a sine do."""
    tones = [piece.tone for bit in "01" for piece in symbols[bit] if isinstance(piece, Tone)]
    if not len(tones) == len(symbols["0"]) + len(symbols["1"]) == 2:
        return False
    half_waves_us = [0.5e6 / tone for tone in tones]
    return abs(fit.moved_us) > FAR_FROM_EDGES * abs(half_waves_us[0] - half_waves_us[1])


def _timed(piece: Piece) -> Piece:
    """A tone for as long as its cycles last: it may begin at any phase then."""
    if isinstance(piece, Tone) and piece.cycles is not None:
        return Tone(tone=piece.tone, us=tidy_us(1e6 * piece.cycles / piece.tone))
    return piece


def _named(lengths: Sequence[tuple[float, float, int]]) -> tuple[Timing, ...]:
    names = {1: ["only"], 2: ["short", "long"], 3: ["short", "medium", "long"]}.get(
        len(lengths), [f"length {k + 1}" for k in range(len(lengths))]
    )
    return tuple(
        Timing(name, tidy_us(us), tidy_us(spread), count)
        for name, (us, spread, count) in zip(names, lengths, strict=True)
    )


def _modem_code(cells: Cells, patterns: Sequence[FloatArray], score: float) -> LineCode:
    short_us, long_us = cells.half_waves_us
    heard = float(np.median(patterns[0])) if patterns else float(np.log(short_us))
    leader = "0" if abs(heard - np.log(long_us)) < abs(heard - np.log(short_us)) else "1"
    cycles = _whole_cycles(cells, SURELY_WHOLE)
    pieces: dict[str, list[Piece]]
    if cycles is None:
        cell_us = tidy_us(cells.cell_us)
        pieces = {
            bit: [Tone(tone=round(_tidy_cycles(cell_us / (2 * us)) * 1e6 / cell_us, 2), us=cell_us)]
            for bit, us in (("0", long_us), ("1", short_us))
        }
    else:
        pieces = {
            bit: [Tone(tone=round(count * 1e6 / cells.cell_us, 2), cycles=float(count))]
            for bit, count in zip("01", reversed(cycles), strict=True)
        }
    timings = _named(
        [(us, us * cells.sigma, count) for us, count in zip(cells.half_waves_us, cells.counts, strict=True)]
    )
    words = (
        f"The tone changes after whole multiples of {cells.cell_us:.0f} us, give or take"
        f" {cells.cell_sigma_us:.0f} us, and {100 * cells.explained:.1f} % of the half-waves fit."
    )
    return LineCode(family_of(pieces), pieces, timings, leader, False, score, words)


def _tidy_cycles(cycles: float) -> float:
    """Cycles in a cell to a whole number of sixtieths, where they nearly are."""
    tidy = round(PARTS_OF_A_CYCLE * cycles) / PARTS_OF_A_CYCLE
    return tidy if abs(cycles / tidy - 1) < TIDY_CYCLES else cycles


def _whole_cycles(cells: Cells, within: float) -> tuple[int, int] | None:
    """How many cycles of either tone fill a cell, if whole ones do."""
    cycles = [cells.cell_us / (2 * us) for us in cells.half_waves_us]
    whole = [max(1, round(count)) for count in cycles]
    is_whole = all(abs(a / b - 1) < within for a, b in zip(cycles, whole, strict=True))
    return (whole[0], whole[1]) if is_whole else None


def _whole(cells: Cells) -> list[Book]:
    """The same as a book, where cells may hold whole cycles."""
    cycles = _whole_cycles(cells, MAYBE_WHOLE)
    if cycles is None or max(cycles) > 24:
        return []
    words = ((0,) * (2 * cycles[0]), (1,) * (2 * cycles[1]))
    return [Book("runs", words, tuple(float(np.log(us)) for us in cells.half_waves_us))]


def _without_repeats(codes: Sequence[LineCode]) -> list[LineCode]:
    """Leave out codes whose bits sound like those of a better one, but for a hair."""
    kept: list[LineCode] = []
    for code in codes:
        if not any(_sound_alike(code, other) for other in kept):
            kept.append(code)
    return kept


def _sound_alike(code: LineCode, other: LineCode) -> bool:
    return any(
        _alike(code.symbols["0"], other.symbols[a]) and _alike(code.symbols["1"], other.symbols[b])
        for a, b in ("01", "10")
    )


def _alike(one: Sequence[Piece], other: Sequence[Piece]) -> bool:
    first, second = ([_numbers(piece) for piece in pieces] for pieces in (one, other))
    if [(kind, len(numbers)) for kind, numbers in first] != [
        (kind, len(numbers)) for kind, numbers in second
    ]:
        return False
    return all(
        abs(a - b) <= 0.02 * max(abs(a), abs(b))
        for (_, mine), (_, theirs) in zip(first, second, strict=True)
        for a, b in zip(mine, theirs, strict=True)
    )


def _numbers(piece: Piece) -> tuple[str, list[float]]:
    values: list[float] = []
    fields = piece.model_dump(exclude_none=True)
    for value in fields.values():
        values += np.ravel(value).astype(float).tolist()
    return ",".join(fields), values


def _heard(take: Take, shift: float, classes_us: tuple[float, ...]) -> Heard:
    tokens = take.tokens
    leaders = tuple(
        (float(tokens.starts_s[first]), float(tokens.starts_s[end - 1] + tokens.us[end - 1] * 1e-6))
        for first, end in stretches(tokens.leader > 0)
    )
    return Heard(
        tokens.starts_s,
        tokens.us * np.exp(-shift),
        tokens.leader > 0,
        leaders,
        classes_us,
        float(np.exp(shift)),
    )
