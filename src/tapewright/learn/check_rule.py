"""What a check of a block may be: the bytes it is worked out over, how, and where it stands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from tapewright.cards.checks import CrcCheck, SimpleCheck, check_value, check_width_bytes

__all__ = ["CONSTANT_NAMES", "CheckRule", "Coverage", "Message", "Order", "Place"]

Order = Literal["le", "be"]
#: The names a check covers, and whether as the bytes stand on tape.
Coverage = tuple[tuple[str, ...], bool]

#: Items that are the same on every tape, under the names a check covers them by.
CONSTANT_NAMES = frozenset({"sync", "fixed"})


@dataclass(frozen=True)
class Message:
    """One block as read: what stands before its check, and the bytes the check is among.

    Parameters
    ----------
    items : tuple of (str, bytes)
        The items before the check as they are in memory, in the order of the tape, under the names a check
        covers them by: ``sync``, ``fixed``, ``data``, or the name of a field or text.
    sent : tuple of bytes
        The same items as they stand on tape.
    tail : bytes
        What follows, its coding undone.
    tail_sent : bytes
        The same as it stands on tape.
    """

    items: tuple[tuple[str, bytes], ...]
    sent: tuple[bytes, ...]
    tail: bytes
    tail_sent: bytes

    @classmethod
    def uncoded(cls, items: Sequence[tuple[str, bytes]], tail: bytes) -> Message:
        """Make a message whose bytes stand on tape as they are in memory."""
        return cls(tuple(items), tuple(value for _, value in items), tail, tail)

    @property
    def names(self) -> tuple[str, ...]:
        """The names a check can cover, each once, in the order of the tape."""
        return tuple(dict.fromkeys(name for name, _ in self.items))

    def covered(self, name: str, as_sent: bool) -> bytes:
        """Give all bytes that go by this name."""
        parts = self.sent if as_sent else [value for _, value in self.items]
        return b"".join(part for (own, _), part in zip(self.items, parts, strict=True) if own == name)

    def all_covered(self, over: Sequence[str], as_sent: bool) -> bytes:
        """Give all bytes that go by these names, one name after another."""
        return b"".join(self.covered(name, as_sent) for name in over)

    def after(self, is_coded: bool) -> bytes:
        """Give what follows the items, its coding undone or as it stands on tape."""
        return self.tail if is_coded else self.tail_sent


@dataclass(frozen=True)
class Place:
    """Where a check may stand.

    Parameters
    ----------
    is_coded : bool
    offset : int
        As in a `CheckRule`.
    width_bytes : int
    order : {"le", "be"}
    """

    is_coded: bool
    offset: int
    width_bytes: int
    order: Order


@dataclass(frozen=True)
class CheckRule:
    """A check as a card writes it, and where among the bytes after the items it begins.

    Parameters
    ----------
    check : str or CrcCheck
    over : tuple of str
    order : {"le", "be"}
    start : int
        As in a card.
    as_sent : bool
        Whether it is worked out over the bytes as they stand on tape.
    xor : int
        Exclusive-ored with each byte of the check, beyond what its coding does; 255 inverts.
    is_coded : bool
        Whether the check is coded as the tail is (`Message.tail`); else it goes on tape as it is.
    offset : int
        Bytes between the last item and the check.
    """

    check: SimpleCheck | CrcCheck
    over: tuple[str, ...]
    order: Order = "be"
    start: int = 0
    as_sent: bool = False
    xor: int = 0
    is_coded: bool = True
    offset: int = 0

    @property
    def width_bytes(self) -> int:
        """How many bytes the check takes."""
        return check_width_bytes(self.check)

    @property
    def begins_plainly(self) -> bool:
        """Whether it starts from nothing, or a CRC from all ones; another start may be constants covered."""
        if isinstance(self.check, str):
            return not self.start
        crc = self.check.crc
        return crc.init in (0, (1 << crc.width) - 1)

    def check_bytes(self, message: Message) -> bytes:
        """Work out the bytes of the check for a message."""
        return self.bytes_over(message.all_covered(self.over, self.as_sent))

    def bytes_over(self, data: bytes) -> bytes:
        """Work out the bytes of the check for what it covers."""
        value = check_value(self.check, data, self.start)
        sent = value.to_bytes(self.width_bytes, "big" if self.order == "be" else "little")
        return bytes(byte ^ self.xor for byte in sent)

    def holds(self, message: Message) -> bool:
        """Whether the check stands where it should."""
        tail = message.after(self.is_coded)
        return tail[self.offset : self.offset + self.width_bytes] == self.check_bytes(message)
