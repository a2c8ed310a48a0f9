"""Made-up blocks, to see whether two rules for a check would ever write different bytes."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from typing import Literal

import numpy as np

from tapewright.cards.layout import Coded
from tapewright.learn.check_rule import Message

__all__ = ["coder_of", "probe_messages"]

_SEED = 7
_PROBES = 4


def probe_messages(messages: Sequence[Message], constants: Collection[str]) -> list[Message]:
    """Make blocks of the same layout with other contents: constants stay, data vary in length too.

    Two rules that give the same checks for all of them give the same for any program, but for a chance of
    1 in 2^32 or less.
    """
    dice = np.random.default_rng(_SEED)
    model = messages[0]
    coders = [
        coder_of([(m.items[n][1], m.sent[n]) for m in messages if len(m.items) > n])
        for n in range(len(model.items))
    ]
    probes = []
    for probe in range(_PROBES):
        items, sent = [], []
        for (name, value), on_tape, to_tape in zip(model.items, model.sent, coders, strict=True):
            if name not in constants:
                length = len(value) if name != "data" else max(1, len(value) // 2) + 7 * probe
                value = dice.integers(0, 256, length).astype(np.uint8).tobytes()
                on_tape = to_tape(value)
            items.append((name, value))
            sent.append(on_tape)
        probes.append(Message(tuple(items), tuple(sent), b"", b""))
    return probes


def coder_of(pairs: Sequence[tuple[bytes, bytes]]) -> Callable[[bytes], bytes]:
    """Find out how bytes are changed on its way to tape; where that fails, make sure it is changed."""
    for coded in _possible(pairs):
        if all(coded.to_tape(plain) == sent for plain, sent in pairs):
            return coded.to_tape
    return lambda plain: plain[::-1] + b"?"


def _possible(pairs: Sequence[tuple[bytes, bytes]]) -> Iterator[Coded]:
    plain, sent = next(((plain, sent) for plain, sent in pairs if plain), (b"", b""))
    if not plain:
        yield Coded()
        return
    coding: Literal["plain", "hex"] = "hex" if len(sent) == 2 * len(plain) else "plain"
    first = Coded(coding=coding).to_tape(plain)[0]
    for add in range(256):
        yield Coded(coding=coding, add=add, xor=(first + add & 255) ^ sent[0])
