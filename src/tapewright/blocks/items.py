"""What writing and reading a layout share: numbers as bytes, and what a check covers."""

from __future__ import annotations

from tapewright.cards import BlockLayout, FormatCard, check_value, check_width_bytes
from tapewright.cards.layout import FIELD_WIDTH, Check, FieldItem

__all__ = ["Covered", "check_from_bytes", "constant_of", "followers", "number_from_bytes", "number_to_bytes"]


def number_to_bytes(value: int, kind: str) -> bytes:
    """Lay a number out as a field type such as ``u16-le`` says; it must fit."""
    return value.to_bytes(FIELD_WIDTH[kind], "big" if kind.endswith("be") else "little")


def number_from_bytes(data: bytes, kind: str) -> int:
    """Undo `number_to_bytes`."""
    return int.from_bytes(data, "big" if kind.endswith("be") else "little")


def check_from_bytes(item: Check, data: bytes) -> int:
    """Give the value of a check from its (decoded) bytes."""
    return int.from_bytes(data, "big" if item.order == "be" else "little")


def constant_of(item: FieldItem) -> int | None:
    """Give the value a field always has, or None where it may vary."""
    if item.value is None or item.value.names or item.varies:
        return None
    return item.value.value({})


def followers(card: FormatCard, layout: BlockLayout) -> list[BlockLayout]:
    """List the kinds of block that come after this one, in the card's order."""
    return [block for block in card.block if block.after == layout.kind]


class Covered:
    """The bytes of a block's items so far, under the names a check can cover.

    A name that stands for several items (``fixed``, ``sync``) covers them all, in order.
    """

    def __init__(self) -> None:
        self._plain: dict[str, bytes] = {}
        self._sent: dict[str, bytes] = {}

    def add(self, name: str, plain: bytes, sent: bytes) -> None:
        """Remember an item's bytes, before coding and as they stand on tape."""
        self._plain[name] = self._plain.get(name, b"") + plain
        self._sent[name] = self._sent.get(name, b"") + sent

    def check(self, item: Check) -> int:
        """Work a check out over what it covers."""
        parts = self._sent if item.as_sent else self._plain
        return check_value(item.check, b"".join(parts.get(name, b"") for name in item.over), item.start)

    def check_bytes(self, item: Check) -> bytes:
        """Lay the check out as bytes, before its own coding."""
        width = check_width_bytes(item.check)
        return self.check(item).to_bytes(width, "big" if item.order == "be" else "little")
