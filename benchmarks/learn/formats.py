"""Formats that never were, and saves in them: what a learner of formats is measured with.

Examples
--------
How well the generator and the reader of cards agree::

    .venv/bin/python -m benchmarks.learn.formats --count 200
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchmarks.learn.dice import Dice
from benchmarks.learn.framings import random_framing
from benchmarks.learn.layouts import random_layout
from benchmarks.learn.line_codes import FAMILIES, random_line_code
from tapewright.cards import FormatCard
from tapewright.cards.layout import Data, FieldItem, TextField

__all__ = ["FAMILIES", "MadeUp", "random_format", "random_program", "random_start"]

#: Programs are code-like or random, by these shares.
CODE_SHARE = 0.6


@dataclass(frozen=True)
class MadeUp:
    """A made-up format.

    Parameters
    ----------
    card : FormatCard
    family : str
        One of `FAMILIES`.
    idle_between : (int, int)
        Fewest and most idle symbols that the machine leaves between bytes; a card has no word for it.
    sign_is_data : bool
        Whether the sound upside down is another program, unless the sync tells.
    traits : tuple of str
        What it is like in words, to count by.
    """

    card: FormatCard
    family: str
    idle_between: tuple[int, int] = (0, 0)
    sign_is_data: bool = False
    traits: tuple[str, ...] = ()

    @property
    def has_check(self) -> bool:
        """Whether every block has a check, so that a reading can be verified."""
        return all(block.checks for block in self.card.block)

    @property
    def constant_kinds(self) -> frozenset[str]:
        """Kinds of block that are the same on every tape: nobody can tell their check from a constant."""
        return frozenset(
            block.kind
            for block in self.card.block
            if all(
                isinstance(item, FieldItem) and item.value is not None and not item.value.names
                for item in block.layout
                if isinstance(item, (FieldItem, TextField, Data))
            )
        )

    @property
    def has_addresses(self) -> bool:
        """Whether a reader learns where the data load."""
        return self.card.carries_addresses

    @property
    def has_name(self) -> bool:
        """Whether a name stands on tape."""
        return any(isinstance(item, TextField) for block in self.card.block for item in block.layout)

    @property
    def data_bits(self) -> int:
        """Bits of a program byte that reach the tape."""
        data = next(block.data for block in self.card.block if block.data is not None)
        return 8 if data.coding == "hex" else self.card.byte.bits


def random_format(rng: np.random.Generator, family: str | None = None) -> MadeUp:
    """Make a format up.

    Parameters
    ----------
    rng : numpy Generator
    family : str, optional
        One of `FAMILIES`; any, if not given.

    Returns
    -------
    MadeUp
        Its card is valid and can be read with.
    """
    dice = Dice(rng)
    family = family or dice.pick(FAMILIES)
    code = random_line_code(dice, family)
    framing = random_framing(dice, code)
    layout = random_layout(dice, framing)
    card = FormatCard.model_validate(
        {
            "card": "format",
            "name": f"made-up-{family}-{dice.whole(0, 999_999):06d}",
            "title": f"A machine that never was, {family}",
            "source": "drawn at random for measurements",
            "symbols": code.symbols,
            "byte": framing.byte,
            "block": layout.blocks,
        }
    )
    traits = (*code.traits, *framing.traits, *layout.traits)
    return MadeUp(card, family, framing.idle_between, code.sign_is_data, traits)


def random_program(rng: np.random.Generator, made_up: MadeUp, n: int) -> bytes:
    """Draw `n` bytes that the format can carry: random ones, or with what programs are full of.

    Code-like programs hold stretches of a few favourite bytes, zeros, text, and a table repeated.
    """
    dice = Dice(rng)
    drawn = _code_like(dice, n) if dice.chance(CODE_SHARE) else rng.bytes(n)
    mask = (1 << made_up.data_bits) - 1
    return bytes(value & mask for value in drawn)


def _code_like(dice: Dice, n: int) -> bytes:
    favourites = dice.rng.bytes(24)
    table = dice.rng.bytes(dice.whole(3, 12))
    program = b""
    while len(program) < n:
        count = dice.whole(4, 48)
        what = dice.pick(["code", "random", "zeros", "text", "table"], [6, 3, 1, 2, 1])
        if what == "code":
            program += bytes(dice.pick([*favourites, dice.whole(0, 255)]) for _ in range(count))
        elif what == "random":
            program += dice.rng.bytes(count)
        elif what == "zeros":
            program += bytes(count)
        elif what == "text":
            program += bytes(dice.pick(b"ABCDEFGHIJKLMNOPQRSTUVWXYZ  0123456789.,") for _ in range(count))
        else:
            program += (table * count)[: 2 * count]
    return program[:n]


def random_start(rng: np.random.Generator) -> int:
    """Draw an address to load at, as they are: often on a page, sometimes anywhere."""
    dice = Dice(rng)
    if dice.chance(0.5):
        return 256 * dice.whole(2, 0xFC)
    return dice.whole(0x0200, 0xFC00)


if __name__ == "__main__":
    from benchmarks.learn.agreement import main

    main()
