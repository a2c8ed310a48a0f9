"""Bytes of no known number: whether the tones that show which is the first and which the last were heard."""

from __future__ import annotations

import numpy as np

from tapewright.blocks.evidence import LEADER_SHARE
from tapewright.blocks.scores import SymbolScores
from tapewright.cards import BlockLayout
from tapewright.cards.layout import Data, Gap, Lead
from tapewright.model import GAP, ByteRun, Fault, Symbols
from tapewright.model.reading import LOST_END, LOST_LEADER

__all__ = ["open_ends"]


def open_ends(
    symbols: Symbols, scores: SymbolScores, layout: BlockLayout, run: ByteRun, lead_first: int,
    idle_seconds: float,
) -> list[Fault]:  # fmt: skip
    """Say where bytes may be missing, before the first that was heard or after the last.

    Parameters
    ----------
    symbols : Symbols
    scores : SymbolScores
        Of these symbols.
    layout : BlockLayout
        With data of which nothing says how many bytes there are.
    run : ByteRun
        The data, a byte at least.
    lead_first : int
        Symbol with which the leader begins.
    idle_seconds : float
        Idle time that ends the data.
    """
    first, end = int(run.first_symbol[0]), int(run.end_symbol[-1])
    place = next(k for k, item in enumerate(layout.layout) if isinstance(item, Data))
    before, after = layout.layout[:place], layout.layout[place + 1 :]
    least = LEADER_SHARE * idle_seconds
    faults = []
    starts_with_lead = bool(before) and all(isinstance(item, (Lead, Gap)) for item in before)
    if starts_with_lead and _heard_seconds(symbols, lead_first, first) < least:
        faults.append(_lost_leader(float(symbols.start_seconds[first])))
    lead = next((item for item in after if isinstance(item, Lead)), None)
    if lead is not None:
        at = float(symbols.end_seconds[end - 1])
        window = int(np.searchsorted(symbols.start_seconds, at + idle_seconds))
        _, length = scores.lead_after(lead.lead, end, window)
        if _heard_seconds(symbols, end, end + length) < least:
            is_over = symbols.index[-1] != GAP and float(symbols.end_seconds[-1]) - at < idle_seconds
            faults.append(_lost_end(at, is_recording_over=bool(is_over)))
    return faults


def _heard_seconds(symbols: Symbols, first: int, end: int) -> float:
    chosen = slice(first, end)
    seconds = symbols.end_seconds[chosen] - symbols.start_seconds[chosen]
    return float(seconds[symbols.index[chosen] != GAP].sum())


def _lost_leader(at_seconds: float) -> Fault:
    text = (
        f"the leader before the bytes at {at_seconds:.3f} s is short or was not heard, so bytes may be"
        " missing before them"
    )
    return Fault(LOST_LEADER, text, remedy="record again, from before the leader")


def _lost_end(at_seconds: float, *, is_recording_over: bool) -> Fault:
    why = "the recording ends" if is_recording_over else "the signal ends without the steady tone after them"
    text = f"the bytes end at {at_seconds:.3f} s as {why}, so bytes may be missing after them"
    again = "record on until the program has ended" if is_recording_over else "play the tape again"
    return Fault(LOST_END, text, remedy=f"{again}, or compare the length with the listing")
