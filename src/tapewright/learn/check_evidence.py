"""What the bytes after a block's items would cost without a check, and what a rule saves of that."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import Literal

import numpy as np
import numpy.typing as npt

from tapewright.learn.check_price import NO_CHECK_BITS, UNTOLD_BITS
from tapewright.learn.check_rule import Message, Order, Place

__all__ = ["MOST_OFFSET", "Tails", "distinct_messages"]

Ints = npt.NDArray[np.int64]

MOST_OFFSET = 4
_WIDEST_BYTES = 4
_BYTE_ORDER: dict[Order, Literal["little", "big"]] = {"le": "little", "be": "big"}
#: How often a byte of a block, or of its check, is misread (chosen; recordings to learn from are good ones).
_MISREAD = 0.005
#: How often a byte that is no check is one of these, and each other one (chosen: padding is mostly so).
_USUAL_BYTES = {0x00: 1 / 8, 0xFF: 1 / 16, 0x0D: 1 / 32}
_OTHER_BYTE = (1 - sum(_USUAL_BYTES.values())) / (256 - len(_USUAL_BYTES))
_AGREES_BITS = float(-np.log2(1 - _MISREAD))
_DIFFERS_BITS = float(-np.log2(_MISREAD))


def distinct_messages(messages: Sequence[Message]) -> list[Message]:
    """Leave out messages that say nothing new: two saves of one program are one piece of evidence."""
    seen = {
        (message.items, message.sent, message.tail[: MOST_OFFSET + _WIDEST_BYTES]): message
        for message in reversed(messages)
    }
    return list(reversed(seen.values()))


class Tails:
    """The bytes after the items of some messages."""

    def __init__(self, messages: Sequence[Message]) -> None:
        self.messages = tuple(messages)
        self._values: dict[Place, Ints] = {}
        self._unexplained_bits: dict[Place, float] = {}
        self._columns: dict[tuple[bool, int], float] = {}
        self.is_told_apart = any(message.tail != message.tail_sent for message in messages)
        #: Whether a card can say that coded bytes are inverted: not where they are sent as two characters.
        self.can_invert = all(_is_xored(message.tail, message.tail_sent) for message in messages)

    @cached_property
    def places(self) -> list[Place]:
        """All places where a check may stand in at least one message."""
        found = []
        for is_coded in (True, False) if self.is_told_apart else (True,):
            longest = max(len(message.after(is_coded)) for message in self.messages)
            for width_bytes in range(1, _WIDEST_BYTES + 1):
                for offset in range(min(MOST_OFFSET, longest - width_bytes) + 1):
                    found.append(Place(is_coded, offset, width_bytes, "be"))
                    if width_bytes > 1:
                        found.append(Place(is_coded, offset, width_bytes, "le"))
        return found

    def values(self, place: Place) -> Ints:
        """Give the number that stands at a place, in each message; -1 where it is cut off."""
        if place not in self._values:
            cuts = [
                message.after(place.is_coded)[place.offset : place.offset + place.width_bytes]
                for message in self.messages
            ]
            order, whole = _BYTE_ORDER[place.order], place.width_bytes
            numbers = [int.from_bytes(cut, order) if len(cut) == whole else -1 for cut in cuts]
            self._values[place] = np.array(numbers, np.int64)
        return self._values[place]

    def unexplained_bits(self, place: Place) -> float:
        """Say what the bytes at a place cost without a check: little where they are always the same."""
        if place not in self._unexplained_bits:
            columns = range(place.offset, place.offset + place.width_bytes)
            bits = sum(self._column_bits(place.is_coded, column) for column in columns)
            self._unexplained_bits[place] = bits
        return self._unexplained_bits[place]

    def _column_bits(self, is_coded: bool, column: int) -> float:
        key = (is_coded, column)
        if key not in self._columns:
            tails = [message.after(is_coded) for message in self.messages]
            self._columns[key] = _sequence_bits([tail[column] for tail in tails if column < len(tail)])
        return self._columns[key]

    def saved_bits(self, place: Place, agreeing: npt.ArrayLike) -> npt.NDArray[np.float64]:
        """Say how many bits a rule saves that agrees with so many messages, before its own price.

        A rule that does not hold for most of them is none.
        """
        present = int(np.count_nonzero(self.values(place) >= 0))
        agreeing = np.asarray(agreeing, np.float64)
        differing = len(self.messages) - agreeing
        cost = agreeing * _AGREES_BITS + differing * _DIFFERS_BITS
        cost = cost + np.maximum(present - agreeing, 0) * 8 * place.width_bytes
        saved = NO_CHECK_BITS + self.unexplained_bits(place) - cost - UNTOLD_BITS * (len(self.messages) == 1)
        return np.where(agreeing > differing, saved, -np.inf)


def _is_xored(plain: bytes, sent: bytes) -> bool:
    return len(plain) == len(sent) and len({a ^ b for a, b in zip(plain, sent, strict=True)}) <= 1


def _sequence_bits(values: Sequence[int]) -> float:
    """Cost of bytes under the better of two guesses: any, or such as came before."""
    seen: dict[int, int] = {}
    bits = 0.0
    for n, value in enumerate(values):
        guess = _USUAL_BYTES.get(value, _OTHER_BYTE)
        bits -= float(np.log2((seen.get(value, 0) + guess) / (n + 1)))
        seen[value] = seen.get(value, 0) + 1
    return min(bits, 8.0 * len(values))
