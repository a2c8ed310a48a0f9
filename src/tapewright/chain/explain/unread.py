"""Stretches with the format's symbols in them that became no block."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tapewright.cards import BlockLayout, FormatCard
from tapewright.cards.layout import Lead, Mark, Sync
from tapewright.framing import Framer
from tapewright.model import GAP, ByteRun, Span, Stretch, Symbols
from tapewright.model.scratch import pieces
from tapewright.model.words import byte_count

__all__ = ["explain_symbols", "find_leaders", "runs_of_symbols"]

Ints = npt.NDArray[np.int64]

#: Symbols apart by no more than this belong to one run.
JOINED_SECONDS = 0.1
#: Fewer symbols than this are chance, and so is what is shorter, or short and not perfectly clear (measured:
#: in music the receiver finds bits of a tenth of a second, sure to 0.996).
FEWEST_SYMBOLS = 24
SHORTEST_SECONDS, SHORT_SECONDS, PERFECTLY_CLEAR = 0.15, 1.0, 0.997
#: A steady sound repeats after so many symbols at most, but for this share of them.
LONGEST_PERIOD, WRONG_IN_STEADY = 12, 0.03
#: A leader may hold so many wrong symbols in a row, and is one from this share of what the card insists on.
WRONG_IN_LEADER, LEADER_SHARE = 2, 0.5
#: Bytes are framed if so many of them have their start and stop, worth so many bits (chance gives none).
FRAMED_SHARE, FRAMED_BITS = 0.8, 12.0
#: Of a sync, this share is there, or it was not heard.
SYNC_SHARE = 0.9
#: Symbols surer than this on average were heard clearly.
CLEAR = 0.9

_ANOTHER_RECORDING = "check the card, or try another recording of the tape"


@dataclass(frozen=True)
class _Part:
    """Symbols that belong together: perhaps a leader, and what comes after it, up to the next leader."""

    first: int
    lead_end: int
    end: int
    layout: BlockLayout | None


def runs_of_symbols(symbols: Symbols, taken: list[Span]) -> list[tuple[int, int]]:
    """Find runs of symbols that are in no block.

    Parameters
    ----------
    symbols : Symbols
    taken : list of Span
        What blocks take up, in order of time.

    Returns
    -------
    list of (int, int)
        First symbol and the one after the last of each run, in order of time.
    """
    starts = np.array([span.start_seconds for span in taken])
    ends = np.maximum.accumulate([-1.0, *(span.end_seconds for span in taken)])
    firsts: list[int] = []
    before: list[int] = []  # the last of the run before each
    last, last_block, last_end = -1, -1, -np.inf
    for part in pieces(len(symbols)):
        middle = 0.5 * (symbols.start_seconds[part] + symbols.end_seconds[part])
        block = np.searchsorted(starts, middle, "right")
        free = np.flatnonzero((symbols.index[part] != GAP) & (middle >= ends[block]))
        if not len(free):
            continue
        places, block = part.start + free, block[free]
        apart = symbols.start_seconds[places] - np.append(last_end, symbols.end_seconds[places[:-1]])
        is_first = (apart > JOINED_SECONDS) | (block > np.append(last_block, block[:-1]))
        firsts += places[is_first].tolist()
        before += np.append(last, places[:-1])[is_first].tolist()
        last, last_block, last_end = int(places[-1]), int(block[-1]), float(symbols.end_seconds[places[-1]])
    runs = zip(firsts, [*before[1:], last], strict=True) if firsts else ()
    return [(first, end + 1) for first, end in runs if _is_heard(symbols, first, end + 1)]


def _is_heard(symbols: Symbols, first: int, end: int) -> bool:
    """Whether a run is more than chance: long, or perfectly clear."""
    seconds = _seconds(symbols, first, end)
    if end - first < FEWEST_SYMBOLS or seconds < SHORTEST_SECONDS:
        return False
    sure = float(np.mean(np.exp(symbols.log_p[first:end].max(axis=1))))
    return seconds >= SHORT_SECONDS or sure >= PERFECTLY_CLEAR


def explain_symbols(
    symbols: Symbols, framer: Framer, card: FormatCard, run: tuple[int, int], *, is_after_block: bool,
    is_at_end: bool,
) -> list[Stretch]:  # fmt: skip
    """Explain one run of symbols that became no block.

    Parameters
    ----------
    symbols : Symbols
    framer : Framer
    card : FormatCard
    run : (int, int)
        Of :func:`runs_of_symbols`.
    is_after_block, is_at_end : bool
        Whether a block ends where the run starts, and whether the recording ends where the run does.
    """
    found = []
    parts = list(_parts(symbols, card, *run))
    for number, part in enumerate(parts):
        is_first, is_last = number == 0, number == len(parts) - 1
        stage, kind, text, remedy = _explain(
            symbols, framer, card, part, is_after_block and is_first, is_at_end and is_last
        )
        chosen = slice(part.first, part.end)
        sure = float(np.mean(np.exp(symbols.log_p[chosen].max(axis=1))))
        evidence = {
            "symbols": float(np.count_nonzero(symbols.index[chosen] != GAP)),
            "leader_seconds": round(_seconds(symbols, part.first, part.lead_end), 3),
            "mean_confidence": round(sure, 4),
            "speed": round(float(np.median(symbols.speed[chosen])), 4),
        }
        if kind != "idle" and sure < CLEAR:
            text += ", most of it unclear: worn, noisy, or another format"
        found.append(Stretch(symbols.span(part.first, part.end - 1), stage, kind, text, remedy, evidence))
    return found


def _parts(symbols: Symbols, card: FormatCard, first: int, end: int) -> Iterator[_Part]:
    """Cut a run where leaders start; a leader that goes with nothing is the trailer of what stands before."""
    leaders = find_leaders(symbols, card, first, end)
    starts = [first, *(a for a, _, _ in leaders if a - first >= FEWEST_SYMBOLS)]
    held: _Part | None = None
    for number, start in enumerate(starts):
        stop = starts[number + 1] if number + 1 < len(starts) else end
        leader = next(((b, layout) for a, b, layout in leaders if start <= a < stop), None)
        lead_end, layout = leader or (start, None)
        part = _Part(start, lead_end, stop, layout)
        is_trailer = layout is not None and stop - lead_end < 2 * card.byte.symbols_per_byte
        if held is not None and is_trailer and held.end - held.lead_end >= FEWEST_SYMBOLS:
            held = _Part(held.first, held.lead_end, stop, held.layout)
            continue
        if held is not None:
            yield held
        held = part
    if held is not None:
        yield held


def find_leaders(
    symbols: Symbols, card: FormatCard, first: int, end: int
) -> list[tuple[int, int, BlockLayout]]:
    """Find leaders: the card's leader symbols, one after another, for as long as the card insists on.

    Parameters
    ----------
    symbols : Symbols
    card : FormatCard
    first, end : int
        Symbols looked at.

    Returns
    -------
    list of (int, int, BlockLayout)
        First symbol, the one after the last, and the block it leads to; in order of time.
    """
    text = np.frombuffer(symbols.text_of(slice(first, end)).encode("utf-32-le"), np.uint32)
    found: dict[int, tuple[int, int, BlockLayout]] = {}
    for layout in card.block:
        lead = next((item for item in layout.layout if isinstance(item, Lead)), None)
        if lead is None:
            continue
        least = max(LEADER_SHARE * lead.at_least, 0.05)
        for a, b in _steady(text, lead.lead):
            if b - a >= FEWEST_SYMBOLS and _seconds(symbols, first + a, first + b) >= least:
                found.setdefault(first + a, (first + a, first + b, layout))
    return [found[start] for start in sorted(found)]


def _steady(text: npt.NDArray[np.uint32], lead: str) -> Iterator[tuple[int, int]]:
    """Yield where a text repeats `lead`, as (first, end); a wrong symbol or two do not end it."""
    period = len(lead)
    want = np.frombuffer(lead.encode("utf-32-le"), np.uint32)
    best: npt.NDArray[np.bool_] = np.zeros(len(text), np.bool_)
    for turn in range(period):
        fits = text == np.resize(np.roll(want, turn), len(text))
        best |= fits & (np.convolve(fits, np.ones(4 * period), "same") >= 3 * period)
    places = np.flatnonzero(best)
    if not len(places):
        return
    for part in np.split(places, np.flatnonzero(np.diff(places) > WRONG_IN_LEADER + 1) + 1):
        yield int(part[0]), int(part[-1]) + 1


def _explain(
    symbols: Symbols, framer: Framer, card: FormatCard, part: _Part, is_after_block: bool, is_at_end: bool
) -> tuple[str, str, str, str | None]:
    """Give stage, kind, text and remedy."""
    after = part.end - part.lead_end
    lead = _seconds(symbols, part.first, part.lead_end)
    if part.layout is not None and after < 2 * card.byte.symbols_per_byte:
        if is_after_block:
            return "symbols", "idle", f"{lead:.1f} s of idle tone after the block", None
        where = "and there the recording ends" if is_at_end else "and no start of a block after it"
        remedy = (
            "record on until the program has ended"
            if is_at_end
            else "listen to the place where the leader ends; play the tape again from before it"
        )
        return "symbols", "leader", f"a leader of {lead:.1f} s, {where}", remedy
    framed = _framed(framer, card, part)
    if part.layout is None:
        return _without_leader(symbols, card, part, framed)
    head = f"a leader of {lead:.1f} s"
    sync = _best_sync(symbols, framer, card, part)
    if sync is not None and sync[0] < SYNC_SHARE:
        share, name = sync
        more = f"; after it {framed}" if framed else ""
        text = f"{head}, but sync not found: {name} fits its end to {100 * share:.0f} %{more}"
        return ("bytes" if framed else "symbols"), "no-sync", text, _ANOTHER_RECORDING
    if framed:
        with_sync = " and sync" if sync is not None else ""
        text = f"{head}{with_sync}, then {framed}, which make no block of format {card.name}"
        return "bytes", "no-block", text, _ANOTHER_RECORDING
    if card.byte.is_asynchronous:
        text = f"{head}, then {after} symbols in which no bytes could be framed"
        return "symbols", "no-bytes", text, _ANOTHER_RECORDING
    text = f"{head} and then {after} symbols, which make no block of format {card.name}"
    return "symbols", "no-block", text, _ANOTHER_RECORDING


def _without_leader(
    symbols: Symbols, card: FormatCard, part: _Part, framed: str
) -> tuple[str, str, str, str | None]:
    index = symbols.index[part.first : part.end]
    heard = index[index != GAP]
    remedy = "record from before the leader, and check the card"
    for period in range(1, min(LONGEST_PERIOD, len(heard) // 4) + 1):
        if np.mean(heard[period:] != heard[:-period]) <= WRONG_IN_STEADY:
            again = "".join(symbols.names[k] for k in heard[len(heard) // 2 :][:period])
            text = f"a steady sound, as of the symbols '{again}' again and again: no leader, and no bytes"
            return "symbols", "no-leader", text, _ANOTHER_RECORDING
    if framed:
        return "bytes", "no-leader", f"no leader, but {framed}: the block's beginning is not here", remedy
    text = f"no leader: {len(heard)} symbols of the format, with no beginning of a block before them"
    return "symbols", "no-leader", text, remedy


def _framed(framer: Framer, card: FormatCard, part: _Part) -> str:
    """Say how many bytes can be framed after the leader, and where framing is lost; empty for none."""
    if not card.byte.is_asynchronous:
        return ""
    count = -(-(part.end - part.lead_end) // card.byte.symbols_per_byte)
    run = framer.read(part.lead_end, count)
    inside = run.first_symbol < part.end
    good = run.framing_ok & (run.confidence > 0) & inside
    places = np.flatnonzero(good)
    if not len(places) or float(framer.evidence_bits(run)[good].sum()) < FRAMED_BITS:
        return ""
    last = _end_of_framing(good)
    if np.mean(good[: last + 1]) < FRAMED_SHARE:
        return ""
    words = byte_count(int(np.count_nonzero(good[: last + 1])))
    if np.count_nonzero(inside) - (last + 1) < 3:
        return words
    return f"{words}, until framing is lost at {_lost_at(framer.symbols, run, last):.2f} s"


def _end_of_framing(good: npt.NDArray[np.bool_]) -> int:
    """Last byte up to which most bytes are framed."""
    share = np.cumsum(good) / (np.arange(len(good)) + 1)
    return int(np.max(np.flatnonzero(good & (share >= FRAMED_SHARE)), initial=0))


def _lost_at(symbols: Symbols, run: ByteRun, last: int) -> float:
    return float(symbols.end_seconds[min(int(run.end_symbol[last]), len(symbols)) - 1])


def _best_sync(symbols: Symbols, framer: Framer, card: FormatCard, part: _Part) -> tuple[float, str] | None:
    """Say how well the best sync of the card fits where the leader ends, and what it is."""
    best: tuple[float, str] | None = None
    for layout in card.block:
        item = next((item for item in layout.layout if isinstance(item, (Sync, Mark))), None)
        if item is None:
            continue
        wanted = framer.symbols_of(item.sync) if isinstance(item, Sync) else item.mark
        name = f"sync {item.sync.hex(' ').upper()}" if isinstance(item, Sync) else f"the mark '{item.mark}'"
        low = max(part.first, part.lead_end - len(wanted))
        high = min(part.lead_end + len(wanted) + card.byte.symbols_per_byte, part.end - len(wanted))
        for place in range(low, high + 1):
            text = symbols.text_of(slice(place, place + len(wanted)))
            share = sum(a == b for a, b in zip(wanted, text, strict=False)) / len(wanted)
            if best is None or share > best[0]:
                best = share, name
    return best


def _seconds(symbols: Symbols, first: int, end: int) -> float:
    return float(symbols.end_seconds[end - 1] - symbols.start_seconds[first]) if end > first else 0.0
