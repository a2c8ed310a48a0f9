"""Random framings: how bytes become symbols, how a leader and a sync before them look."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from benchmarks.learn.dice import Dice
from benchmarks.learn.line_codes import LineCode
from tapewright.cards import ByteFormat
from tapewright.framing import byte_symbols

__all__ = ["Framing", "random_framing"]

Item = dict[str, Any]

#: A sync is nowhere nearer to itself, moved, than this many symbols, nor to what stands before it.
LEAST_DISTANCE = 2
#: Idle time between bytes varies by so many symbols at most. More is as likely on a real machine, but the
#: package's reader expects idle time only where most bytes are equally far apart.
MOST_JITTER = 1
#: What stands on tape before a sync, as far as the sync reaches.
_LEAD_SYMBOLS = 40


@dataclass(frozen=True)
class Framing:
    """How bytes of a format stand on tape.

    Parameters
    ----------
    byte : ByteFormat
    lead : str
        The symbol leaders are made of.
    mark : str
        Symbols before the first byte of a block; empty where there are none.
    coding : dict
        What the card says of every item's coding, but for `data_coding`.
    data_coding : dict
        The same for the program bytes.
    idle_between : (int, int)
        Fewest and most idle symbols between bytes.
    """

    byte: ByteFormat
    lead: str
    mark: str
    coding: Item
    data_coding: Item
    idle_between: tuple[int, int]

    @property
    def traits(self) -> list[str]:
        """The same in words."""
        byte = self.byte
        return [
            "asynchronous" if byte.is_asynchronous else "synchronous",
            f"{byte.bits}-bits",
            f"parity-{byte.parity}",
            byte.order,
            *(["hex"] if self.data_coding.get("coding") else []),
            *(["inverted"] if self.data_coding.get("xor") else []),
            *(["idle-between"] if self.idle_between[1] else []),
        ]

    def random_sync(self, dice: Dice) -> list[Item]:
        """Draw the sync before the bytes of a block: none, a byte, several, or one many times.

        Where bytes are apart, the reader is misled by many that are not.
        """
        if self.idle_between[1]:
            how = dice.pick(["none", "one", "several"])
        elif self.byte.is_asynchronous or self.mark:
            how = dice.pick(["none", "one", "several", "repeated"], [3, 3, 3, 2])
        else:
            how = dice.pick(["one", "several", "repeated"], [3, 4, 3])
        if how == "none":
            return []
        if how == "repeated":
            byte = self._distinct_bytes(dice, 1)
            end = self._distinct_bytes(dice, 1, before=byte)
            times = dice.whole(4, 16)
            least = dice.whole(1, 3)
            return [{"sync": byte.hex(), "times": times, "at_least": least}, {"sync": end.hex()}]
        return [{"sync": self._distinct_bytes(dice, 1 if how == "one" else dice.whole(2, 3)).hex()}]

    def _distinct_bytes(self, dice: Dice, count: int, before: bytes = b"") -> bytes:
        """Draw bytes that show where they begin, after the leader or after these bytes many times."""
        table = byte_symbols(self.byte)
        lead = self.lead * _LEAD_SYMBOLS + self.mark
        if before:
            lead = table[before[0]] * (_LEAD_SYMBOLS // len(table[0]) + 1)
        while True:
            drawn = bytes(dice.whole(0, (1 << self.byte.bits) - 1) for _ in range(count))
            text = "".join(table[value] for value in drawn)
            if self.byte.is_asynchronous and drawn[:1] != before:
                return drawn
            if _stands_alone(lead, text):
                return drawn


def _stands_alone(lead: str, text: str) -> bool:
    """Whether nothing in the lead and the text looks like the text but the text itself."""
    if text[0] == lead[-1]:  # the leader would be longer than it is
        return False
    whole = lead + text + text  # a sync can stand many times
    places = range(len(lead) - len(text), len(lead) + len(text))
    return all(
        _distance(whole[place : place + len(text)], text) >= LEAST_DISTANCE
        for place in places
        if place != len(lead)
    )


def _distance(one: str, other: str) -> int:
    return sum(a != b for a, b in zip(one, other, strict=False))


def random_framing(dice: Dice, code: LineCode) -> Framing:
    """Draw a framing that suits a line code."""
    lead = code.lead_symbol or dice.pick(code.lead_bits)
    if code.is_silent_at or dice.chance(0.55):
        byte, idle = _asynchronous(dice, lead)
    else:
        byte, idle = _synchronous(dice), (0, 0)
    coding, data_coding = _coding(dice, byte.bits)
    return Framing(byte, lead, code.mark, coding, data_coding, idle)


def _asynchronous(dice: Dice, lead: str) -> tuple[ByteFormat, tuple[int, int]]:
    idle = lead if lead in "01" else dice.pick("01")
    byte = ByteFormat(
        bits=dice.pick([8, 7], [6, 1]),
        order=dice.pick(["lsb", "msb"], [3, 1]),
        start="0" if idle == "1" else "1",
        stop=idle * dice.pick([1, 2], [1, 1]),
        parity=dice.pick(["none", "even", "odd", "mark", "space"], [10, 3, 3, 1, 1]),
    )
    if not dice.chance(0.2):
        return byte, (0, 0)
    fewest = dice.whole(1, 12)
    return byte, (fewest, fewest + dice.whole(0, MOST_JITTER))


def _synchronous(dice: Dice) -> ByteFormat:
    return ByteFormat(
        bits=dice.pick([8, 7], [19, 1]),
        order=dice.pick(["lsb", "msb"]),
        parity=dice.pick(["none", "even", "odd", "mark", "space"], [16, 1, 1, 1, 1]),
    )


def _coding(dice: Dice, bits: int) -> tuple[Item, Item]:
    """Draw the coding of fields and checks, and that of the data; numbers do not fit into seven bits."""
    characters: Item = {"coding": "hex"}
    if bits < 8:
        of_data: list[Item] = [characters, {}, {"xor": 127}]
        return characters, dice.pick(of_data, [6, 2, 1])
    way = dice.pick(["plain", "inverted", "hex"], [16, 2, 2])
    codings: dict[str, Item] = {"plain": {}, "inverted": {"xor": 255}, "hex": characters}
    return codings[way], codings[way]
