"""Free-running text: whether bytes that no sync announces and no check vouches for are bytes at all.

Start and stop symbols are found in any signal, if bytes are looked for where they happen to fit. In text they
are where the bytes before say they must be.
"""

from __future__ import annotations

import numpy as np

from tapewright.blocks.kernels import frame_trials
from tapewright.cards import BlockLayout, ByteFormat
from tapewright.cards.layout import Data, Fixed, Mark, Sync
from tapewright.model import GAP, ByteRun, Symbols

__all__ = ["is_free_text", "text_bits"]

#: Of what follows the last byte so much is looked at too, in bytes: text ends in its trailer or in silence.
BYTES_AFTER = 4
#: Text that ends in the middle of a signal counts as so many stops not found.
OPEN_END = 2
#: A byte rarely loses its stop to anything but noise.
MOST_SURE = 0.98
#: However often the stop symbol occurs, there is this much to be learnt from finding it.
MOST_CHANCE = 0.9


def is_free_text(layout: BlockLayout, byte: ByteFormat) -> bool:
    """Whether only start and stop symbols tell a block of this kind from other signals."""
    anchored = any(isinstance(item, (Sync, Mark, Fixed)) for item in layout.layout)
    runs_on = any(isinstance(item, Data) and item.length is None for item in layout.layout)
    return byte.is_asynchronous and bool(byte.stop) and runs_on and not anchored and not layout.checks


def text_bits(
    symbols: Symbols, byte: ByteFormat, run: ByteRun, place: int, idle_seconds: float
) -> tuple[float, float]:
    """Weigh text against any other signal with as many ones in it, by the stops found and not found.

    Parameters
    ----------
    symbols : Symbols
    byte : ByteFormat
    run : ByteRun
        The text.
    place : int
        Where it was looked for from.
    idle_seconds : float
        Idle time of this length ends it.

    Returns
    -------
    bits : float
        Log-likelihood ratio of text against chance.
    most : float
        What text as clear as these symbols would be expected to show.
    """
    first, last = int(run.first_symbol[0]), int(run.end_symbol[-1])
    end, has_ended = _end_of_signal(symbols, byte, last, idle_seconds)
    heard = symbols.index[first:end] != GAP
    log_p = np.nan_to_num(symbols.log_p[first:end][heard], nan=-1.0, neginf=-80.0)
    sure = float(np.mean(np.exp(np.minimum(log_p.max(axis=1), 0.0)))) if heard.any() else 0.5
    gaps = np.concatenate(([0], np.cumsum(~heard)))
    silent = gaps[run.end_symbol - first] > gaps[run.first_symbol - first]
    before = _trials(symbols, byte, place, first)
    after = _trials(symbols, byte, last, end)
    good = int(np.count_nonzero(run.framing_ok)) + after[0]
    bad = int(np.count_nonzero(~run.framing_ok & ~silent)) + before[1] + after[1]
    bad += 0 if has_ended else OPEN_END
    chance = min(MOST_CHANCE, _chance(symbols, byte, run))
    expected = max(min(MOST_SURE, sure ** len(byte.stop)), chance + 0.5 * (MOST_SURE - chance))
    found = float(np.log2(expected / chance))
    not_found = float(np.log2((1.0 - expected) / (1.0 - chance)))
    most = (good + bad) * (expected * found + (1.0 - expected) * not_found)
    return good * found + bad * not_found, most


def _trials(symbols: Symbols, byte: ByteFormat, first: int, end: int) -> tuple[int, int]:
    """Count starts with and without a stop among what is not in the text."""
    names = symbols.names
    good, bad = frame_trials(
        np.ascontiguousarray(symbols.index[first : max(first, end)], np.int16),
        np.array([names.index(name) for name in byte.start], np.int64),
        np.array([names.index(name) for name in byte.stop], np.int64),
        byte.symbols_per_byte,
        names.index(byte.stop[-1]),
        GAP,
    )
    return int(good), int(bad)


def _end_of_signal(symbols: Symbols, byte: ByteFormat, last: int, idle_seconds: float) -> tuple[int, bool]:
    """Look for the trailer or a silence a few bytes beyond the last one: where, and whether it is there."""
    count, start_seconds = len(symbols), symbols.start_seconds
    end = min(count, last + BYTES_AFTER * byte.symbols_per_byte)
    if last >= end:
        return end, True
    far = int(np.searchsorted(start_seconds, start_seconds[end - 1] + idle_seconds, "right"))
    idle = symbols.names.index(byte.stop[-1])
    place = last
    for stop in [*(last + np.flatnonzero(symbols.index[last:far] != idle)).tolist(), far]:
        if stop > place and symbols.end_seconds[stop - 1] - start_seconds[place] >= 0.5 * idle_seconds:
            return place, True
        place = min(stop, end)
        if place == end or symbols.index[place] == GAP:
            break
        place += 1
    return min(place, end), place >= count or bool(symbols.index[place] == GAP)


def _chance(symbols: Symbols, byte: ByteFormat, run: ByteRun) -> float:
    """How often a stop would be found in the middle of bytes like these."""
    bits = np.unpackbits(run.value[run.confidence > 0, np.newaxis], axis=1, bitorder="little")[:, : byte.bits]
    ones = float(np.clip(np.mean(bits), 0.1, 0.9)) if bits.size else 0.5
    return float(np.prod([ones if name == "1" else 1.0 - ones for name in byte.stop]))
