"""Whether recordings tell a check at all: one message fits too many rules where the rule may be any."""

from __future__ import annotations

from collections.abc import Sequence

from benchmarks.learn.checks import CATALOGUE
from benchmarks.learn.formats import MadeUp
from tapewright import read
from tapewright.cards import BlockLayout
from tapewright.cards.checks import CrcCheck
from tapewright.cards.layout import Check
from tapewright.model import Recording

__all__ = ["is_untold"]


def is_untold(made_up: MadeUp, recordings: Sequence[Recording]) -> bool:
    """Say whether a kind of block with a rule of its own is there only once, copies left out.

    A sum that starts from any value fits every message, and for a CRC of any polynomial there are as many
    rules as values: nobody can choose among them by one message. (By two, a CRC of any polynomial that also
    starts from any value can hardly be told; that is not counted.)

    Parameters
    ----------
    made_up : MadeUp
    recordings : sequence of Recording
    """
    rare = {block.kind for block in made_up.card.block if _has_rare_check(block)} - made_up.constant_kinds
    messages: dict[str, set[tuple[bytes, str]]] = {kind: set() for kind in rare}
    for recording in recordings if rare else ():
        for block in read(recording, format=made_up.card).blocks:
            if block.kind in rare:
                messages[block.kind].add((block.data, str(sorted(block.fields.items()))))
    return any(len(different) < 2 for different in messages.values())


def _has_rare_check(block: BlockLayout) -> bool:
    return any(isinstance(item, Check) and _is_rare(item) for item in block.layout)


def _is_rare(check: Check) -> bool:
    if isinstance(check.check, CrcCheck):
        crc = check.check.crc
        return (crc.width, crc.poly, crc.init, crc.refin, crc.xorout) not in CATALOGUE.values()
    return check.start != 0
