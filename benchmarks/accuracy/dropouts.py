"""Whether wrong bytes in dropouts are flagged: short deep losses of level in an otherwise good recording.

A byte is wrong if any of its bits, matched by time, is. Its confidence is the product of its bits'
posteriors. What was not heard at all, or heard half a symbol off, makes no claim and counts as flagged.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from benchmarks.accuracy.bounds import bounds
from benchmarks.accuracy.scoring import overlapping, wrong_bytes
from benchmarks.accuracy.signals import Impairment, noisy, send
from tapewright.cards import load_format
from tapewright.channel import CassetteChannel
from tapewright.line import decode
from tapewright.model import GAP

__all__ = ["DEPTHS_DB", "SURE", "Dropouts", "count_wrong", "wrong_in_dropouts"]

DEPTHS_DB = (20.0, 25.0, 30.0)
#: One a second, as long as the worst that old tapes show (chosen).
A_MINUTE, LENGTH_SECONDS, EDGE_SECONDS = 60.0, 0.05, 0.002
#: Between the dropouts hardly any byte is wrong: so much above the Eb/N0 of the target.
ABOVE_DB = 8.0
#: A byte with a higher confidence is not flagged.
SURE = 0.9


@dataclass(frozen=True)
class Dropouts:
    """Wrong bytes of one recording.

    Parameters
    ----------
    bytes_, wrong, unflagged : int
        All, the wrong ones, and the wrong ones with a confidence above 0.9.
    """

    card: str
    depth_db: float
    bytes_: int
    wrong: int
    unflagged: int


def wrong_in_dropouts(card_name: str, seconds: float) -> list[Dropouts]:
    """Count in a recording for each depth."""
    return [count_wrong(card_name, depth_db, seconds) for depth_db in DEPTHS_DB]


def count_wrong(card_name: str, depth_db: float, seconds: float) -> Dropouts:
    """Count in one recording with dropouts of one depth."""
    card = load_format(card_name)
    channel = replace(
        CassetteChannel.TRANSPARENT,
        dropouts_per_minute=A_MINUTE,
        dropout_depth_db=depth_db,
        dropout_seconds=LENGTH_SECONDS,
        dropout_edge_seconds=EDGE_SECONDS,
    )
    sent = send(card, Impairment(f"dropouts of {depth_db:g} dB", lambda rms: channel), seconds, 0)
    heard = decode(noisy(sent, bounds()[card_name]["ideal_db"] + ABOVE_DB, 0), card).symbols
    real = np.flatnonzero(heard.index != GAP)
    payload = sent.payload
    match = overlapping(
        sent.start[payload], sent.end[payload], heard.start_seconds[real], heard.end_seconds[real]
    )
    # a bit's neighbour that reaches a hair into its time says nothing of it
    apart = np.abs(heard.start_seconds[real[match]] - sent.start[payload])
    is_heard = (match >= 0) & (apart < 0.5 * (sent.end - sent.start)[payload])
    decided, sure = np.full(len(payload), -1), np.zeros(len(payload))
    place = real[match[is_heard]]
    decided[is_heard] = heard.index[place]
    sure[is_heard] = np.exp(heard.log_p[place, decided[is_heard]])
    wrong = wrong_bytes(decided != sent.symbol[payload], card.byte.bits)
    confidence = sure[: len(wrong) * card.byte.bits].reshape(len(wrong), -1).prod(axis=1)
    return Dropouts(
        card_name, depth_db, len(wrong), int(wrong.sum()), int(np.sum(wrong & (confidence > SURE)))
    )
