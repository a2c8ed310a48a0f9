"""Fitting a code book to what was heard: exact lengths, their spread, leaders and marks of their own."""

from __future__ import annotations

import statistics
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from tapewright.learn.code_book import Book, nearest_class
from tapewright.learn.durations import RIM, Tokens
from tapewright.learn.parse import FINEST, UNKNOWN, Parse, coarse_spreads, parse_book, prices_of

__all__ = ["Fit", "fit_book", "with_leader"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: A third word is a leader or a mark of its own where it explains this many more nats than it costs.
WORTH_A_WORD = 5.0
#: Lengths (as logarithms) this near are one; so many marks of a length that nothing else has are no accident.
SAME_CLASS, FEWEST_STRANGE = 0.08, 3
LONGEST_MARK = 6
#: So many half-waves amid their like tell their length; otherwise the sums of stretches of so many do.
FEWEST_CALM, STRETCH = 12, 32
#: Edges move by this share of a half-wave where lengths change.
MOVED = 0.02
#: A class is judged by its own spread from so many half-waves on, and it is never wider than this.
FEW, WIDEST = 20, 0.12
#: This share of all occurrences of a mark stands behind a leader.
BEHIND_LEADERS = 0.6
#: So much of a leader's end has to be the word that leaders consist of, if it has one of its own: hum may
#: make a few of its half-waves uneven. Where it is a bit, all of it, as data are full of bits.
MOSTLY_LED = 0.6
#: So many half-waves between the same neighbours say how long such a one is; it costs so much to say so, and
#: is off the others by no more than this (as a logarithm).
FEWEST_IN_CONTEXT, CONTEXT_COST, MOST_MOVED = 8, 6.0, 0.2


@dataclass(frozen=True, eq=False)
class Fit:
    """A book, fitted.

    Parameters
    ----------
    book : Book
        With lengths as heard; after the words of the bits may come a leader and marks.
    names : tuple of str
        Entry w: ``"0"``, ``"1"``, ``"L"`` for a leader of its own, ``"M"`` and on for marks.
    leader : str
        Of which word leaders consist.
    parse : Parse
    cost : float
        What the half-waves cost, in nats, if each is expected to be as long as its class is between such
        neighbours as it has.
    calm : tuple of float
        Logarithm of each class's duration amid its like, where no change has moved an edge.
    lasting_us : tuple of float
        Duration of each word amid its like, where both its ends are moved alike.
    spreads : tuple of float
        Robust standard deviation of each class's logarithm.
    counts : tuple of int
        How often each class occurs.
    moved_us : float
        By how much more time passes from a word of long half-waves to one of short ones than amid their like,
        and less the other way: 0 where words change with an edge.
    """

    book: Book
    names: tuple[str, ...]
    leader: str
    parse: Parse
    cost: float
    calm: tuple[float, ...]
    lasting_us: tuple[float, ...]
    spreads: tuple[float, ...]
    counts: tuple[int, ...]
    moved_us: float = 0.0


def fit_book(tokens: Tokens, book: Book, patterns: Sequence[FloatArray]) -> Fit:
    """Fit a book to half-waves.

    Parameters
    ----------
    tokens : Tokens
        Data, with the ends of leaders.
    book : Book
    patterns : sequence of ndarray
        What leaders repeat: logarithms of durations; none where there is no leader.
    """
    is_silent = book.shape == "burst or none"
    names = tuple("0" * len(book.words)) if is_silent else ("0", "1", "0", "1")[: len(book.words)]
    settled = _settled(tokens, book)
    book, spreads, _ = settled
    if not patterns:
        return _fitted(tokens, names, settled, "")
    # A leader like a bit, but for a little: either the recorder moves its edges, or it has a word of its own.
    ways = {
        grown[0].words: grown
        for tolerance in (np.maximum(spreads, coarse_spreads(book)), _tolerant(spreads))
        for grown in [with_leader(book, names, patterns, tolerance)]
    }
    fits = [
        _fitted(tokens, grown_names, _settled(tokens, grown) if leader == "L" else settled, leader)
        for grown, grown_names, leader in ways.values()
    ]
    return min(fits, key=lambda fit: fit.cost + WORTH_A_WORD * len(fit.names))


def _fitted(
    tokens: Tokens, names: tuple[str, ...], settled: tuple[Book, FloatArray, Parse], leader: str
) -> Fit:  # fmt: skip
    """Fit a book with what its leaders consist of: marks behind them, and how long everything is."""
    book, spreads, cut = settled
    if leader:
        strange = _with_strange_mark(tokens, book, cut, names.index(leader))
        if strange is not None:
            (book, spreads, cut), names = strange, (*names, "M")
        book, names, cut = _with_marks(tokens, book, names, cut, spreads, leader)
    elements = cut.elements
    counts = np.bincount(elements[elements >= 0], minlength=len(book.centres))
    amid_us = _amid_their_like_us(tokens, book, cut)
    calm = _calm(tokens, elements, book, amid_us)
    lasting_us = tuple(
        amid_us.get(w, float(np.exp([calm[k] for k in word]).sum())) for w, word in enumerate(book.words)
    )
    return Fit(
        book, names, leader or _commonest(cut, names), cut, _cost_in_context(tokens, book, cut, elements),
        calm, lasting_us, tuple(spreads.tolist()), tuple(counts.tolist()),
        _moved_us(tokens, cut, np.exp(calm)),
    )  # fmt: skip


def _settled(tokens: Tokens, book: Book) -> tuple[Book, FloatArray, Parse]:
    """Find the book's lengths and their spreads, and cut into words, in turns."""
    spreads = coarse_spreads(book)
    for _ in range(2):
        cut = parse_book(tokens, book, spreads)
        elements = cut.elements
        centres = _centres(tokens, elements, np.array(book.centres))
        spreads = _spreads(tokens.logs, elements, centres)
        book = replace(book, centres=tuple(float(c) for c in centres))
    return book, spreads, parse_book(tokens, book, _tolerant(spreads))


def _tolerant(spreads: FloatArray) -> FloatArray:
    """Spreads that let edges move where the length changes, or between a leader and a mark."""
    return np.hypot(spreads, MOVED)


def _spreads(logs: FloatArray, elements: IntArray, centres: FloatArray) -> FloatArray:
    """Robust standard deviation of each class's logarithm; of rare ones what the others' jitter makes it."""
    known = elements >= 0
    off = np.abs(logs - centres[np.maximum(elements, 0)])
    jitter_us = 1.4826 * float(np.median(off[known] * np.exp(logs[known]))) if known.any() else 7.0
    spreads = jitter_us / np.exp(centres)
    for k in range(len(centres)):
        mine = off[elements == k]
        if len(mine) >= FEW:
            spreads[k] = 1.4826 * float(np.median(mine))
    return np.clip(spreads, FINEST, WIDEST)


def _centres(tokens: Tokens, elements: IntArray, centres: FloatArray) -> FloatArray:
    """Each class's middle."""
    new = centres.copy()
    for k in range(len(centres)):
        mine = tokens.logs[elements == k]
        if len(mine) >= 3:
            middle = float(np.median(mine))
            if abs(middle - centres[k]) < 0.15:
                new[k] = middle
    return new


def _calm(tokens: Tokens, elements: IntArray, book: Book, amid_us: dict[int, float]) -> tuple[float, ...]:
    """Each class's length without what changes do to edges.

    Where words are runs, it is the middle amid its like, or its part of a whole word amid words like it.
    Where a single half-wave can be a word there is hardly any such place: then lengths are found that add up
    to the time long stretches take.
    """
    if min(map(len, book.words[:2])) == 1:
        return _lengths_that_add_up(tokens, elements, book)
    amid = np.zeros(len(elements), np.bool_)
    amid[1:-1] = (elements[:-2] == elements[1:-1]) & (elements[2:] == elements[1:-1])
    amid[1:-1] &= ~tokens.breaks[1:-1] & ~tokens.breaks[2:]
    calm = []
    for k, centre in enumerate(book.centres):
        chosen = tokens.logs[amid & (elements == k)]
        calm.append(float(np.median(chosen)) if len(chosen) >= FEWEST_CALM else centre)
    for w, us in amid_us.items():
        if len(set(book.words[w])) == 1:
            calm[book.words[w][0]] = float(np.log(us / len(book.words[w])))
    return tuple(calm)


def _amid_their_like_us(tokens: Tokens, book: Book, cut: Parse) -> dict[int, float]:
    """How long words last between two of the same kind, if they stand there often enough."""
    ends = np.append(cut.places[1:], len(tokens.us))
    until_us = np.concatenate(([0.0], np.cumsum(tokens.us)))
    each_us = until_us[ends] - until_us[cut.places]
    lasting = {}
    for w, word in enumerate(book.words):
        whole = (cut.words == w) & (ends - cut.places == len(word))
        amid = np.zeros(len(whole), np.bool_)
        amid[1:-1] = whole[:-2] & whole[1:-1] & whole[2:]
        if amid.sum() >= FEWEST_CALM:
            lasting[w] = float(np.median(each_us[amid]))
    return lasting


def _moved_us(tokens: Tokens, cut: Parse, calm_us: FloatArray) -> float:
    """By how much changes are moved: half-waves on either side are compared with those next to them."""
    words, elements = cut.words, cut.elements
    changes = cut.places[1:][(words[1:] != words[:-1]) & (words[1:] >= 0) & (words[:-1] >= 0)]
    changes = changes[(changes > 1) & (changes < len(elements) - 1)]
    beside = elements[changes - 2], elements[changes + 1]
    sound = (beside[0] >= 0) & (beside[1] >= 0) & ~tokens.breaks[changes]
    changes = changes[sound]
    last_us, first_us = (calm_us[kinds[sound]] for kinds in beside)
    more_us = tokens.us[changes - 1] + tokens.us[changes] - last_us - first_us
    each = [more_us[last_us > first_us], more_us[last_us < first_us]]
    if min(map(len, each)) < FEWEST_CALM:
        return 0.0
    return float(np.median(each[0]) - np.median(each[1])) / 2


def _lengths_that_add_up(tokens: Tokens, elements: IntArray, book: Book) -> tuple[float, ...]:
    count = len(elements) // STRETCH
    whole = slice(0, count * STRETCH)
    kinds = elements[whole].reshape(count, STRETCH)
    unbroken = (kinds >= 0).all(axis=1) & ~tokens.breaks[whole].reshape(count, STRETCH)[:, 1:].any(axis=1)
    classes = range(len(book.centres))
    occurrences = np.stack([(kinds[unbroken] == k).sum(axis=1) for k in classes], axis=1)
    lengths = np.array(book.centres)
    varied = np.flatnonzero(occurrences.std(axis=0) > 0.5) if len(occurrences) else np.zeros(0, np.int64)
    if unbroken.sum() < 2 * len(lengths) or not len(varied):
        return book.centres
    sums_us = tokens.us[whole].reshape(count, STRETCH)[unbroken].sum(axis=1)
    solved = np.linalg.lstsq(occurrences.astype(np.float64), sums_us, rcond=None)[0]
    believable = (solved > 0) & (np.abs(np.log(np.maximum(solved, 1e-9)) - lengths) < MOST_MOVED)
    use = [k for k in varied if believable[k]]
    lengths[use] = np.log(solved[use])
    return tuple(lengths.tolist())


def _cost_in_context(tokens: Tokens, book: Book, cut: Parse, elements: IntArray) -> float:
    """Cost of all half-waves, each compared with its like between the same neighbours.

    A dull recorder moves edges where the length changes. That is no reason to prefer a code in which those
    edges pass for something else.
    """
    count = len(book.centres) + 1
    before = np.concatenate(([-1], elements[:-1])) + 1
    after = np.concatenate((elements[1:], [-1])) + 1
    context = ((elements + 1) * count + before) * count + after
    order = np.argsort(context, kind="stable")
    edges = np.flatnonzero(np.diff(context[order])) + 1
    off = np.full(len(elements), np.inf)
    contexts = 0
    for group in np.split(order, edges):
        k = int(elements[group[0]])
        if k < 0:
            continue
        logs = tokens.logs[group]
        middle = float(np.median(logs)) if len(group) >= FEWEST_IN_CONTEXT else book.centres[k]
        contexts += len(group) >= FEWEST_IN_CONTEXT
        if abs(middle - book.centres[k]) > MOST_MOVED:
            middle = book.centres[k]
        off[group] = logs - middle
    known = np.isfinite(off)
    spreads = np.full(len(book.centres), FINEST)
    if known.any():
        flat = np.where(known, off, 0.0)
        spreads = _spreads(flat, np.where(known, elements, -1), np.zeros(len(book.centres)))
    sigma = spreads[np.maximum(elements, 0)]
    errors = np.minimum(off**2 / (2 * sigma**2) + np.log(sigma * np.sqrt(2 * np.pi)), UNKNOWN)
    spoken = cut.words[cut.words >= 0]
    return float(errors.sum() + prices_of(book)[spoken].sum() + CONTEXT_COST * contexts)


def with_leader(
    book: Book, names: tuple[str, ...], patterns: Sequence[FloatArray], spreads: FloatArray
) -> tuple[Book, tuple[str, ...], str]:
    """Say of which word leaders consist; give one of its own to the first pattern that no word fits."""
    made_of = [_word_of(pattern, book, spreads) for pattern in patterns]
    if None not in made_of:
        return book, names, names[made_of[0] or 0]
    pattern = patterns[made_of.index(None)]
    first = len(book.centres)
    unit = pattern
    if len(pattern) == 2 and abs(pattern[0] - pattern[1]) < 0.1:
        unit = np.full(1, pattern.mean())
    classes, word = list(book.centres), []
    for value in unit:
        near = next((k for k in range(first, len(classes)) if abs(classes[k] - value) < 0.08), None)
        if near is None:
            classes.append(float(value))
            near = len(classes) - 1
        word.append(near)
    if len(word) == 1 and all(len(other) % 2 == 0 for other in book.words):
        word *= 2
    grown = replace(book, words=(*book.words, tuple(word)), centres=tuple(classes), bits=(*book.bits, -1))
    return grown, (*names, "L"), "L"


def _word_of(pattern: FloatArray, book: Book, spreads: FloatArray) -> int | None:
    """The word of which something that repeats itself consists, if words explain it."""
    repeats = max(3, int(np.ceil(3 * max(map(len, book.words)) / len(pattern))))
    tiled = np.tile(pattern, repeats)
    count = len(tiled)
    made_up = Tokens(
        np.zeros(count),
        np.exp(tiled),
        np.zeros(count, np.bool_),
        np.zeros(count, np.bool_),
        np.zeros(count, np.int32),
    )
    cut = parse_book(made_up, book, spreads)
    spoken = Counter(cut.words[cut.words >= 0].tolist())
    return spoken.most_common(1)[0][0] if spoken and cut.explained > 0.7 else None


def _with_strange_mark(
    tokens: Tokens, book: Book, cut: Parse, lead: int
) -> tuple[Book, FloatArray, Parse] | None:
    """Give a word of its own to half-waves behind leaders that are of lengths too rare to be a class."""
    found = [tokens.logs[first:end] for first, end in _unexplained_after(tokens, cut, lead)]
    length = statistics.mode(map(len, found)) if found else 0
    alike = [logs for logs in found if len(logs) == length]
    is_even = all(len(word) % 2 == 0 for word in book.words)
    if len(alike) < FEWEST_STRANGE or (is_even and length % 2) or book.shape in ("bursts", "burst or none"):
        return None
    middle = np.median(alike, axis=0)
    if np.median(np.abs(np.array(alike) - middle)) > MOVED:
        return None
    classes = list(book.centres)
    word = tuple(_class_of(float(value), classes) for value in middle)
    if len(classes) == len(book.centres):
        return None
    grown = replace(book, words=(*book.words, word), centres=tuple(classes), bits=(*book.bits, -1))
    book, spreads, again = _settled(tokens, grown)
    is_word = again.words == len(book.words) - 1
    run = max(1, RIM // len(book.words[lead]) // 2)
    is_led = is_word.any() and _led(again, lead, run)[is_word].mean() > BEHIND_LEADERS
    return (book, spreads, again) if is_led and again.cost < cut.cost - WORTH_A_WORD else None


def _class_of(value: float, classes: list[float]) -> int:
    """Which class a length is of; a new one, if none is near."""
    near = next((k for k, centre in enumerate(classes) if abs(centre - value) < SAME_CLASS), None)
    if near is None:
        classes.append(value)
    return len(classes) - 1 if near is None else near


def _unexplained_after(tokens: Tokens, cut: Parse, lead: int) -> Iterator[tuple[int, int]]:
    """First and end of each few half-waves that no word explains, between a leader and a word."""
    first, before = -1, -1
    for word, place in zip(cut.words.tolist(), cut.places.tolist(), strict=True):
        if tokens.breaks[place]:
            first, before = -1, -1
        if word < 0:
            first = place if first < 0 else first
            continue
        if before == lead and first >= 0 and place - first <= LONGEST_MARK:
            yield first, place
        first, before = -1, word


def _with_marks(
    tokens: Tokens, book: Book, names: tuple[str, ...], cut: Parse,
    spreads: FloatArray, leader: str,
) -> tuple[Book, tuple[str, ...], Parse]:  # fmt: skip
    """Give a word of its own to what stands unexplained between a leader and data, or again and again."""
    if book.shape in ("bursts", "burst or none") or leader == "":
        return book, names, cut
    lead = names.index(leader)
    run = max(1, RIM // len(book.words[lead]) // 2)
    for letter in sorted(set("MN").difference(names)):
        grown = None
        tolerant = _tolerant(spreads)
        least = cut.cost - WORTH_A_WORD
        for word in _mark_candidates(tokens, book, names, cut, leader):
            candidate = replace(book, words=(*book.words, word), bits=(*book.bits, -1))
            again = parse_book(tokens, candidate, tolerant)
            if again.cost < (grown[1].cost if grown else least) and _follows(
                again, len(book.words), lead, run
            ):
                grown = candidate, again
        if grown is None:
            break
        book, cut = grown
        names = (*names, letter)
    return book, names, cut


def _follows(cut: Parse, word: int, leader: int, run: int) -> bool:
    """Whether a word stands mostly behind leaders, and behind most of those that anything known follows."""
    led = _led(cut, leader, run)
    is_word = cut.words == word
    ends = led & (cut.words != leader) & (cut.words >= 0)
    if not is_word.any() or not ends.any():
        return False
    return float(led[is_word].mean()) > BEHIND_LEADERS and float(is_word[ends].mean()) > BEHIND_LEADERS


def _led(cut: Parse, leader: int, run: int) -> npt.NDArray[np.bool_]:
    """Right before which words so many stand that leaders consist of."""
    is_leader = np.concatenate((np.zeros(run, np.int64), (cut.words == leader).astype(np.int64)))
    fewest = run if leader < 2 else MOSTLY_LED * run  # the first two words are the bits
    led = np.convolve(is_leader, np.ones(run, np.int64), "valid")[: len(cut.words)] >= fewest
    return np.asarray(led & (is_leader[run - 1 : -1] == 1))


def _is_made_of(word: tuple[int, ...], words: tuple[tuple[int, ...], ...]) -> bool:
    """Whether a word is nothing but others in a row."""
    return not word or any(
        word[: len(other)] == other and _is_made_of(word[len(other) :], words) for other in words
    )


def _mark_candidates(
    tokens: Tokens, book: Book, names: tuple[str, ...], cut: Parse, leader: str
) -> list[tuple[int, ...]]:
    """Unexplained half-waves between leader and data, and pairs of unlike ones that may stand there."""
    kinds = nearest_class(tokens.logs, np.array(book.centres))
    lead = names.index(leader)
    found: Counter[tuple[int, ...]] = Counter()
    stretch: list[int] = []
    before = -1
    for word, place in zip(cut.words.tolist(), cut.places.tolist(), strict=True):
        if word < 0:
            if tokens.breaks[place]:
                stretch, before = [], -1
            stretch.append(int(kinds[place]))
            continue
        if 0 < len(stretch) <= LONGEST_MARK and -1 not in stretch and before == lead:
            found[tuple(stretch)] += 1
        stretch, before = [], word
    if not found:
        return []
    bits = sorted({k for word, price in zip(book.words, book.bits, strict=True) if price > 0 for k in word})
    is_even = all(len(word) % 2 == 0 for word in book.words)
    unlike = [(a, b) for a in bits for b in bits if a != b] if is_even else []
    candidates = [word for word, _ in found.most_common(2)] + unlike
    # Where all words are whole cycles an odd mark would turn everything after it upside down.
    return [
        word
        for word in dict.fromkeys(candidates)
        if not _is_made_of(word, book.words) and not (is_even and len(word) % 2)
    ]


def _commonest(cut: Parse, names: tuple[str, ...]) -> str:
    words = cut.words[cut.words >= 0]
    return names[int(np.bincount(words).argmax())] if len(words) else "0"
