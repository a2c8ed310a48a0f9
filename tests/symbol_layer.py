"""A made-up receiver: what stands on tape, as soft symbols, with damage of chosen kinds in chosen places."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from tapewright import framing
from tapewright.cards import Alphabet, FormatCard
from tapewright.model import GAP, Symbols, TapePart

#: How sure the made-up receiver is of a symbol it got right.
SURE = 0.99999


def heard(parts: Iterable[TapePart], card: FormatCard, *, speed: float = 1.0, sure: float = SURE) -> Symbols:
    """Hear a tape without any damage; silence is a gap."""
    alphabet = Alphabet.of(card)
    index: list[int] = []
    seconds: list[float] = []
    for part in framing.encode(parts, card):
        if part.kind == "gap":
            index.append(GAP)
            seconds.append(part.seconds)
            continue
        once = alphabet.indices(part.symbols)
        repeats = 1
        if part.kind == "lead":
            repeats = int(np.ceil(part.seconds / sum(alphabet.shapes[k].seconds for k in once)))
        index += once * repeats
        seconds += [alphabet.shapes[k].seconds for k in once] * repeats
    return built(alphabet.names, np.array(index, np.int16), np.array(seconds) / speed, sure=sure, speed=speed)


def built(
    names: str,
    index: np.ndarray,
    seconds: np.ndarray,
    *,
    sure: float = SURE,
    speed: float = 1.0,
    start: float = 0.0,
) -> Symbols:
    """Make symbols of these lengths, one after another."""
    n, k = len(index), len(names)
    log_p = np.full((n, k), np.log((1 - sure) / (k - 1)), np.float32)
    log_p[np.arange(n), index] = np.log(sure)
    log_p[index == GAP] = -np.inf
    ends = start + np.cumsum(seconds)
    flat = np.ones(n, np.float32)
    return Symbols(
        names, index.astype(np.int16), ends - seconds, ends, log_p, 0.5 * flat, speed * flat, 0.01 * flat
    )


def _parts(symbols: Symbols) -> tuple[np.ndarray, ...]:
    return (
        symbols.index, symbols.start_seconds, symbols.end_seconds, symbols.log_p,
        symbols.level, symbols.speed, symbols.noise,
    )  # fmt: skip


def without(symbols: Symbols, first: int, last: int) -> Symbols:
    """Leave symbols out as if they had never been: what follows comes earlier (a slip)."""
    keep = np.r_[0:first, last + 1 : len(symbols)]
    cut = [part[keep].copy() for part in _parts(symbols)]
    gone = symbols.end_seconds[last] - symbols.start_seconds[first]
    cut[1][first:] -= gone
    cut[2][first:] -= gone
    return Symbols(symbols.names, *cut)


def doubled(symbols: Symbols, place: int) -> Symbols:
    """Hear one symbol twice (a slip the other way)."""
    keep = np.r_[0 : place + 1, place : len(symbols)]
    cut = [part[keep].copy() for part in _parts(symbols)]
    more = symbols.end_seconds[place] - symbols.start_seconds[place]
    cut[1][place + 1 :] += more
    cut[2][place + 1 :] += more
    return Symbols(symbols.names, *cut)


def halved(symbols: Symbols, place: int) -> Symbols:
    """Hear one symbol as two of half its length: a slip, and time goes on."""
    twice = doubled(symbols, place)
    half = 0.5 * (symbols.end_seconds[place] - symbols.start_seconds[place])
    starts, ends = twice.start_seconds, twice.end_seconds
    starts[place + 1 :] -= 2 * half
    ends[place + 1 :] -= 2 * half
    ends[place] -= half
    starts[place + 1] += half
    return twice


def dropped_out(symbols: Symbols, first: int, last: int) -> Symbols:
    """Replace symbols by one gap of the same length."""
    keep = np.r_[0 : first + 1, last + 1 : len(symbols)]
    cut = [part[keep].copy() for part in _parts(symbols)]
    cut[0][first], cut[2][first], cut[3][first] = GAP, symbols.end_seconds[last], -np.inf
    return Symbols(symbols.names, *cut)


def passed_over(symbols: Symbols, first: int, last: int) -> Symbols:
    """Leave symbols out but not their time: a receiver that passes over idle tone."""
    keep = np.r_[0:first, last + 1 : len(symbols)]
    return Symbols(symbols.names, *(part[keep] for part in _parts(symbols)))


def misheard(symbols: Symbols, places: Iterable[int], *, sure: float = 0.9) -> Symbols:
    """Turn 0 into 1 and back, with that probability claimed for the wrong one."""
    index, log_p = symbols.index.copy(), symbols.log_p.copy()
    zero, one = symbols.names.index("0"), symbols.names.index("1")
    for place in places:
        other = one if index[place] == zero else zero
        log_p[place] = np.log((1 - sure) / max(1, len(symbols.names) - 1))
        log_p[place, other] = np.log(sure)
        index[place] = other
    _, *rest = _parts(symbols)
    rest[2] = log_p
    return Symbols(symbols.names, index, *rest)


def joined(*pieces: Symbols) -> Symbols:
    """Hear one after another."""
    out: list[list[np.ndarray]] = [[] for _ in range(7)]
    at = 0.0
    for piece in pieces:
        shift = at - (piece.start_seconds[0] if len(piece) else 0.0)
        parts = list(_parts(piece))
        parts[1], parts[2] = parts[1] + shift, parts[2] + shift
        for column, part in zip(out, parts, strict=True):
            column.append(part)
        at = float(parts[2][-1]) if len(piece) else at
    return Symbols(pieces[0].names, *(np.concatenate(column) for column in out))


def random_symbols(card: FormatCard, count: int, *, seed: int, sure: float = 0.99) -> Symbols:
    """Hear nonsense, as sure as data."""
    alphabet = Alphabet.of(card)
    rng = np.random.default_rng(seed)
    index = rng.integers(0, len(alphabet.names), count).astype(np.int16)
    lengths = np.array([shape.seconds for shape in alphabet.shapes])
    return built(alphabet.names, index, lengths[index], sure=sure)
