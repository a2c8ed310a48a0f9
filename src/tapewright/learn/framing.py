"""How a byte stands on tape: found by looking for the known bytes in the bits."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from tapewright.cards.format import ByteFormat
from tapewright.compiled import kernel
from tapewright.learn.known import CODINGS, Known, Needles, as_held, as_sent
from tapewright.learn.stream import Stream, exchanged

__all__ = ["Framing", "eighth_bit", "find_framing", "frame_places"]

#: Symbols from one byte to the next that are tried.
PERIODS = range(5, 14)
WIDTHS = (8, 7)
#: A framing is believed if at least this share of the known bytes is found with it.
LEAST_FOUND = 0.25
#: Framing symbols are those that hold for this share of the bytes; the receiver may have misheard some.
USUALLY = 0.97
#: So many bytes have to follow as closely as the closest do, or one of the first few after a long rest.
FEWEST_CLOSE, FIRST_FEW, LONG_REST = 4, 40, 24

IntArray = npt.NDArray[np.int64]
_OTHER_PARITY = {"even": "odd", "odd": "even"}
_OTHER_BIT = {"mark": "space", "space": "mark"}


@dataclass(frozen=True)
class Framing:
    """A reading of the bits under which known bytes appear.

    Parameters
    ----------
    byte : ByteFormat
    coding : {"plain", "hex"}
        How a byte of the program is written.
    swapped : tuple of bool
        Of each save: whether its symbols 0 and 1 have to change places.
    found : float
        Share of the known bytes found.
    spaced : bool
        Whether idle time stands between bytes here and there.
    xor : {0, 255}
        Exclusive-ored with the bytes of the data: 255 where they alone stand on tape inverted.
    is_inverted : bool
        Whether everything but the sync is taken to stand on tape inverted: bits are read the other way round
        than the machine means them, which shows in checks over what it sends.
    left_out : int
        How many starts at the beginning of a block are taken for part of the mark before it.
    has_hex_fields : bool
        Whether numbers before the data turned out to be written as characters, so that checks are as well.
    """

    byte: ByteFormat
    coding: str
    swapped: tuple[bool, ...]
    found: float
    spaced: bool = False
    xor: int = 0
    is_inverted: bool = False
    left_out: int = 0
    has_hex_fields: bool = False

    @property
    def field_coding(self) -> str:
        """How numbers and checks are probably written: in seven bits they go as characters if data do not."""
        is_hex = self.coding == "hex" or self.byte.bits < 8 or self.has_hex_fields
        return "hex" if is_hex else "plain"

    @property
    def per_byte(self) -> int:
        """How many bytes on tape a byte of the program takes."""
        return 2 if self.coding == "hex" else 1

    @property
    def ones(self) -> int:
        """A byte of ones."""
        return (1 << self.byte.bits) - 1

    @property
    def mask(self) -> int:
        """What every byte but those of the sync is exclusive-ored with, as the machine means the bits."""
        return self.ones if self.is_inverted else 0

    @property
    def turned(self) -> Framing:
        """The same bits the other way round: what was upright is inverted, so the data have to be as well."""
        byte = self.byte
        parity: str = _OTHER_BIT.get(byte.parity, byte.parity)
        if byte.bits % 2 == 0:  # as many ones as before, or as many fewer as there are odd ones
            parity = _OTHER_PARITY.get(parity, parity)
        keys = {
            "start": exchanged(byte.start), "stop": exchanged(byte.stop), "parity": parity,
        }  # fmt: skip
        swapped = tuple(not swap for swap in self.swapped)
        return replace(self, swapped=swapped, xor=self.xor ^ 255, byte=byte.model_copy(update=keys))

    def sent(self, data: bytes) -> bytes:
        """Bytes of the program as they stand on tape."""
        mask = self.xor & self.ones
        return bytes(value ^ mask for value in as_sent(data, self.coding))

    def held(self, sent: bytes) -> bytes:
        """The other way round: bytes of the program from what stands on tape, as far as it is written so."""
        mask = self.xor & self.ones
        return as_held(bytes(value ^ mask for value in sent), self.coding)


def eighth_bit(eight: ByteFormat, seven: ByteFormat) -> str:
    """Which symbol of the frame of seven bits is always the last of eight, if both are read from the same.

    Of bytes sent from their first bit on it stands before the stop symbols, as if it were parity; of others,
    where the next byte begins, as if it were the last stop symbol.

    Parameters
    ----------
    eight, seven : ByteFormat

    Returns
    -------
    {"0", "1", ""}
        Empty if they are not two readings of the same bits.
    """
    if (eight.bits, seven.bits) != (8, 7) or (eight.order, eight.start) != (seven.order, seven.start):
        return ""
    if eight.order == "lsb":
        frame = {"mark": "1", "space": "0"}.get(seven.parity, "") + seven.stop
        is_same = eight.parity == "none" and seven.parity not in _OTHER_PARITY and frame[1:] == eight.stop
        return frame[:1] if is_same else ""
    last = seven.stop[-1:]
    parity = _OTHER_PARITY.get(seven.parity, seven.parity) if last == "1" else seven.parity
    return last if seven.stop == eight.stop + last and parity == eight.parity else ""


@dataclass(frozen=True)
class _Guess:
    """What is tried: bytes at even distances, or after a start symbol each (`period` 0)."""

    width: int
    order: str
    coding: str
    period: int
    start: int = 0
    parity: bool = False


def find_framing(streams: Sequence[Stream], knowns: Sequence[Known]) -> list[Framing]:
    """Look for known bytes in bits, in every framing.

    Parameters
    ----------
    streams : sequence of Stream
        What was heard of each save, not swapped.
    knowns : sequence of Known
        What each holds.

    Returns
    -------
    list of Framing
        The likeliest first; empty where the known bytes are not found.
    """
    needles = {coding: [Needles(as_sent(known.data, coding)) for known in knowns] for coding in CODINGS}
    readings = [(Stream(stream.symbols, False), Stream(stream.symbols, True)) for stream in streams]
    found: list[tuple[float, Framing]] = []
    for guess in _guesses(knowns):
        framing = _tried(guess, readings, needles[guess.coding])
        if framing is not None:
            # of two that find the same, the one that says more: even distances are the special case
            found.append((framing.found - (0.005 if guess.period else 0.0), framing))
    found.sort(key=lambda pair: -pair[0])
    return [framing for _, framing in found]


def _guesses(knowns: Sequence[Known]) -> Iterator[_Guess]:
    seven_do = all(max(known.data, default=0) < 0x80 for known in knowns)
    for coding in CODINGS:
        for width in WIDTHS if seven_do or coding == "hex" else WIDTHS[:1]:
            for order in ("lsb", "msb"):
                for period in PERIODS:
                    if period >= width:
                        yield _Guess(width, order, coding, period)
                for start in (0, 1):
                    for parity in (False, True):
                        yield _Guess(width, order, coding, 0, start, parity)


def _tried(
    guess: _Guess, readings: Sequence[tuple[Stream, Stream]], needles: Sequence[Needles]
) -> Framing | None:
    """Give the framing under which a guess finds known bytes, each save read either way round, if it does."""
    swapped, columns, shares = [], [], []
    spaced = False
    for ways, save in zip(readings, needles, strict=True):
        best = max((_Sought(guess, stream, save) for stream in ways), key=len)
        share = len(best) / max(len(save), 1)
        shares.append(share)
        swapped.append(best.swapped)
        if share >= LEAST_FOUND:
            columns.append(best)
    if not columns or np.mean(shares) < LEAST_FOUND:
        return None
    byte = _byte_format(guess, columns)
    if byte is None:
        return None
    if guess.period == 0:
        gaps = np.concatenate([hits.idle for hits in columns])
        fewest_idle = _fewest_idle(hits.idle for hits in columns)
        fewest_idle = min([fewest_idle, *(hits.least_idle_before for hits in columns)])
        stop = str(1 - guess.start) * (1 + min(fewest_idle, 2))
        byte = byte.model_copy(update={"stop": stop})
        spaced = bool(len(gaps) and np.mean(gaps > fewest_idle) > 0.02)
    return Framing(byte, guess.coding, tuple(swapped), float(np.mean(shares)), spaced)


def _fewest_idle(idle: Iterable[IntArray]) -> int:
    """How many symbols are idle between bytes at least, from how many are in each recording.

    Bytes misheard leave less, so one place is not believed: unless there is such a one in most recordings. A
    sync, sent by a tight loop, may be all that shows it.
    """
    each = [np.sort(gaps)[:FEWEST_CLOSE] for gaps in idle if len(gaps)]
    if not each:
        return 0
    together = np.sort(np.concatenate(each))
    fewest = int(together[min(FEWEST_CLOSE, len(together)) - 1])
    in_most = int(np.sort([gaps[0] for gaps in each])[len(each) // 2])
    return min(fewest, in_most) if len(each) > 1 else fewest


class _Sought:
    """Where a guess finds known bytes in a stream: the first bit of each byte."""

    def __init__(self, guess: _Guess, stream: Stream, needles: Needles) -> None:
        bits = stream.bits
        self.stream, self.swapped = stream, stream.swapped
        values = stream.values(guess.width, guess.order)
        if guess.period:
            places, offsets = needles.find(values, guess.period)
            self.places = places.astype(np.int64)
            self.idle = self.rests = np.zeros(0, np.int64)
        else:
            every = frame_places(bits, guess.start, guess.width + guess.parity)
            runs, offsets = needles.find(values[every])
            self.places = every[runs]
            self.idle = np.diff(every) - (guess.width + guess.parity + 2)
            rests = np.diff(every, prepend=0)[: int(runs[0]) + 1 if len(runs) else 0]
            self.rests = rests[-FIRST_FEW:] - (guess.width + guess.parity + 2)
        self.count = len(np.unique(offsets))

    @property
    def least_idle_before(self) -> int:
        """The fewest idle symbols between the bytes after the last long rest before the first known byte.

        They begin where the rest ends, beyond doubt, so that none of them can be out of step.
        """
        long = np.flatnonzero(self.rests >= LONG_REST)
        return int(self.rests[long[-1] + 1 :].min(initial=LONG_REST)) if len(long) else LONG_REST

    def __len__(self) -> int:
        return self.count


@kernel
def _frame_places(bits, start, width, stops, places):  # type: ignore[no-untyped-def]
    count, i = 0, 0
    while i + width + stops < len(bits):
        whole = bits[i] == start
        for k in range(i + 1, i + width + 1):
            whole = whole and bits[k] >= 0
        for k in range(i + width + 1, i + width + 1 + stops):
            whole = whole and bits[k] == 1 - start
        if whole:
            places[count] = i + 1
            count += 1
            i += width + 1 + stops
        else:
            i += 1
    return count


def frame_places(bits: npt.NDArray[np.int8], start: int, width: int, stops: int = 1) -> IntArray:
    """Follow bytes by their start symbols: where each one's first bit stands.

    Parameters
    ----------
    bits : ndarray of int8
    start : {0, 1}
        What announces a byte; the other is idle, and stands at its end.
    width : int
        Symbols between start and stop, parity included.
    stops : int
        Symbols that are idle at its end, at least.
    """
    places = np.empty(len(bits) // (width + 1 + stops) + 1, np.int64)
    return places[: _frame_places(bits, start, width, stops, places)]


def _byte_format(guess: _Guess, hits: Sequence[_Sought]) -> ByteFormat | None:
    """Tell what the symbols between the data bits are, or None if nothing explains them."""
    extra = guess.period - guess.width if guess.period else int(guess.parity)
    kinds = [_kind(guess.width, k, hits) for k in range(extra)]
    parity = "none"
    if kinds and kinds[0] in ("even", "odd"):
        parity = kinds.pop(0)
    if any(kind not in "01" for kind in kinds):
        return None
    if not guess.period:
        if kinds == [str(guess.start)]:
            parity = "mark" if guess.start else "space"
        elif guess.parity and parity == "none":
            return None  # a constant there is a stop symbol
        return _byte(guess, str(guess.start), str(1 - guess.start), parity)
    return _byte(guess, *_parted("".join(kinds), parity))


def _parted(rest: str, parity: str) -> tuple[str, str, str]:
    """Start symbol, stop symbols and parity, from the constants between the data bits of two bytes."""
    stop = rest.rstrip(rest[-1:])
    if not stop:
        return "", rest, parity
    start = rest[len(stop) :]
    if parity == "none" and len(stop) > 1 and stop[0] not in stop[1:]:
        return start, stop[1:], "mark" if stop[0] == "1" else "space"
    return start, stop, parity


def _byte(guess: _Guess, start: str, stop: str, parity: str) -> ByteFormat:
    keys = {"bits": guess.width, "order": guess.order, "start": start, "stop": stop, "parity": parity}
    return ByteFormat.model_validate(keys)


def _kind(width: int, column: int, hits: Sequence[_Sought]) -> str:
    """Tell what stands `column` symbols after the data bits: 0, 1, even or odd parity, or ?."""
    bit, ones = [], []
    for hit in hits:
        bits = hit.stream.bits
        places = hit.places[hit.places + width + column < len(bits)]
        bit.append(bits[places + width + column])
        ones.append(sum(bits[places + k] for k in range(width)))
    value, parity = np.concatenate(bit), np.concatenate(ones) & 1
    for kind, agrees in (
        ("0", value == 0), ("1", value == 1), ("even", value == parity), ("odd", value == 1 - parity),
    ):  # fmt: skip
        if np.mean(agrees) >= USUALLY:
            return kind
    return "?"
