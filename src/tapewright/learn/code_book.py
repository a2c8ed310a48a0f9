"""The code book: which two words, made of a few lengths of half-wave, could a recording be made of?

Every family of line code comes down to two words over a small alphabet of durations. This module draws up
candidates from how durations follow one another; :mod:`tapewright.learn.parse` says how well each explains
what was heard, so that drawing up too many does no harm.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, groupby, pairwise

import numpy as np
import numpy.typing as npt

from tapewright.learn.durations import Tokens

__all__ = ["Book", "draw_up"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: A duration belongs to a length within this ratio of it, as a logarithm, unless another is nearer.
NEAR = 0.22
#: This share of runs must be whole multiples for a word to be taken to have that length.
WHOLE_RUNS = 0.72
LONGEST_WORD = 40
MOST_SILENT_BITS = 12
#: Two lengths that make up less than this share of all half-waves are not what bits are made of.
LEAST_SHARE = 0.45
#: Lengths nearer than this, as a logarithm, are one length.
ONE_LENGTH = 0.14
#: A rest is longer than the half-waves of its burst by this factor at least.
REST = 1.8


@dataclass(frozen=True)
class Book:
    """Two words, as sequences of duration classes.

    Parameters
    ----------
    shape : {"runs", "mirrored pairs", "run pairs", "bursts", "burst or none", "shifted"}
        How the words came about.
    words : tuple of tuple of int
        Entry w: the classes of the half-waves of word w.
    centres : tuple of float
        Logarithm of each class's duration in microseconds.
    bits : tuple of int
        Entry w: how many bits word w stands for, -1 for a leader or a mark. Mostly there are two words of one
        bit each. Where silence is a bit, word k is a burst followed by k silent bits. Where words are
        shifted, the third and the fourth are the first two before one of the other kind.
    """

    shape: str
    words: tuple[tuple[int, ...], ...]
    centres: tuple[float, ...]
    bits: tuple[int, ...] = (1, 1)

    def spelt(self) -> list[FloatArray]:
        """Each word as logarithms of durations."""
        centres = np.array(self.centres)
        return [centres[list(word)] for word in self.words]

    def merged(self) -> Book:
        """The same with nearly equal lengths taken for one, as where the first cycle is stretched."""
        if self.shape in ("bursts", "burst or none", "shifted"):
            return self  # their lengths come as near one another as they like
        centres = list(self.centres)
        used = sorted({k for word in self.words for k in word}, key=lambda k: centres[k])
        stands_for = {used[0]: used[0]}
        for k, after in pairwise(used):
            alike = centres[after] - centres[k] < ONE_LENGTH
            stands_for[after] = stands_for[k] if alike else after
        for k in set(stands_for.values()):
            group = [other for other, to in stands_for.items() if to == k]
            centres[k] = sum(centres[other] for other in group) / len(group)
        words = tuple(tuple(stands_for[k] for k in word) for word in self.words)
        return replace(self, words=words, centres=tuple(centres))

    def ended_by_rest(self) -> Book:
        """The same with the rest last of which every word has one.

        What stands after it in all of them, or before it in all, may as well belong to the next word or to
        the one before: the first half-wave after a rest, which comes out longer, may cut words there.
        """
        rest = max(self.words[0], key=lambda k: self.centres[k])
        others = [self.centres[k] for word in self.words for k in word if k != rest]
        is_rest = bool(others) and self.centres[rest] - max(others) >= np.log(REST)
        if not is_rest or any(word.count(rest) != 1 for word in self.words):
            return self
        places = [word.index(rest) + 1 for word in self.words]
        begins = [word[:place] for word, place in zip(self.words, places, strict=True)]
        ends = [word[place:] for word, place in zip(self.words, places, strict=True)]
        if len(set(begins)) > 1 and len(set(ends)) > 1:
            return self
        words = tuple(end + begin for end, begin in zip(ends, begins, strict=True))
        return replace(self, words=words)

    @property
    def key(self) -> tuple[tuple[float, ...], ...]:
        """What makes two books the same: their words spelt out, in either order."""
        return tuple(sorted(tuple(round(self.centres[k], 2) for k in word) for word in self.words))


def draw_up(tokens: Tokens, classes: FloatArray) -> list[Book]:
    """Draw up the books that the order of durations suggests, given one opinion on their classes."""
    if not len(classes):
        return []
    kinds = nearest_class(tokens.logs, classes)
    centres = tuple(float(c) for c in classes)
    drawn = (book.ended_by_rest() for book in _all_books(tokens, kinds, centres))
    books = {book.key: book for book in drawn}
    return list(books.values())


def nearest_class(logs: FloatArray, classes: FloatArray) -> IntArray:
    """Number of the class each duration belongs to, or -1."""
    distance = np.abs(logs[:, np.newaxis] - classes[np.newaxis, :])
    kinds = distance.argmin(axis=1)
    return np.asarray(np.where(distance[np.arange(len(logs)), kinds] < NEAR, kinds, -1), np.int64)


def _all_books(tokens: Tokens, kinds: IntArray, centres: tuple[float, ...]) -> Iterator[Book]:
    total = max(1, len(kinds))
    common = [k for k, n in Counter(kinds.tolist()).most_common(5) if k >= 0 and n > 0.01 * total]
    for a, b in combinations(sorted(common), 2):
        if np.isin(kinds, (a, b)).sum() < LEAST_SHARE * total:
            continue
        runs = _runs([(int(k),) for k in kinds], (a,), (b,), tokens.breaks)
        yield from _books_of_runs(runs, (a,), (b,), centres)
        yield from _bursts(tokens, kinds, a, b, centres)
        yield from _shifted(kinds, a, b, tokens.breaks, centres)
    for parity in (True, False):
        cycles, breaks = _cycles(tokens, kinds, parity)
        kept = Counter(cycle for cycle in cycles if -1 not in cycle)
        usual = [cycle for cycle, n in kept.most_common(4) if n > 0.02 * len(cycles)]
        for u, v in combinations(usual, 2):
            if kept[u] + kept[v] < LEAST_SHARE * len(cycles):
                continue
            runs = _runs(cycles, u, v, breaks)
            yield from _books_of_runs(runs, u, v, centres)


def _shifted(
    kinds: IntArray, a: int, b: int, breaks: npt.NDArray[np.bool_], centres: tuple[float, ...]
) -> Iterator[Book]:
    """Words that begin within a half-wave: the last one of each depends on the word after it.

    As where a port steps through levels and a symbol does not begin at the one nearest to zero.
    """
    lengths = np.array(centres)
    between = np.flatnonzero((lengths > lengths[a] + 0.02) & (lengths < lengths[b] - 0.02))
    if not len(between):
        return
    inside = np.isin(kinds, between)
    before, after = np.full(len(kinds), -1), np.full(len(kinds), -1)
    before[1:], after[:-1] = kinds[:-1], kinds[1:]
    up = inside & (before == a) & (after == b)
    down = inside & (before == b) & (after == a)
    usual = [int(np.bincount(kinds[k]).argmax()) if k.sum() >= 8 else None for k in (up, down)]
    if usual == [None, None]:
        return
    (x, y), centres = _both_shifted(usual, a, b, centres)
    letters = np.where((kinds == a) | up, a, np.where((kinds == b) | down, b, -1))
    runs = _runs([(int(k),) for k in letters], (a,), (b,), breaks)
    for book in _books_of_runs(runs, (a,), (b,), centres):
        if book.shape == "runs":
            (m, n) = map(len, book.words)
            words = ((a,) * m, (b,) * n, (a,) * (m - 1) + (x,), (b,) * (n - 1) + (y,))
            yield Book("shifted", words, centres, (1, 1, 1, 1))


def _both_shifted(
    usual: Sequence[int | None], a: int, b: int, centres: tuple[float, ...]
) -> tuple[tuple[int, int], tuple[float, ...]]:
    """The class of a half-wave before a change to longer ones, and to shorter ones; all classes with them.

    One is longer than its like by as much as the other is shorter, so that one that passes for its like, as
    it differs by a few per cent only, follows from the other.
    """
    x, y = usual
    ends_us = np.exp(centres[a]) + np.exp(centres[b])
    if x is None or y is None:
        other = x if y is None else y
        assert other is not None  # one of them is known
        centres = (*centres, float(np.log(ends_us - np.exp(centres[other]))))
    return (len(centres) - 1 if x is None else x, len(centres) - 1 if y is None else y), centres


def _cycles(
    tokens: Tokens, kinds: IntArray, rising: bool
) -> tuple[list[tuple[int, ...]], npt.NDArray[np.bool_]]:
    """Pairs of half-waves, of which the first begins with a rising (falling) edge."""
    first = np.flatnonzero((tokens.rising[:-1] == rising) & ~tokens.breaks[1:])
    pairs: list[tuple[int, ...]] = list(zip(kinds[first].tolist(), kinds[first + 1].tolist(), strict=True))
    breaks = np.ones(len(first), np.bool_)
    breaks[1:] = (np.diff(first) != 2) | tokens.breaks[first[1:]]
    return pairs, breaks


def _runs(
    items: Sequence[tuple[int, ...]], a: tuple[int, ...], b: tuple[int, ...], breaks: npt.NDArray[np.bool_]
) -> list[tuple[str, int]]:
    """Runs of a's and b's and of anything else (``"?"``), with their lengths; a break is a ``"?"``."""
    letters = []
    for item, is_break in zip(items, breaks.tolist(), strict=True):
        if is_break:
            letters.append("?")
        letters.append("a" if item == a else "b" if item == b else "?")
    return [(letter, sum(1 for _ in group)) for letter, group in groupby(letters)]


def _books_of_runs(
    runs: list[tuple[str, int]], a: tuple[int, ...], b: tuple[int, ...], centres: tuple[float, ...]
) -> Iterator[Book]:
    # A run beside something unknown may have been cut.
    whole = [
        run
        for before, run, after in zip(runs, runs[1:], runs[2:], strict=False)
        if run[0] != "?" and before[0] != "?" and after[0] != "?"
    ]
    if len(whole) < 8:
        return
    lengths = {letter: [n for which, n in whole if which == letter] for letter in "ab"}
    steps = {letter: _word_lengths(lengths[letter]) for letter in "ab"}
    for m in steps["a"]:
        for n in steps["b"]:
            yield Book("runs", (a * m, b * n), centres)
            if max(m, n) * max(len(a), len(b)) <= LONGEST_WORD // 2:
                yield Book("mirrored pairs", (a * m + b * n, b * n + a * m), centres)
    for first, second, x, y in (("a", "b", a, b), ("b", "a", b, a)):
        pairs = Counter((p[1], q[1]) for p, q in pairwise(runs) if p[0] == first and q[0] == second)
        usual = [pair for pair, _ in pairs.most_common(3)]
        for one, other in combinations(usual, 2):
            words = tuple(x * p + y * q for p, q in (one, other))
            if max(map(len, words)) <= 3 * LONGEST_WORD:
                yield Book("run pairs", words, centres)


def _word_lengths(runs: list[int]) -> list[int]:
    """Lengths of which nearly all runs are whole multiples: the longest, and half of it."""
    if not runs:
        return [1]
    counts = Counter(n for n in runs)
    total = sum(counts.values())
    whole = [
        m
        for m in range(1, min(LONGEST_WORD, max(counts)) + 1)
        if sum(n for length, n in counts.items() if length % m == 0) >= WHOLE_RUNS * total
    ]
    longest = max(whole)
    return sorted({longest, longest // 2 if longest % 2 == 0 else longest}, reverse=True)


def _bursts(tokens: Tokens, kinds: IntArray, a: int, g: int, centres: tuple[float, ...]) -> Iterator[Book]:
    """Bursts of half-waves `a`, each ended by a rest: two usual numbers of half-waves, or two rests."""
    if centres[g] - centres[a] < np.log(REST):
        return
    rests = np.flatnonzero(tokens.us > np.exp(centres[g]) / 1.25)
    if len(rests) < 8:
        return
    counts: Counter[int] = Counter()
    inside: dict[int, list[IntArray]] = {}
    ends: list[int] = []
    for first, end in pairwise(rests):
        n = int(end - first - 1)
        if n > 0 and not tokens.breaks[first + 1 : end + 1].any():
            counts[n] += 1
            inside.setdefault(n, []).append(kinds[first + 1 : end])
            ends.append(int(end))
    # The first and the last half-wave of a burst may be longer: each place has its usual length.
    usual = {n: _usual(inside[n], a) for n, _ in counts.most_common(4) if n <= LONGEST_WORD}
    for one, other in combinations(usual, 2):
        yield Book("bursts", ((*usual[one], g), (*usual[other], g)), centres)
    if usual:
        commonest = next(iter(usual))
        if counts[commonest] > 0.7 * len(ends):
            yield from _burst_or_none(usual[commonest], tokens.us[ends], centres)


def _usual(bursts: list[IntArray], a: int) -> tuple[int, ...]:
    """The commonest class in each place of bursts of one length."""
    columns = np.array(bursts).T
    found = [Counter(column[column >= 0].tolist()).most_common(1) for column in columns]
    return tuple(int(common[0][0]) if common else a for common in found)


def _burst_or_none(
    burst: tuple[int, ...], rests_us: FloatArray, centres: tuple[float, ...]
) -> Iterator[Book]:
    """Bursts all alike, after which silence lasts for none, one, two ... further bits."""
    shortest = float(np.median(rests_us[rests_us < 1.25 * np.percentile(rests_us, 5)]))
    burst_us = sum(float(np.exp(centres[k])) for k in burst) + shortest
    cell_us = burst_us
    for _ in range(3):  # the cell is the burst and its rest, and what longer rests have more
        cells = np.round((rests_us - shortest) / cell_us)
        longer = cells > 0
        if longer.sum() < 3:
            return
        cell_us = float(np.median((rests_us[longer] - shortest) / cells[longer]))
    if abs(cell_us / burst_us - 1) > 0.08:
        return
    most = int(min(max(1, np.percentile(cells, 99.5)), MOST_SILENT_BITS))
    rests = [float(np.log(shortest + k * cell_us)) for k in range(most + 1)]
    classes = (*centres, *rests)
    words = tuple((*burst, len(centres) + k) for k in range(most + 1))
    yield Book("burst or none", words, classes, tuple(range(1, most + 2)))
