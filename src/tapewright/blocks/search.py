"""Places where a block could start: after a leader, or at a sync or mark."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from tapewright.blocks.evidence import SHORT_LEAD, SLACK_FACTOR, SLACK_SECONDS, lead_bits
from tapewright.blocks.items import constant_of, number_to_bytes
from tapewright.blocks.reader import ByteReader
from tapewright.blocks.scores import SymbolScores, first_best
from tapewright.cards import BlockLayout, FormatCard
from tapewright.cards.layout import FieldItem, Fixed, Gap, Lead, Mark, Sync
from tapewright.model import GAP, Fault, Symbols
from tapewright.model.scratch import pieces

__all__ = ["Candidate", "Heard", "Search"]

#: A place is looked at only if sync and leader before it are worth this many bits. Random symbols offer a
#: thousand such places in four million, an hour at 1200 bit/s, which costs a second (chosen).
LEAST_HEAD_BITS = 12.0
#: Of a sync, this share of what a perfect one scores must be there (one wrong symbol in two bytes passes).
LEAST_SHARE = 0.25
#: A leader worth less than this is no place to start reading (it is a quarter of what the card insists on).
LEAST_LEAD_BITS = 3.0
LEAD_SHARE, SURE_LEAD_BITS = 0.4, 25.0
LONGEST_ANCHOR = 48
WANTED_SYNC_SYMBOLS = 16
#: Signal that sets in after silence is a place to start reading if it goes on for so many bytes.
ONSET_SILENCE_SECONDS, ONSET_BYTES = 0.05, 8


@dataclass(frozen=True)
class Candidate:
    """A place where a block of some kind may start.

    Parameters
    ----------
    layout : BlockLayout
    start : int
        Symbol at which the first item after the leader starts.
    lead_first : int
        Where its leader starts.
    lead_bits : float
        What the leader is worth.
    fit_bits : float
        What the sync or mark is worth.
    faults : tuple of Fault
    """

    layout: BlockLayout
    start: int
    lead_first: int
    lead_bits: float
    fit_bits: float
    faults: tuple[Fault, ...] = ()

    @property
    def bits(self) -> float:
        """All of it."""
        return self.lead_bits + self.fit_bits


@dataclass
class Heard:
    """What there was to be heard, for saying why nothing was found."""

    longest_lead_seconds: float = 0.0
    asks_lead_seconds: float | None = None
    best_fit: float = 0.0
    asks_sync: bool = False
    candidates: list[Candidate] = field(default_factory=list)


class Search:
    """Finds candidates for every kind of block of a card.

    Parameters
    ----------
    symbols : Symbols
    scores : SymbolScores
    reader : ByteReader
    card : FormatCard
    """

    def __init__(self, symbols: Symbols, scores: SymbolScores, reader: ByteReader, card: FormatCard) -> None:
        self.symbols, self.scores, self.reader, self.card = symbols, scores, reader, card

    def everywhere(self) -> Heard:
        """Look through the whole recording; candidates come in order of place."""
        heard = Heard()
        for layout in self.card.block:
            lead, anchor = _head_lead(layout), self._anchor(layout)
            at_anchors: list[Candidate] = []
            if lead is not None:
                heard.asks_lead_seconds = max(heard.asks_lead_seconds or 0.0, lead.at_least)
                self._measure_leads(lead, heard)
            if anchor:
                heard.asks_sync = True
                at_anchors = self._at_anchors(layout, lead, anchor, heard)
                heard.candidates += at_anchors
            if self.card.byte.is_asynchronous:
                known = np.array([candidate.start for candidate in at_anchors], np.int64)
                heard.candidates += self._at_lead_ends(layout, lead, known)
                if not anchor:
                    heard.candidates += self._at_onsets(layout)
        heard.candidates.sort(key=lambda candidate: (candidate.start, -candidate.bits))
        return heard

    def after(self, layout: BlockLayout, place: int, seconds: float) -> Candidate | None:
        """Look for a block that should follow at `place`, after a trailer of `seconds` and its own leader."""
        n = len(self.symbols)
        if place >= n:
            return None
        lead, anchor = _head_lead(layout), self._anchor(layout)
        seconds += sum(_seconds_of(item) for item in _head(layout))
        slack = SLACK_SECONDS + SLACK_FACTOR * seconds if seconds else 0.0
        until = int(
            np.searchsorted(self.symbols.start_seconds, self.symbols.start_seconds[place] + slack, "right")
        )
        if anchor:
            back = max(0, place - len(anchor))
            fit = self.scores.pattern(anchor)[back : until + 1]
            if not len(fit) or fit.max() < LEAST_SHARE * len(anchor):
                return None
            return self._candidate(layout, lead, back + first_best(fit), float(fit.max()))
        if lead is not None and seconds:
            best = self.scores.lead_before(lead.lead).bits[place : until + 1]
            if len(best) and best.max() > 0:
                place += int(np.argmax(best))
        while place < n and self.symbols.index[place] == GAP:
            place += 1
        return self._candidate(layout, lead, place, 0.0) if place < n else None

    def _anchor(self, layout: BlockLayout) -> str:
        """Give the symbols a block of this kind always starts with, after its leader."""
        text = ""
        for item in layout.layout[len(_head(layout)) :]:
            if isinstance(item, Mark):
                text += item.mark
            elif isinstance(item, Sync):
                once = self.reader.symbols_of(item.sync)
                repeats = min(item.at_least or item.times, -(-WANTED_SYNC_SYMBOLS // max(1, len(once))))
                text += once * repeats
                if repeats < item.times:
                    break
            elif isinstance(item, Fixed):
                text += self.reader.symbols_of(item.to_tape(item.fixed))
            elif isinstance(item, FieldItem) and (constant := constant_of(item)) is not None:
                text += self.reader.symbols_of(item.to_tape(number_to_bytes(constant, item.type)))
            else:
                break
        return text[:LONGEST_ANCHOR]

    def _measure_leads(self, lead: Lead, heard: Heard) -> None:
        score = self.scores.lead_before(lead.lead)
        for part in pieces(len(score.bits)):
            ends = np.flatnonzero(score.bits[part] > 0) + part.start
            if not len(ends):
                continue
            seconds = self.symbols.end_seconds[ends - 1] - self.symbols.start_seconds[score.first[ends]]
            heard.longest_lead_seconds = max(heard.longest_lead_seconds, float(seconds.max()))

    def _at_anchors(
        self, layout: BlockLayout, lead: Lead | None, anchor: str, heard: Heard
    ) -> list[Candidate]:
        fit = self.scores.pattern(anchor)
        if len(fit):
            heard.best_fit = max(heard.best_fit, float(fit.max()) / len(anchor))
        found = [np.zeros(0, np.int64)]
        for part in pieces(len(fit)):
            total = fit[part].astype(np.float64)
            if lead is not None:
                total += np.minimum(self.scores.lead_before(lead.lead).bits[part], 2 * LEAST_HEAD_BITS)
                if any(isinstance(item, Gap) for item in _head(layout)):
                    total[self._is_after_gap(part)] += LEAST_HEAD_BITS
            # a leader may stand for a sync only in part
            fits = (total >= LEAST_HEAD_BITS) & (fit[part] >= LEAST_SHARE * len(anchor))
            found.append(np.flatnonzero(fits) + part.start)
        places = self._without_repeats(layout, np.concatenate(found))
        return [self._candidate(layout, lead, int(place), float(fit[place])) for place in places]

    def _is_after_gap(self, part: slice) -> npt.NDArray[np.bool_]:
        """Of each symbol of a part, whether the one before it is a gap."""
        before = self.symbols.index[max(part.start - 1, 0) : part.stop - 1] == GAP
        return before if part.start else np.concatenate(([False], before))

    def _without_repeats(self, layout: BlockLayout, places: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """Of a sync repeated many times, keep the first place only: the others are part of it."""
        sync = next((item for item in layout.layout if isinstance(item, Sync) and item.times > 1), None)
        if sync is None or not len(places):
            return places
        step = len(self.reader.symbols_of(sync.sync))
        return places[~np.isin(places - step, places)]

    def _at_lead_ends(
        self, layout: BlockLayout, lead: Lead | None, known: npt.NDArray[np.int64]
    ) -> list[Candidate]:
        """Ends of leaders, but for those at which a sync was found."""
        if lead is None or not len(self.symbols):
            return []
        score = self.scores.lead_before(lead.lead)
        bits, n = score.bits, len(self.symbols)
        found_ends = []
        for part in pieces(n):
            goes_on = bits[np.minimum(np.arange(part.start, part.stop) + len(lead.lead), n)]
            is_end = (bits[part] >= LEAST_LEAD_BITS) & (goes_on < bits[part])
            found_ends.append(np.flatnonzero(is_end) + part.start)
        ends = np.concatenate(found_ends)
        # unsure symbols add up to little, however many: a leader is one by most of its symbols
        ends = ends[bits[ends] >= np.minimum(SURE_LEAD_BITS, LEAD_SHARE * (ends - score.first[ends]))]
        seconds = self.symbols.end_seconds[ends - 1] - self.symbols.start_seconds[score.first[ends]]
        keep = ends[lead_bits(lead, seconds, bits[ends]) >= LEAST_LEAD_BITS]
        back = self.card.byte.symbols_per_byte + 2
        found = []
        for end in keep:
            candidate = self._candidate(layout, lead, int(end), 0.0)
            # the first start symbol may have been heard as leader, so reading starts a byte earlier
            start = max(candidate.lead_first, candidate.start - back)
            near = np.searchsorted(known, (start, candidate.start + 2 * back))
            if near[0] != near[1]:
                continue
            found.append(
                Candidate(layout, start, candidate.lead_first, candidate.lead_bits, 0.0, candidate.faults)
            )
        return found

    def _at_onsets(self, layout: BlockLayout) -> list[Candidate]:
        """Signal that sets in with bytes already running: the leader was not recorded."""
        n = len(self.symbols)
        if not n:
            return []
        gaps = np.flatnonzero(self.symbols.index == GAP)
        seconds = self.symbols.end_seconds[gaps] - self.symbols.start_seconds[gaps]
        places = gaps[seconds >= ONSET_SILENCE_SECONDS] + 1
        if self.symbols.index[0] != GAP:
            places = np.concatenate(([0], places))
        needed = ONSET_BYTES * self.card.byte.symbols_per_byte
        places = places[places + needed <= n]
        places = places[np.searchsorted(gaps, places + needed) == np.searchsorted(gaps, places)]
        return [Candidate(layout, int(place), int(place), 0.0, 0.0) for place in places]

    def _candidate(self, layout: BlockLayout, lead: Lead | None, start: int, fit_bits: float) -> Candidate:
        if lead is None:
            return Candidate(layout, start, start, 0.0, fit_bits)
        end = start
        if any(isinstance(item, Gap) for item in _head(layout)):
            while end > 0 and self.symbols.index[end - 1] == GAP:
                end -= 1
        score = self.scores.lead_before(lead.lead)
        seconds = score.seconds(self.symbols, end)
        bits = float(lead_bits(lead, seconds, score.bits[end])) if seconds else 0.0
        faults: tuple[Fault, ...] = ()
        if seconds < SHORT_LEAD * lead.at_least:
            at = float(self.symbols.start_seconds[min(start, len(self.symbols) - 1)])
            text = f"the leader before the block at {at:.3f} s lasts {seconds:.2f} s; the format asks for"
            faults = (Fault("lead", f"{text} {lead.at_least:g} s"),)
        return Candidate(layout, start, int(score.first[end]) if seconds else start, bits, fit_bits, faults)


def _head(layout: BlockLayout) -> list[Lead | Gap]:
    """List the leads and gaps a block starts with."""
    head: list[Lead | Gap] = []
    for item in layout.layout:
        if not isinstance(item, (Lead, Gap)):
            break
        head.append(item)
    return head


def _head_lead(layout: BlockLayout) -> Lead | None:
    """Give the last leader before the first byte or mark."""
    return next((item for item in reversed(_head(layout)) if isinstance(item, Lead)), None)


def _seconds_of(item: Lead | Gap) -> float:
    return item.seconds if isinstance(item, Lead) else item.gap
