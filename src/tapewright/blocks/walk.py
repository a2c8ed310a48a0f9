"""Going along the symbols of a block: what each step of a layout has in common."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from tapewright.blocks.coding import Decoded, part_of
from tapewright.blocks.evidence import (
    LEAST_FIT,
    REPEATED_MOST_BITS,
    SLACK_FACTOR,
    SLACK_SECONDS,
    TRAILER_MOST_BITS,
)
from tapewright.blocks.items import Covered
from tapewright.blocks.reader import ByteReader
from tapewright.blocks.scores import SymbolScores, first_best
from tapewright.cards import BlockLayout, FormatCard
from tapewright.cards.layout import Check, Gap, Item, Lead, Mark, Sync
from tapewright.model import GAP, ByteRun, Fault, Symbols

__all__ = ["CutOff", "Walker"]


class CutOff(Exception):  # noqa: N818 (not an error: the way out of a layout that cannot be finished)
    """The bytes ended before the layout did."""


@dataclass
class Walker:
    """A place in the symbols, and what was found up to there.

    Parameters
    ----------
    symbols : Symbols
    scores : SymbolScores
    reader : ByteReader
    card : FormatCard
    layout : BlockLayout
    inherited : mapping of str to int
        Fields of the block it follows; empty where that was not found.
    limit : int
        Symbols from here on belong to something else.
    """

    symbols: Symbols
    scores: SymbolScores
    reader: ByteReader
    card: FormatCard
    layout: BlockLayout
    inherited: Mapping[str, int]
    limit: int
    place: int = 0
    evidence: float = 0.0
    numbers: dict[str, int] = field(default_factory=dict)
    texts: dict[str, str] = field(default_factory=dict)
    covered: Covered = field(default_factory=Covered)
    unread: set[str] = field(default_factory=set)
    runs: list[ByteRun] = field(default_factory=list)
    checks: list[tuple[Check, int, int, bool]] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    data: Decoded | None = None
    seek_seconds: float = 0.0
    last_value: int = -1
    repeated_bits: float = REPEATED_MOST_BITS
    structure_bits: float = 0.0
    structure_most: float = 0.0

    @property
    def _structure(self) -> float:
        return self.structure_bits / self.structure_most if self.structure_most else 1.0

    @property
    def _is_anchored(self) -> bool:
        return any(isinstance(item, (Sync, Mark)) for item in self.layout.layout)

    # -- things outside bytes ----------------------------------------------------------------------------

    def _pass_over(self, item: Lead | Gap) -> None:
        """Go to where a leader or gap within the block ends."""
        seconds = item.seconds if isinstance(item, Lead) else item.gap
        if isinstance(item, Gap):
            while self.place < self.limit and self.symbols.index[self.place] == GAP:
                self.place += 1
            return
        window = self._window(seconds)
        lead = self.scores.lead_before(item.lead)
        bits = np.where(
            lead.first[self.place : window + 1] >= self.place - 1, lead.bits[self.place : window + 1], 0.0
        )
        if len(bits) and bits.max() > 0:
            best = int(np.argmax(bits))
            self.evidence += min(TRAILER_MOST_BITS, float(bits[best]))
            self.place += best

    def _window(self, seconds: float) -> int:
        """Last symbol by which something `seconds` long must have ended."""
        if self.place >= len(self.symbols):
            return len(self.symbols)
        until = self.symbols.start_seconds[self.place] + SLACK_FACTOR * seconds + SLACK_SECONDS
        return min(self.limit, int(np.searchsorted(self.symbols.start_seconds, until)))

    def _seek(self, text: str) -> None:
        """After a leader or gap within the block, go to where the symbols of `text` start."""
        if not self.seek_seconds or not text:
            return
        window = self._window(self.seek_seconds)
        back = max(0, self.place - 2 * len(text))
        fit = self.scores.pattern(text)[back:window]
        if len(fit) and fit.max() >= LEAST_FIT * len(text):
            self.place = back + first_best(fit)
        self.seek_seconds = 0.0

    def _trailer(self, items: list[Item]) -> None:
        """Take in what follows the last byte, as far as it is there."""
        for item in items:
            if not isinstance(item, Lead) or self.place >= self.limit:
                continue
            until = self.symbols.start_seconds[self.place] + SLACK_FACTOR * item.seconds
            window = min(self.limit, int(np.searchsorted(self.symbols.start_seconds, until)))
            bits, length = self.scores.lead_after(item.lead, self.place, window)
            self.evidence += min(TRAILER_MOST_BITS, bits)
            self.place += length

    # -- bytes -------------------------------------------------------------------------------------------

    def _read(self, count: int, what: str) -> ByteRun:
        """Read bytes; those beyond the limit are not there."""
        self.seek_seconds = 0.0
        run = self.reader.read(self.place, count) if self.place < self.limit else None
        if run is None:
            raise CutOff(what)
        return self._take(run, count, what)

    def _take(self, run: ByteRun, count: int | None, what: str) -> ByteRun:
        run = part_of(run, slice(0, int(np.searchsorted(run.end_symbol, self.limit, side="right"))))
        if len(run):
            self.runs.append(run)
            self.place = int(run.end_symbol[-1])
            self._count_framing(run)
        if count is not None and len(run) < count and what != "data":
            raise CutOff(what)
        return run

    def _count_framing(self, run: ByteRun) -> None:
        bits = self.reader.evidence_bits(run)
        before = np.concatenate(([self.last_value], run.value[:-1].astype(np.int64)))
        self.last_value = int(run.value[-1])
        repeats = run.value == before
        self.evidence += float(bits[~repeats].sum())
        again = float(bits[repeats].sum())
        granted = min(again, self.repeated_bits)
        self.repeated_bits -= max(granted, 0.0)
        self.evidence += granted

    def _count_structure(self, bits: float, most: float) -> None:
        self.evidence += bits
        self.structure_bits += bits
        self.structure_most += most
