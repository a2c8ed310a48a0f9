"""How often the check of a random block is found, left open, missed or claimed wrongly.

``python -m benchmarks.learn.check_claims --blocks 400`` prints a table by the number of different messages.
No audio: bytes as they are read, with now and then one of them misread.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from tapewright.cards.checks import CrcCheck, CrcParameters
from tapewright.cards.layout import Coded
from tapewright.learn.check_price import CATALOGUE_POLYS
from tapewright.learn.check_rule import CheckRule, Message
from tapewright.learn.checks import find_checks

__all__ = ["Planted", "judged", "random_block"]

_FRESH = 6
_KINDS = {
    "sum8": 6, "sum8-neg": 3, "xor8": 4, "sum16": 3, "fletcher16": 1, "crc": 3, "any-poly": 2, "none": 3,
}  # fmt: skip
_RELATIONS = {"different": 6, "same length": 1.5, "blocks": 1.5, "one byte": 0.5, "elsewhere": 0.5}
_CATALOGUE = [
    (8, 0x07, 0, False, 0), (8, 0x07, 0, False, 0x55), (8, 0x07, 0xFF, True, 0), (8, 0x31, 0, True, 0),
    (8, 0x39, 0, True, 0), (8, 0x9B, 0xFF, False, 0), (16, 0x8005, 0, True, 0), (16, 0x8005, 0xFFFF, True, 0),
    (16, 0x8005, 0, False, 0), (16, 0x1021, 0, False, 0), (16, 0x1021, 0xFFFF, False, 0),
    (16, 0x1021, 0x1D0F, False, 0), (16, 0x1021, 0xFFFF, False, 0xFFFF), (16, 0x1021, 0, True, 0),
    (16, 0x1021, 0xFFFF, True, 0xFFFF), (24, 0x864CFB, 0xB704CE, False, 0),
    (32, 0x04C11DB7, 0xFFFFFFFF, True, 0xFFFFFFFF), (32, 0x1EDC6F41, 0xFFFFFFFF, True, 0xFFFFFFFF),
]  # fmt: skip


@dataclass(frozen=True)
class Planted:
    """A random kind of block, and what its check is.

    Parameters
    ----------
    kind : str
        Of check; ``none`` where there is none.
    items : tuple of (str, int, bytes)
        Name, length and, where it is a constant, the bytes of each item.
    coded : Coded
        How everything but the sync goes on tape.
    rule : CheckRule or None
    between, behind : tuple of int
        Bytes before and after the check; -1 is a random byte, -2 one that repeats within the message.
    content : str
        What data are like: ``random``, ``code`` or ``text``.
    relation : str
        Of the messages: ``different``, ``same length``, ``blocks`` of one save, ``one byte`` changed, or the
        same program ``elsewhere``.
    """

    kind: str
    items: tuple[tuple[str, int, bytes], ...]
    coded: Coded
    rule: CheckRule | None
    between: tuple[int, ...]
    behind: tuple[int, ...]
    content: str
    relation: str

    def messages(self, dice: np.random.Generator, count: int, relation: str = "") -> list[Message]:
        """Draw messages, all different."""
        relation = relation or self.relation
        first = self._contents(dice)
        own = []
        for number in range(count):
            contents = self._contents(dice) if number else dict(first)
            if relation != "different" and "data" in contents:
                contents["data"] = self._next_data(dice, first["data"], number, relation)
                contents["length"] = first.get("length", b"")
            if relation == "one byte":
                contents |= {key: value for key, value in first.items() if key != "data"}
            elif relation == "blocks":
                contents |= {key: value for key, value in first.items() if key not in ("data", "start")}
                if "start" in contents:
                    begin = int.from_bytes(first["start"], "little") + 256 * number
                    contents["start"] = (begin & 0xFFFF).to_bytes(2, "little")
            own.append(self._message(dice, contents))
        return own

    def _next_data(self, dice: np.random.Generator, first: bytes, number: int, relation: str) -> bytes:
        if relation == "elsewhere" or number == 0:
            return first
        if relation == "one byte":
            return _changed(dice, first)
        return self._data(dice, len(first))

    def _contents(self, dice: np.random.Generator) -> dict[str, bytes]:
        contents: dict[str, bytes] = {}
        length = int(dice.integers(32, 513))
        start = int(dice.integers(1, 256)) * 256 + (0 if dice.random() < 0.6 else int(dice.integers(256)))
        for name, size, constant in self.items:
            if name == "data":
                contents[name] = self._data(dice, length)
            elif name == "length":
                contents[name] = length.to_bytes(2, "little")
            elif name in ("start", "end"):
                value = start if name == "start" else start + length - 1
                contents[name] = (value & 0xFFFF).to_bytes(2, "little")
            elif constant:
                contents[name] = constant
            else:
                letters = dice.integers(65, 91, size).astype(np.uint8).tobytes()
                contents[name] = letters[: int(dice.integers(1, size + 1))].ljust(size)
        return contents

    def _data(self, dice: np.random.Generator, length: int) -> bytes:
        if self.content == "random":
            return dice.integers(0, 256, length).astype(np.uint8).tobytes()
        if self.content == "text":
            return dice.choice(np.frombuffer(b" ETAOINSHRDLU\r0123", np.uint8), length).tobytes()
        usual = dice.integers(0, 256, 24).astype(np.uint8)
        data = np.where(dice.random(length) < 0.7, dice.choice(usual, length), dice.integers(0, 256, length))
        data[length - int(dice.integers(0, length // 4)) :] = 0
        return data.astype(np.uint8).tobytes()

    def _message(self, dice: np.random.Generator, contents: dict[str, bytes]) -> Message:
        items = tuple((name, contents[name]) for name, _, _ in self.items)
        sent = tuple(value if name == "sync" else self.coded.to_tape(value) for name, value in items)
        message = Message(items, sent, b"", b"")
        repeated = int(dice.integers(256))
        before, after = (
            bytes(byte if byte >= 0 else repeated if byte == -2 else int(dice.integers(256)) for byte in some)
            for some in (self.between, self.behind)
        )
        tail = before + (self.rule.check_bytes(message) if self.rule else b"") + after
        return replace(message, tail=tail, tail_sent=self.coded.to_tape(tail))


def _pick(dice: np.random.Generator, choices: dict[Any, float]) -> Any:
    weights = np.array(list(choices.values()), float)
    return list(choices)[int(dice.choice(len(choices), p=weights / weights.sum()))]


def random_block(dice: np.random.Generator) -> Planted:
    """Draw a kind of block."""
    items: list[tuple[str, int, bytes]] = []
    if dice.random() < 0.7:
        items.append(("sync", 1, dice.bytes(int(dice.integers(1, 3)))))
    if dice.random() < 0.3:
        items.append(("fixed", 1, dice.bytes(int(dice.integers(1, 3)))))
    fields = _pick(dice, {(): 2, ("start", "length"): 3, ("start", "end"): 3, ("length",): 2})
    if dice.random() < 0.2:
        items.append(("version", 1, dice.bytes(1)))
    if dice.random() < 0.35:
        items.append(("name", int(dice.integers(4, 12)), b""))
    items += [(name, 2, b"") for name in fields]
    if not fields or dice.random() < 0.8:
        items.append(("data", 0, b""))
    coded = _pick(dice, {Coded(): 85, Coded(coding="hex"): 8, Coded(xor=255): 5, Coded(add=48): 2})
    kind = _pick(dice, _KINDS)
    names = [name for name, _, _ in items]
    rule = None if kind == "none" else _random_rule(dice, kind, names, coded)
    between = behind = ()
    if rule is not None and dice.random() < 0.15:
        between = tuple(int(dice.choice([-1, 0, 13, 255])) for _ in range(int(dice.integers(1, 4))))
        rule = replace(rule, offset=len(between))
    if rule is None or dice.random() < 0.4:
        behind = _pick(dice, {(0,): 2, (255, 255): 1, (-1,): 2, (-1, -1): 1, (-2, -2, -2): 1, (13, 10): 1,
                              (-1, 0, 0): 1, (85, 85, 85, 85): 1})  # fmt: skip
    content = _pick(dice, {"random": 5, "code": 4, "text": 1})
    relation = _pick(dice, _RELATIONS)
    return Planted(kind, tuple(items), coded, rule, between, behind, content, relation)


def _random_rule(dice: np.random.Generator, kind: str, names: list[str], coded: Coded) -> CheckRule:
    coverage = _pick(dice, {"data": 2.5, "no sync": 4, "all": 1.5, "changing": 1, "run": 1})
    over = {
        "data": [name for name in names if name == "data"],
        "no sync": [name for name in names if name != "sync"],
        "all": names,
        "changing": [name for name in names if name not in ("sync", "fixed")],
        "run": names[int(dice.integers(len(names))) :],
    }[coverage] or names
    check: Any = kind
    if kind == "crc":
        check = _crc(*_CATALOGUE[int(dice.integers(len(_CATALOGUE)))])
    elif kind == "any-poly":
        width = _pick(dice, {8: 2, 16: 4, 32: 1})
        ones = (1 << width) - 1
        init = _pick(dice, {0: 2, ones: 2, int(dice.integers(1, ones)): 1})
        poly = int(dice.integers(1, ones)) | 1
        check = _crc(width, poly, init, dice.random() < 0.4, _pick(dice, {0: 3, ones: 1}))
    start = int(dice.integers(1, 256)) if isinstance(check, str) and dice.random() < 0.15 else 0
    xor = 255 if isinstance(check, str) and coded in (Coded(), Coded(xor=255)) and dice.random() < 0.05 else 0
    as_sent = coded != Coded() and dice.random() < 0.3
    return CheckRule(check, tuple(over), _pick(dice, {"le": 1, "be": 1}), start, as_sent, xor)


def _crc(width: int, poly: int, init: int, is_reflected: bool, xorout: int) -> CrcCheck:
    assert width in CATALOGUE_POLYS
    return CrcCheck(
        crc=CrcParameters(
            width=width, poly=poly, init=init, refin=is_reflected, refout=is_reflected, xorout=xorout
        )
    )


def misread(dice: np.random.Generator, message: Message, coded: Coded) -> Message:
    """Change one byte of the data or of what follows."""
    place = int(dice.integers(len(message.items) + 1))
    if place == len(message.items) and message.tail:
        tail = _changed(dice, message.tail)
        return replace(message, tail=tail, tail_sent=coded.to_tape(tail))
    name, value = message.items[-1]
    value = _changed(dice, value)
    return replace(
        message, items=(*message.items[:-1], (name, value)), sent=(*message.sent[:-1], coded.to_tape(value))
    )


def _changed(dice: np.random.Generator, data: bytes) -> bytes:
    place = int(dice.integers(len(data)))
    return data[:place] + bytes([data[place] ^ int(dice.integers(1, 256))]) + data[place + 1 :]


def judged(block: Planted, messages: list[Message], fresh: list[Message]) -> tuple[str, str]:
    """Look for the check, and say whether what is found holds for messages it was not found on.

    Returns
    -------
    verdict : str
        ``right``, ``rival`` (open, and a rival is right), ``wrong``, ``none`` (no claim, rightly) or
        ``missed``.
    certainty : str
    """
    claims = find_checks(messages)
    if not claims:
        return ("none" if block.rule is None else "missed"), "-"
    held = [block.rule is not None and all(map(claim.rule.holds, fresh)) for claim in claims]
    if held[0]:
        return "right", claims[0].certainty
    return ("rival" if any(held) and claims[0].certainty == "open" else "wrong"), claims[0].certainty


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--blocks", type=int, default=400)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--tell", action="store_true", help="print what went wrong")
    options = parser.parse_args()
    columns = [
        ("right", "certain"), ("right", "likely"), ("right", "open"), ("rival", "open"), ("wrong", "open"),
        ("wrong", "likely"), ("wrong", "certain"), ("missed", "-"), ("none", "-"),
    ]  # fmt: skip
    print("n    " + "  ".join(f"{verdict} {certainty}".ljust(13) for verdict, certainty in columns) + "ms")
    for count in (1, 2, 3, 9):
        counts: Counter[tuple[str, str]] = Counter()
        spent = 0.0
        for number in range(options.blocks):
            dice = np.random.default_rng([options.seed, count, number])
            block = random_block(dice)
            messages = block.messages(dice, count)
            fresh = block.messages(dice, _FRESH, "different")
            if count > 2 and dice.random() < 0.1:
                messages[-1] = misread(dice, messages[-1], block.coded)
            began = time.process_time()
            verdict = judged(block, messages, fresh)
            spent += time.process_time() - began
            counts[verdict] += 1
            if options.tell and count > 1 and verdict[0] in ("wrong", "missed"):
                print(number, *verdict, block)
                for claim in find_checks(messages)[:2]:
                    print("     ", claim.words)
        shares = "  ".join(f"{100 * counts[key] / options.blocks:.1f} %".ljust(13) for key in columns)
        print(f"{count:<4} {shares}{1000 * spent / options.blocks:.0f}")


if __name__ == "__main__":
    main()
