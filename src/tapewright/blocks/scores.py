"""How well symbols fit what is looked for, in bits of evidence against chance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tapewright.blocks.kernels import lead_ends
from tapewright.model import GAP, Symbols
from tapewright.model.scratch import pieces, zeros

__all__ = ["LeadScore", "SymbolScores", "first_best"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: A symbol surely wrong counts this many bits against; a receiver may be surer, and is not believed.
WORST_BITS = -13.0
#: A symbol that never occurs among data is worth this many bits at most.
RAREST_BITS = 8.0
#: However long, a leader is forgotten after two or three symbols that are surely none of it.
MOST_LEAD_BITS = 30.0
#: Of several places where a pattern fits, the first is meant if it fits this well, as a share of the best.
AS_GOOD_AS_BEST = 0.9


def first_best(fit: npt.NDArray[np.floating]) -> int:
    """Give the first place where a pattern fits as well as anywhere: which fits best is a matter of noise."""
    return int(np.argmax(fit >= AS_GOOD_AS_BEST * fit.max()))


class SymbolScores:
    """Log-likelihood ratio, in bits, of each symbol at each place against chance.

    Chance is one in two for the bits 0 and 1, and for other symbols how often they occur in the recording:
    a mark that is never heard elsewhere says more than one that is heard all the time. Gaps score 0.

    Parameters
    ----------
    symbols : Symbols
    """

    def __init__(self, symbols: Symbols) -> None:
        self.symbols = symbols
        self._columns: dict[str, npt.NDArray[np.float32]] = {}
        self._patterns: dict[str, npt.NDArray[np.float32]] = {}
        self._leads: dict[str, LeadScore] = {}

    def of(self, name: str) -> npt.NDArray[np.float32]:
        """Give the score of one symbol everywhere, shape (n,)."""
        if name not in self._columns:
            heard = np.count_nonzero(self.symbols.index != GAP)
            k = self.symbols.names.index(name)
            chance = 0.5
            if name not in "01" and heard:
                share = np.count_nonzero(self.symbols.index == k) / heard
                chance = float(np.clip(share, 2.0**-RAREST_BITS, 0.5))
            column = zeros((len(self.symbols),), np.float32)
            for part in pieces(len(column)):
                score = self.symbols.log_p[part, k] / np.float32(np.log(2)) - np.float32(np.log2(chance))
                score = np.nan_to_num(score, nan=0.0, posinf=0.0, neginf=WORST_BITS)  # no number says nothing
                score = np.maximum(score, np.float32(WORST_BITS))
                score[self.symbols.index[part] == GAP] = 0.0
                column[part] = score
            self._columns[name] = column
        return self._columns[name]

    def pattern(self, text: str) -> npt.NDArray[np.float32]:
        """Score a text of symbols starting at each place, shape (n,); -inf where it has no room."""
        if text in self._patterns:
            return self._patterns[text]
        n = len(self.symbols)
        out = zeros((n,), np.float32)
        starts = max(0, n - len(text) + 1) if text else 0
        out[starts:] = -np.inf
        if starts:
            for place, name in enumerate(text):
                out[:starts] += self.of(name)[place : place + starts]
        self._patterns[text] = out
        return out

    def at(self, text: str, first: int) -> float:
        """Give the score of a text of symbols at one place."""
        last = min(len(text), len(self.symbols) - first)
        return float(sum(self.of(text[place])[first + place] for place in range(last)))

    def lead_after(self, lead: str, first: int, end: int) -> tuple[float, int]:
        """Score the best stretch of a leader from `first` on: its bits, and how many symbols it has."""
        score = np.zeros(max(0, end - first))
        for place, name in enumerate(lead):
            score[place :: len(lead)] = self.of(name)[first + place : end : len(lead)]
        total = np.cumsum(score)
        if not len(total) or total.max() <= 0:
            return 0.0, 0
        return float(total.max()), int(np.argmax(total)) + 1

    def lead_before(self, lead: str) -> LeadScore:
        """Score, for every place, the best stretch of a leader that ends just there."""
        if lead in self._leads:
            return self._leads[lead]
        n, length = len(self.symbols), len(lead)
        bits, first = zeros((n + 1,), np.float64), zeros((n + 1,), np.int64)
        score = zeros((length, n), np.float32)
        for place, name in enumerate(lead):
            score[place] = self.of(name)
        for phase in range(length):
            lead_ends(score, phase, MOST_LEAD_BITS, bits, first)
        self._leads[lead] = LeadScore(lead, bits, first)
        return self._leads[lead]


@dataclass(frozen=True, eq=False)
class LeadScore:
    """For every place, the leader that ends there.

    Parameters
    ----------
    lead : str
    bits : ndarray of float64, shape (n + 1,)
        Evidence, at most `MOST_LEAD_BITS`.
    first : ndarray of int64, shape (n + 1,)
        Where it begins.
    """

    lead: str
    bits: Floats
    first: Ints

    def seconds(self, symbols: Symbols, end: int) -> float:
        """Length of the leader that ends before symbol `end`."""
        first = int(self.first[end])
        if first >= end:
            return 0.0
        return float(symbols.end_seconds[end - 1] - symbols.start_seconds[first])
