"""Symbols to blocks: try every place where one could start, and keep what chance does not explain."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import numpy.typing as npt

from tapewright.blocks.evidence import LEAST_STRUCTURE, Parsed
from tapewright.blocks.items import followers
from tapewright.blocks.missing import Placed, missing_blocks, places
from tapewright.blocks.parse import Parser
from tapewright.blocks.reader import ByteReader
from tapewright.blocks.scores import SymbolScores
from tapewright.blocks.search import Candidate, Search
from tapewright.blocks.sequence import Sequence, lead_seconds
from tapewright.blocks.silence import why_nothing
from tapewright.blocks.text import is_free_text
from tapewright.cards import Alphabet, FormatCard, check_width_bytes
from tapewright.model import GAP, Block, Fault, Span, Symbols
from tapewright.model.scratch import let_go

__all__ = ["FOLLOW_BITS", "LEAST_BITS", "decode"]

#: A block is reported only if its leader, sync, framing, constants and check together explain what was heard
#: so much better than chance. Everything counted is a log-likelihood ratio (leaders and repeated bytes even
#: less than that), so random symbols reach b bits at a given place with probability 2**-b at most. An hour at
#: 1200 bit/s offers 2**22 places, so a false block has a chance of 2**(22 - 46), 6e-8 an hour.
LEAST_BITS = 46.0
#: A block that should follow another has one place instead of four million, and 22 bits less to show.
FOLLOW_BITS = 24.0
#: Whatever its check says, a block shows this much else: a check of 8 bits alone is right once in 256.
LEAST_BITS_WITHOUT_CHECK = 20.0
#: Most confidence of bytes that may be shifted by a lost symbol, and the chance of an error from which on
#: they may (measured: scripts/measure-confidence).
SHIFTED = 0.5
DOUBTFUL_ERROR = 0.01
#: A block starting within another is believed, if the other's check does not vouch for it, with a leader
#: worth so many bits or a good check of its own.
INNER_LEAD_BITS = 8.0
#: Leader and sync that are worth so much make a block even where its length is damaged.
CERTAIN_HEAD_BITS = 24.0


def decode(
    symbols: Symbols, reader: ByteReader, card: FormatCard
) -> tuple[tuple[Block, ...], tuple[Fault, ...]]:
    """Find the blocks of a card in a stream of symbols.

    Parameters
    ----------
    symbols : Symbols
    reader : ByteReader
        Framing over the same symbols.
    card : FormatCard

    Returns
    -------
    blocks : tuple of Block
        In order of time. A block whose check fails or whose end is missing is among them, with its bytes.
        So is one that was not heard but must have been there: its bytes are 0 with confidence 0, and it has
        a fault of kind ``missing-block``.
    faults : tuple of Fault
        Where nothing was found, what was missing: signal, leader, sync, or a block after them.
    """
    scores = SymbolScores(symbols)
    search = Search(symbols, scores, reader, card)
    heard = search.everywhere()
    scan = _Scan(symbols, scores, reader, card, search, heard.candidates)
    found = list(scan.blocks())
    blocks = [
        _block(symbols, card, parsed, placed, after)
        for parsed, placed, after in _with_room(found, places(scan.sequence))
    ]
    if not blocks:
        return (), why_nothing(symbols, card, heard, scan.best_bits)
    blocks += missing_blocks(scan.sequence)
    return tuple(sorted(blocks, key=lambda block: block.span)), ()


class _Scan:
    """Goes through the candidates in order of time."""

    def __init__(
        self,
        symbols: Symbols,
        scores: SymbolScores,
        reader: ByteReader,
        card: FormatCard,
        search: Search,
        candidates: list[Candidate],
    ) -> None:
        self.symbols, self.scores, self.reader, self.card = symbols, scores, reader, card
        self.search, self.candidates = search, candidates
        self.starts = np.array([candidate.start for candidate in candidates], np.int64)
        self.sequence = Sequence(symbols, card)
        self.cursor = 0
        #: What does not hold text from one place on does not hold it from the next either.
        self.no_text_until = 0
        self.best_bits = -np.inf
        #: What `_is_block_within` answered, by the candidate's number. Where a sync is much like its leader,
        #: every symbol of a leader is a candidate, and lies within the blocks of all those before it.
        self.within: dict[int, bool] = {}

    def blocks(self) -> Iterator[Parsed]:
        """Yield every block that stands up to the evidence."""
        number, near = 0, self.card.byte.symbols_per_byte + 4
        while number < len(self.candidates):
            candidate = self.candidates[number]
            number += 1
            if candidate.start < self.cursor:
                continue
            rivals = [candidate]
            while number < len(self.candidates) and self.candidates[number].start <= candidate.start + near:
                rivals.append(self.candidates[number])
                number += 1
            parsed = self._best(rivals, LEAST_BITS)
            if parsed is None:
                self.cursor = max(self.cursor, self.no_text_until)
            while parsed is not None:
                self.cursor = max(parsed.core_end, self.cursor)
                self.sequence.take(parsed)
                self.within.clear()  # what a block holds may hang on numbers of the one before it
                let_go()
                yield parsed
                parsed = self._next(parsed)

    def _next(self, parsed: Parsed) -> Parsed | None:
        """Look for a block where one should follow."""
        trailer = lead_seconds(reversed(parsed.layout.layout))
        expected = [
            self.search.after(layout, parsed.core_end, trailer) for layout in self.sequence.expected()
        ]
        return self._best([c for c in expected if c is not None and c.start >= self.cursor], FOLLOW_BITS)

    def _best(self, candidates: list[Candidate], least: float) -> Parsed | None:
        read = [self._read(candidate, least) for candidate in candidates]
        return max(
            (parsed for parsed in read if self._stands(parsed, least) or self._stands_with_next(parsed)),
            key=lambda parsed: parsed.evidence_bits,
            default=None,
        )

    def _read(self, candidate: Candidate, least: float) -> Parsed:
        """Read the block at a candidate, up to where another one certainly starts."""
        parsed = self._parse(candidate, len(self.symbols))
        is_certain = candidate.fit_bits > 0 and candidate.bits >= CERTAIN_HEAD_BITS
        if self._stands(parsed, least) or is_certain:
            limit = self._inner_start(candidate, parsed)
            if limit is not None:
                return self._parse(candidate, limit)
        return parsed

    def _inner_start(self, candidate: Candidate, parsed: Parsed) -> int | None:
        """Find a block starting within this one that has more to show for itself."""
        if parsed.check == "ok":
            return None
        first = int(
            np.searchsorted(self.starts, candidate.start + self.card.byte.symbols_per_byte + 4, "right")
        )
        last = int(np.searchsorted(self.starts, parsed.core_end))
        for number in range(first, last):
            if number not in self.within:
                self.within[number] = self._is_block_within(self.candidates[number])
            if self.within[number]:
                return max(self.candidates[number].lead_first, candidate.start)
        return None

    def _is_block_within(self, inner: Candidate) -> bool:
        """Whether a block starts here even if this is the middle of another."""
        if inner.lead_bits < INNER_LEAD_BITS and inner.fit_bits < LEAST_BITS / 2:
            return False
        other = self._parse(inner, len(self.symbols))
        is_sure = other.check == "ok" or inner.lead_bits >= INNER_LEAD_BITS
        return is_sure and self._stands(other, LEAST_BITS)

    def _parse(self, candidate: Candidate, limit: int, inherited: Mapping[str, int] | None = None) -> Parsed:
        if inherited is None:
            inherited = self.sequence.inherited(candidate.layout)
        parser = Parser(
            self.symbols, self.scores, self.reader, self.card, candidate.layout, inherited, limit
        )  # fmt: skip
        return parser.parse(candidate.start, candidate.lead_first, candidate.lead_bits, candidate.faults)

    def _stands(self, parsed: Parsed, least: float) -> bool:
        self.best_bits = max(self.best_bits, parsed.evidence_bits)
        vouched = sum(8.0 * check_width_bytes(item.check) for item, *_, ok in parsed.checks if ok)
        if parsed.structure < LEAST_STRUCTURE and is_free_text(parsed.layout, self.card.byte):
            self.no_text_until = max(self.no_text_until, parsed.core_end)
        has_bytes = parsed.core_end > parsed.core_first and (parsed.data is not None or parsed.complete)
        return (
            has_bytes
            and parsed.evidence_bits >= least
            and parsed.structure >= LEAST_STRUCTURE
            and parsed.evidence_bits - vouched >= LEAST_BITS_WITHOUT_CHECK
        )

    def _stands_with_next(self, parsed: Parsed) -> bool:
        """Whether a header with little to show is followed by a block that should follow it."""
        if not parsed.complete or not self._stands(parsed, FOLLOW_BITS):
            return False
        numbers = {**self.sequence.inherited(parsed.layout), **parsed.numbers}
        for layout in followers(self.card, parsed.layout):
            candidate = self.search.after(
                layout, parsed.core_end, lead_seconds(reversed(parsed.layout.layout))
            )
            if candidate is None:
                continue
            after = self._parse(candidate, len(self.symbols), numbers)
            together = parsed.evidence_bits + after.evidence_bits
            if self._stands(after, FOLLOW_BITS) and together >= LEAST_BITS + FOLLOW_BITS:
                return True
        return False


def _with_room(found: list[Parsed], placed: list[Placed]) -> Iterator[tuple[Parsed, Placed, int]]:
    """Yield each block with the symbol before which the one before it ended."""
    end = 0
    for parsed, place in zip(found, placed, strict=True):
        yield parsed, place, end
        let_go()
        end = parsed.end_symbol


def _block(symbols: Symbols, card: FormatCard, parsed: Parsed, placed: Placed, after: int) -> Block:
    first = min(max(parsed.first_symbol, after), parsed.core_first)
    first += int(np.argmax(symbols.index[first : parsed.core_first + 1] != GAP))  # not the silence before it
    last = max(parsed.end_symbol, parsed.core_end) - 1
    chosen = slice(first, last + 1)
    heard = symbols.index[chosen] >= 0
    data, confidence, seconds = b"", np.zeros(0), np.zeros(0)
    if parsed.data is not None:
        lost = np.zeros(parsed.lost)  # promised and never heard: 00, so that lengths and addresses stay true
        data = (parsed.data.plain + bytes(parsed.lost))[: placed.count]
        confidence = np.concatenate((_weighed(parsed, card), lost))[: placed.count]
        if parsed.check != "ok":
            confidence = confidence * _in_place(symbols, parsed)
        seconds = _start_seconds(symbols, parsed.data.first_symbol, parsed.data.end_symbol)
        seconds = np.concatenate((seconds, lost + float(symbols.end_seconds[last])))[: placed.count]

    def mean(values: npt.NDArray[np.floating]) -> float:
        return float(np.mean(values[chosen][heard])) if heard.any() else 0.0

    return Block(
        kind=parsed.layout.kind,
        span=Span(float(symbols.start_seconds[first]), float(symbols.end_seconds[last])),
        fields={**parsed.numbers, **parsed.texts},
        address=placed.address,
        data=data,
        byte_confidence=confidence,
        byte_seconds=seconds,
        check=parsed.check,
        faults=parsed.faults,
        speed=mean(symbols.speed),
        complete=parsed.complete,
        evidence_bits=parsed.evidence_bits,
        level=mean(symbols.level),
        noise=mean(symbols.noise),
        check_said=tuple(said for _, said, *_ in parsed.checks),
    )


def _weighed(parsed: Parsed, card: FormatCard) -> npt.NDArray[np.float64]:
    """Let the check have its say on how sure the bytes are.

    With c the probability that all bytes are right, a check of w bits that is good leaves an error with
    probability (1 - c) 2**-w / (c + (1 - c) 2**-w); one that fails says there is an error somewhere, and
    each byte's share in it grows by 1 / (1 - c). So it is with the probability that a byte is out of place:
    such a byte is no surer than `SHIFTED`. Where symbols differ in length and nothing marks where a
    byte begins, that error is as likely a symbol too many or too few, and then all bytes after it are
    shifted: from the first doubtful byte on, none is surer than `SHIFTED`. Where no check was reached, each
    doubtful byte takes its share of what comes after.
    """
    if parsed.data is None:
        return np.zeros(0)
    confidence = parsed.data.confidence
    may_shift = not card.byte.is_asynchronous and not Alphabet.of(card).equal_lengths
    if not len(confidence):
        return confidence
    out_of_place = 1.0 - parsed.in_place
    if not parsed.checks:  # none in the format, or none reached
        confidence = _perhaps_shifted(confidence) if may_shift else confidence
        return np.asarray(confidence * (1.0 - out_of_place * (1.0 - SHIFTED)))
    all_right = min(parsed.all_right * float(parsed.in_place.min()), 1.0 - 1e-12)
    error = 1.0 - confidence
    if parsed.agrees:
        passes = 2.0**-parsed.check_bits
        vouched = passes / (all_right + (1.0 - all_right) * passes)
        error, out_of_place = error * vouched, out_of_place * vouched
    elif not all(ok for *_, ok in parsed.checks):
        error, out_of_place = error / (1.0 - all_right), np.minimum(out_of_place / (1.0 - all_right), 1.0)
    sure = np.clip(1.0 - error, 0.0, 1.0) * (1.0 - out_of_place * (1.0 - SHIFTED))
    if may_shift and not all(ok for *_, ok in parsed.checks):
        doubtful = np.flatnonzero((error > DOUBTFUL_ERROR) | (confidence <= 0))
        first = int(doubtful[0]) if len(doubtful) else 0
        sure[first:] = np.minimum(sure[first:], SHIFTED)
    return np.where(confidence > 0, sure, 0.0)


def _in_place(symbols: Symbols, parsed: Parsed) -> float:
    """How likely it is that the bytes stand where they seem to.

    Where a block's beginning was not heard well, the bytes after it may be in their places or not, whatever
    they look like themselves.
    """
    assert parsed.data is not None  # see `_block`
    until = int(parsed.data.first_symbol[0]) if len(parsed.data.first_symbol) else parsed.core_first
    beginning = slice(parsed.core_first, until)
    best = np.nan_to_num(symbols.log_p[beginning].max(axis=1, initial=-np.inf), nan=-np.inf)
    sure = np.where(symbols.index[beginning] >= 0, best, -np.inf)
    heard = float(np.exp(sure.sum()))
    return heard + (1.0 - heard) * SHIFTED


def _perhaps_shifted(confidence: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Without a check, every doubtful byte before makes it likelier that a byte is shifted."""
    error = 1.0 - confidence
    shift = np.where((error > DOUBTFUL_ERROR) & (confidence > 0), (1.0 - SHIFTED) * error, 0.0)
    in_place = np.concatenate(([1.0], np.cumprod(1.0 - shift)[:-1]))
    return np.asarray(confidence * in_place)


def _start_seconds(
    symbols: Symbols, first: npt.NDArray[np.int64], end: npt.NDArray[np.int64]
) -> npt.NDArray[np.float64]:
    """When each byte starts; bytes lost in one gap share its time, and one that came out of it took no longer
    than others.
    """
    seconds = symbols.start_seconds[first].astype(np.float64)
    ends = symbols.end_seconds[np.maximum(end - 1, first)]
    begins_lost, ends_lost = symbols.index[first] == GAP, symbols.index[np.maximum(end - 1, first)] == GAP
    whole = ~(begins_lost | ends_lost)
    if whole.any():
        usual = float(np.median((ends - seconds)[whole]))
        seconds = np.where(begins_lost & ~ends_lost, np.maximum(seconds, ends - usual), seconds)
    _, place, count = np.unique(first, return_index=True, return_counts=True)
    for k in np.flatnonzero(count > 1):
        until = float(ends[place[k] + count[k] - 1])
        seconds[place[k] : place[k] + count[k]] = np.linspace(
            symbols.start_seconds[first[place[k]]], until, count[k], endpoint=False
        )
    return seconds
