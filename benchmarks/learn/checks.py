"""Random checks: sums, exclusive or, Fletcher's, and CRCs from the catalogue or with any odd polynomial."""

from __future__ import annotations

from typing import Any

from benchmarks.learn.dice import Dice

__all__ = ["CATALOGUE", "random_check"]

#: width, poly, init, is reflected, xorout: published parameter sets (RevEng's catalogue of parametrised CRC
#: algorithms, by the figures; the names are those of the catalogue).
CATALOGUE: dict[str, tuple[int, int, int, bool, int]] = {
    "CRC-8/SMBUS": (8, 0x07, 0x00, False, 0x00),
    "CRC-8/I-432-1": (8, 0x07, 0x00, False, 0x55),
    "CRC-8/ROHC": (8, 0x07, 0xFF, True, 0x00),
    "CRC-8/MAXIM-DOW": (8, 0x31, 0x00, True, 0x00),
    "CRC-8/DARC": (8, 0x39, 0x00, True, 0x00),
    "CRC-8/CDMA2000": (8, 0x9B, 0xFF, False, 0x00),
    "CRC-16/ARC": (16, 0x8005, 0x0000, True, 0x0000),
    "CRC-16/MODBUS": (16, 0x8005, 0xFFFF, True, 0x0000),
    "CRC-16/UMTS": (16, 0x8005, 0x0000, False, 0x0000),
    "CRC-16/XMODEM": (16, 0x1021, 0x0000, False, 0x0000),
    "CRC-16/CCITT-FALSE": (16, 0x1021, 0xFFFF, False, 0x0000),
    "CRC-16/AUG-CCITT": (16, 0x1021, 0x1D0F, False, 0x0000),
    "CRC-16/GENIBUS": (16, 0x1021, 0xFFFF, False, 0xFFFF),
    "CRC-16/KERMIT": (16, 0x1021, 0x0000, True, 0x0000),
    "CRC-16/X-25": (16, 0x1021, 0xFFFF, True, 0xFFFF),
    "CRC-32/ISO-HDLC": (32, 0x04C11DB7, 0xFFFFFFFF, True, 0xFFFFFFFF),
    "CRC-32/BZIP2": (32, 0x04C11DB7, 0xFFFFFFFF, False, 0xFFFFFFFF),
    "CRC-32/ISCSI": (32, 0x1EDC6F41, 0xFFFFFFFF, True, 0xFFFFFFFF),
}
#: Old machines mostly add up.
_KINDS = {
    "sum8": 6, "sum8-neg": 3, "xor8": 4, "sum16": 3, "fletcher16": 1, "catalogue": 3, "any-poly": 2,
}  # fmt: skip
_START_BITS = {"sum8": 8, "sum8-neg": 8, "xor8": 8, "sum16": 16}


def random_check(dice: Dice, over: list[str], can_differ_as_sent: bool) -> tuple[dict[str, Any], str]:
    """Draw a check over these items.

    Parameters
    ----------
    dice : Dice
    over : list of str
    can_differ_as_sent : bool
        Whether bytes are coded, so that a check can be over what stands on tape.

    Returns
    -------
    item : dict
        As in a card, without coding.
    word : str
        Which kind it is.
    """
    kind = dice.pick(list(_KINDS), list(_KINDS.values()))
    crc = None
    if kind == "catalogue":
        crc = _crc(*CATALOGUE[dice.pick(list(CATALOGUE))])
    elif kind == "any-poly":
        crc = _any_poly(dice)
    item: dict[str, Any] = {"check": kind if crc is None else {"crc": crc}, "over": over}
    if kind in ("sum16", "fletcher16") or (crc and crc["width"] > 8):
        item["order"] = dice.pick(["le", "be"])
    if kind in _START_BITS and dice.chance(0.15):
        item["start"] = dice.whole(1, (1 << _START_BITS[kind]) - 1)
    if can_differ_as_sent and dice.chance(0.3):
        item["as_sent"] = True
    return item, kind if crc is None else f"crc{crc['width']}-{kind}"


def _crc(width: int, poly: int, init: int, is_reflected: bool, xorout: int) -> dict[str, Any]:
    return {
        "width": width, "poly": poly, "init": init, "refin": is_reflected, "refout": is_reflected,
        "xorout": xorout,
    }  # fmt: skip


def _any_poly(dice: Dice) -> dict[str, Any]:
    width = dice.pick([8, 16, 32], [2, 4, 1])
    ones = (1 << width) - 1
    init = dice.pick([0, ones, dice.whole(1, ones)], [3, 3, 0.4])
    return _crc(width, dice.whole(1, ones) | 1, init, dice.chance(0.4), dice.pick([0, ones], [3, 1]))
