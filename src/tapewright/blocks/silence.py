"""Why nothing was found: how far along the chain the recording got."""

from __future__ import annotations

import numpy as np

from tapewright.blocks.search import Heard
from tapewright.cards import FormatCard
from tapewright.model import GAP, Fault, Symbols
from tapewright.model.scratch import pieces

__all__ = ["why_nothing"]

#: A sync of which less than this share is there was not heard.
HEARD_SHARE = 0.9
FEW_SYMBOLS = 16


def why_nothing(symbols: Symbols, card: FormatCard, heard: Heard, best_bits: float) -> tuple[Fault, ...]:
    """Say where the chain stopped, with what was counted up to there."""
    count, seconds = 0, 0.0
    for part in map(symbols.at, pieces(len(symbols))):
        is_heard = part.index != GAP
        count += int(np.count_nonzero(is_heard))
        seconds += float(np.sum((part.end_seconds - part.start_seconds)[is_heard]))
    if count < FEW_SYMBOLS:
        text = f"there is no signal of format {card.name} in the recording ({count} symbols heard)"
        return (Fault("no-signal", text, remedy="check the recording's level, channel and format"),)
    faults = []
    counted = f"{count} symbols heard, {seconds:.1f} s"
    if heard.asks_lead_seconds is not None and heard.longest_lead_seconds < max(
        heard.asks_lead_seconds, 0.05
    ):
        text = (
            f"no leader of format {card.name} was heard: the longest steady stretch lasts"
            f" {heard.longest_lead_seconds:.3f} s, and the format asks for {heard.asks_lead_seconds:g} s"
            f" ({counted})"
        )
        faults.append(Fault("no-lead", text, remedy="check the format, or record from before the leader"))
    if heard.asks_sync and heard.best_fit < HEARD_SHARE:
        share = max(0.0, heard.best_fit)
        text = (
            f"the sync of format {card.name} was heard nowhere: the best place fits to {100 * share:.0f} %"
            f" ({counted}{_looked_at(len(heard.candidates))})"
        )
        faults.append(Fault("no-sync", text, remedy="check the format, or try another recording of the tape"))
    if not faults:
        shown = (
            "none of them could be read"
            if best_bits == -np.inf
            else f"the best is worth {best_bits:.0f} bits"
        )
        text = (
            f"no block of format {card.name} could be told from chance: {len(heard.candidates)} places looked"
            f" at, {shown} ({counted})"
        )
        faults.append(
            Fault("no-block", text, remedy="check the format, or try another recording of the tape")
        )
    return tuple(faults)


def _looked_at(places: int) -> str:
    """Count the places worth reading from; where there is none, the share of a sync says all."""
    if not places:
        return ""
    return ", 1 place looked at" if places == 1 else f", {places} places looked at"
