"""Error rates of the receiver on known recordings, and the Eb/N0 it needs."""

from __future__ import annotations

from dataclasses import dataclass, field, fields

import numpy as np
import numpy.typing as npt

from benchmarks.accuracy.families import TARGET, Family, byte_error_rate
from benchmarks.accuracy.peer import Peer, peer_for
from benchmarks.accuracy.scoring import overlapping, wrong_bytes
from benchmarks.accuracy.signals import IMPAIRMENTS, Impairment, Sent, noisy, send
from tapewright.cards import Alphabet, FormatCard, load_format
from tapewright.framing import Framer
from tapewright.line import decode, is_polar
from tapewright.model import GAP, Symbols

__all__ = ["BINS", "Count", "measure_curve", "run_point"]

FloatArray = npt.NDArray[np.floating]
#: Constant delays a filter may add; the one under which most symbols agree is taken out before scoring.
DELAYS_SECONDS = np.arange(-2, 9) * 5e-5
#: No recording is longer, and losses beyond this are not followed.
LONGEST_SECONDS = 60.0
MOST_LOSS_DB = 9.0
#: Points of a whole curve, in dB against the bound, and where the peer goes on while it misses the target.
CURVE_DB = (-5.0, -3.0, -1.5, -0.5, 0.5, 1.5)
PEER_DB = (3.0, 4.5, 6.0, 7.5)
#: Where errors are many, so many wrong bytes are enough; but no point has fewer bytes than this.
ENOUGH_ERRORS, FEWEST_BYTES = 60, 400
#: A symbol is out of place if it begins so far off, against the shortest one sent.
OUT_OF_PLACE = 0.5
#: Edges of the bins of claimed error probability.
BINS = np.array([0.0, 1e-6, 1e-5, 1e-4, 1e-3, 1e-2, 0.1, 0.3, 1.0])


@dataclass
class Count:
    """What one point of a curve came to; counts can be added up."""

    bits: int = 0
    wrong_bits: int = 0
    bytes_: int = 0
    wrong: int = 0
    framed: int = 0
    wrong_framed: int = 0
    extra: int = 0
    missing: int = 0
    unlocked: int = 0
    runs: int = 0
    seconds: float = 0.0
    peer_bits: int = 0
    peer_wrong_bits: int = 0
    peer_bytes: int = 0
    peer_wrong: int = 0
    claimed: FloatArray = field(default_factory=lambda: np.zeros(len(BINS) - 1))
    variance: FloatArray = field(default_factory=lambda: np.zeros(len(BINS) - 1))
    actual: FloatArray = field(default_factory=lambda: np.zeros(len(BINS) - 1))
    total: FloatArray = field(default_factory=lambda: np.zeros(len(BINS) - 1))

    def add(self, other: Count) -> None:
        """Add another count to this one."""
        for item in fields(self):
            setattr(self, item.name, getattr(self, item.name) + getattr(other, item.name))


def run_point(
    card: FormatCard,
    impairment: Impairment,
    eb_n0_db: float,
    seconds: float,
    seeds: list[int],
    peer: Peer | None = None,
) -> Count:
    """Send, add noise, receive blind, and count; the same for the peer on the same recording."""
    count = Count()
    for seed in seeds:
        sent = send(card, impairment, seconds, seed)
        recording = noisy(sent, eb_n0_db, seed)
        heard = decode(
            recording,
            card,
            inverted=impairment.is_inverted and is_polar(Alphabet.of(card)),
        )
        count.runs += 1
        count.seconds += heard.seconds
        _score(count, sent, heard.symbols, card)
        if peer is not None:
            wrong = peer.decide(recording, sent) != sent.symbol[sent.payload]
            by_byte = wrong_bytes(wrong, card.byte.bits)
            count.peer_bits += len(wrong)
            count.peer_wrong_bits += int(wrong.sum())
            count.peer_bytes += len(by_byte)
            count.peer_wrong += int(by_byte.sum())
    return count


def _score(count: Count, sent: Sent, symbols: Symbols, card: FormatCard) -> None:
    payload = sent.payload
    real = symbols.index != GAP
    start, end, index = symbols.start_seconds[real], symbols.end_seconds[real], symbols.index[real]
    delay = _delay(sent, start, end, index)
    match = overlapping(sent.start[payload] + delay, sent.end[payload] + delay, start, end)
    decided = np.where(match >= 0, index[match] if len(index) else -1, -1)
    wrong = decided != sent.symbol[payload]
    count.bits += len(payload)
    count.wrong_bits += int(wrong.sum())
    by_byte = wrong_bytes(wrong, card.byte.bits)
    count.bytes_ += len(by_byte)
    count.wrong += int(by_byte.sum())
    count.unlocked += not len(index)
    _calibrate(count, sent, symbols, delay)
    # symbols heard inside the data too many, and too few
    block_of = sent.block >= 0
    inside_start, inside_end = sent.start[block_of] + delay, sent.end[block_of] + delay
    heard = overlapping(inside_start, inside_end, start, end)
    used = np.unique(heard[heard >= 0])
    middle = 0.5 * (start + end)
    in_data = np.zeros(len(middle), bool)
    for k in range(len(sent.data)):
        which = np.flatnonzero(sent.block == k)
        in_data |= (middle > sent.start[which[0]] + delay) & (middle < sent.end[which[-1]] + delay)
    count.extra += int(in_data.sum() - in_data[used].sum()) if len(middle) else 0
    count.missing += int((np.diff(heard) == 0).sum() + (heard < 0).sum())
    _frame(count, sent, symbols, card, delay)


def _delay(sent: Sent, start: FloatArray, end: FloatArray, index: npt.NDArray[np.integer]) -> float:
    """Constant delay under which most symbols agree; 0 unless another is clearly better."""
    if not len(index):
        return 0.0
    payload = sent.payload[:4000]
    best, most = 0.0, -1.0
    for delay in sorted(DELAYS_SECONDS, key=abs):
        match = overlapping(sent.start[payload] + delay, sent.end[payload] + delay, start, end)
        right = float(np.sum((match >= 0) & (index[match] == sent.symbol[payload])))
        if right > most * (1.002 if most > 0 else 1.0):
            best, most = float(delay), right
    return best


def _calibrate(count: Count, sent: Sent, symbols: Symbols, delay: float) -> None:
    """Claimed against actual errors, over the symbols heard inside the data.

    What is claimed is that a symbol begins where it was heard: the right symbol at another symbol's place is
    wrong. (Half-waves of a slipped stretch lie over two others each, and are like one of them more often than
    not.)
    """
    real = np.flatnonzero(symbols.index != GAP)
    match = overlapping(
        symbols.start_seconds[real] - delay, symbols.end_seconds[real] - delay, sent.start, sent.end
    )
    kept = (match >= 0) & (sent.block[match] >= 0)
    real, match = real[kept], match[kept]
    index = symbols.index[real]
    claimed = -np.expm1(symbols.log_p[real, index].astype(np.float64))
    claimed = np.clip(claimed, 0.0, 1.0)
    off = np.abs(symbols.start_seconds[real] - delay - sent.start[match])
    wrong = (index != sent.symbol[match]) | (off > OUT_OF_PLACE * (sent.end - sent.start).min())
    bins = np.clip(np.searchsorted(BINS, claimed, side="right") - 1, 0, len(BINS) - 2)
    size = len(BINS) - 1
    count.claimed += np.bincount(bins, claimed, size)
    count.variance += np.bincount(bins, claimed * (1 - claimed), size)
    count.actual += np.bincount(bins, wrong, size)
    count.total += np.bincount(bins, minlength=size)


def _frame(count: Count, sent: Sent, symbols: Symbols, card: FormatCard, delay: float) -> None:
    """Bytes as the framer reads them from the block's first symbol on, matched by time."""
    if not len(symbols):
        count.framed += sum(map(len, sent.data))
        count.wrong_framed += sum(map(len, sent.data))
        return
    framer = Framer(symbols, card)
    per = card.byte.symbols_per_byte
    for k, data in enumerate(sent.data):
        which = np.flatnonzero(sent.block == k)
        first, last = which[::per], which[per - 1 :: per]
        middle = 0.5 * (symbols.start_seconds + symbols.end_seconds)
        begin = int(np.searchsorted(middle, sent.start[which[0]] + delay))
        begin = min(begin, len(symbols) - 1)
        run = framer.read(begin, len(data))
        count.framed += len(data)
        if not len(run):
            count.wrong_framed += len(data)
            continue
        match = overlapping(
            sent.start[first] + delay,
            sent.end[last] + delay,
            symbols.start_seconds[run.first_symbol],
            symbols.end_seconds[np.maximum(run.end_symbol - 1, run.first_symbol)],
        )
        right = (match >= 0) & (run.value[match] == data)
        bad = int((~right).sum())
        count.wrong_framed += bad


def measure_curve(
    family: Family, impairment_name: str, bytes_a_point: int, ideal_db: float, whole: bool = False
) -> tuple[dict[float, Count], float]:
    """Count errors at a few Eb/N0 until the target rate lies between two of them.

    With `whole`, at the points of a whole curve first, and then as far as the peer needs to reach the target.

    Returns
    -------
    points : dict
        Counts by Eb/N0 in dB.
    ideal_db : float
        What the ideal receiver needs here: more, where the level drifts.
    """
    card, impairment = load_format(family.card), IMPAIRMENTS[impairment_name]
    alphabet = Alphabet.of(card)
    peer, _ = peer_for(alphabet)
    seconds_a_byte = card.byte.symbols_per_byte * alphabet.mean_bit_seconds
    if impairment.drifts:
        sent = send(card, impairment, LONGEST_SECONDS, 0)
        ideal_db = _drifting(ideal_db, sent, card.byte.bits)
    points: dict[float, Count] = {}
    seed = [0]

    def at(offset_db: float, most_bytes: int = bytes_a_point) -> float:
        db = round(ideal_db + offset_db, 3)
        expected = float(byte_error_rate(0.0, offset_db))
        wanted = min(most_bytes, max(FEWEST_BYTES, round(ENOUGH_ERRORS / max(expected, 1e-6))))
        seconds = min(LONGEST_SECONDS, 1.3 * wanted * seconds_a_byte + 2.0)
        if impairment.drifts:
            seconds = LONGEST_SECONDS  # whole swings of level
        count = Count()
        while count.bytes_ < wanted:
            count.add(run_point(card, impairment, db, seconds, [seed[0]], peer))
            seed[0] += 1
            if count.wrong > 0.2 * count.bytes_ and count.bytes_ > FEWEST_BYTES:
                break  # far from the target: no need to be exact
        points[db] = count
        return count.wrong / count.bytes_

    offsets = CURVE_DB if whole else (0.5,)
    rates = [at(offset) for offset in offsets]
    offset, rate = offsets[0], rates[0]
    while rate <= TARGET and offset > -8:
        offset -= 0.75
        rate = at(offset)
    offset, rate = offsets[-1], rates[-1]
    step = 0.0
    while rate > TARGET and offset < MOST_LOSS_DB:
        step = 0.75 if rate < 0.05 else 1.5
        offset += step
        rate = at(offset)
    if rate <= TARGET and step > 1.0:
        at(offset - step / 2)
    if whole and peer is not None:
        for offset in PEER_DB:
            last = points[max(points)]
            if last.peer_wrong > TARGET * last.peer_bytes and ideal_db + offset > max(points):
                at(offset, bytes_a_point // 2)  # it still makes many errors
    return points, ideal_db


def _drifting(ideal_db: float, sent: Sent, bits: int) -> float:
    """What a receiver told the level needs on average energy, where the level is what it was in `sent`."""
    level = sent.level[sent.payload]
    whole = len(level) // bits * bits
    by_byte = 10 * np.log10(np.maximum(level[:whole].reshape(-1, bits).mean(axis=1), 1e-6))
    low, high = ideal_db - 5.0, ideal_db + 15.0
    while high - low > 1e-4:
        middle = 0.5 * (low + high)
        rate = float(byte_error_rate(ideal_db, middle + by_byte).mean())
        low, high = (middle, high) if rate > TARGET else (low, middle)
    return low
