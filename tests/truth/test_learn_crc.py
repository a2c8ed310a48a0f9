"""Every published CRC is recovered from three blocks; source: shared dossier, section 8."""

from __future__ import annotations

import numpy as np
import pytest

from tapewright.cards.checks import CrcParameters, check_value
from tapewright.learn.check_rule import CheckRule, Message
from tapewright.learn.checks import find_checks

# Names, parameters (width, poly, init, is reflected, xorout) and check values over "123456789": RevEng
# catalogue of parametrised CRC algorithms, as listed in the dossier.
CATALOGUE = {
    "CRC-8/SMBUS": (8, 0x07, 0, False, 0, 0xF4),
    "CRC-8/I-432-1": (8, 0x07, 0, False, 0x55, 0xA1),
    "CRC-8/ROHC": (8, 0x07, 0xFF, True, 0, 0xD0),
    "CRC-8/MAXIM-DOW": (8, 0x31, 0, True, 0, 0xA1),
    "CRC-8/DARC": (8, 0x39, 0, True, 0, 0x15),
    "CRC-8/CDMA2000": (8, 0x9B, 0xFF, False, 0, 0xDA),
    "CRC-16/ARC": (16, 0x8005, 0, True, 0, 0xBB3D),
    "CRC-16/MODBUS": (16, 0x8005, 0xFFFF, True, 0, 0x4B37),
    "CRC-16/USB": (16, 0x8005, 0xFFFF, True, 0xFFFF, 0xB4C8),
    "CRC-16/UMTS": (16, 0x8005, 0, False, 0, 0xFEE8),
    "CRC-16/XMODEM": (16, 0x1021, 0, False, 0, 0x31C3),
    "CRC-16/CCITT-FALSE": (16, 0x1021, 0xFFFF, False, 0, 0x29B1),
    "CRC-16/AUG-CCITT": (16, 0x1021, 0x1D0F, False, 0, 0xE5CC),
    "CRC-16/GENIBUS": (16, 0x1021, 0xFFFF, False, 0xFFFF, 0xD64E),
    "CRC-16/KERMIT": (16, 0x1021, 0, True, 0, 0x2189),
    "CRC-16/X-25": (16, 0x1021, 0xFFFF, True, 0xFFFF, 0x906E),
    "CRC-16/MCRF4XX": (16, 0x1021, 0xFFFF, True, 0, 0x6F91),
    "CRC-24/OPENPGP": (24, 0x864CFB, 0xB704CE, False, 0, 0x21CF02),
    "CRC-32/ISO-HDLC": (32, 0x04C11DB7, 0xFFFFFFFF, True, 0xFFFFFFFF, 0xCBF43926),
    "CRC-32/BZIP2": (32, 0x04C11DB7, 0xFFFFFFFF, False, 0xFFFFFFFF, 0xFC891918),
    "CRC-32/MPEG-2": (32, 0x04C11DB7, 0xFFFFFFFF, False, 0, 0x0376E6E7),
    "CRC-32/JAMCRC": (32, 0x04C11DB7, 0xFFFFFFFF, True, 0, 0x340BC6D9),
    "CRC-32/CKSUM": (32, 0x04C11DB7, 0, False, 0xFFFFFFFF, 0x765E7680),
    "CRC-32/ISCSI": (32, 0x1EDC6F41, 0xFFFFFFFF, True, 0xFFFFFFFF, 0xE3069283),
}


def plain_crc(data: bytes, width: int, poly: int, init: int, is_reflected: bool, xorout: int) -> int:
    """Work a CRC out bit by bit, as the catalogue's model says: no code of ours, no library."""
    register = init
    for byte in data:
        for place in range(8):
            bit = byte >> (place if is_reflected else 7 - place) & 1
            carry = register >> (width - 1) & 1
            register = register << 1 & (1 << width) - 1
            register ^= poly if bit ^ carry else 0
    if is_reflected:
        register = int(f"{register:0{width}b}"[::-1], 2)
    return register ^ xorout


@pytest.mark.parametrize("name", CATALOGUE)
@pytest.mark.parametrize("lengths", [(60, 60, 60), (37, 90, 212)], ids=["same length", "lengths"])
def test_a_published_crc_is_recovered_from_three_blocks(name, lengths) -> None:
    width, poly, init, is_reflected, xorout, nine = CATALOGUE[name]
    assert plain_crc(b"123456789", width, poly, init, is_reflected, xorout) == nine
    dice = np.random.default_rng(width)
    messages = []
    for length in lengths:
        data = dice.bytes(length)
        check = plain_crc(data, width, poly, init, is_reflected, xorout).to_bytes(width // 8, "big")
        messages.append(Message.uncoded([("data", data)], check))

    claim = find_checks(messages)[0]

    wanted = CrcParameters(
        width=width, poly=poly, init=init, refin=is_reflected, refout=is_reflected, xorout=xorout
    )
    candidates = [claim.rule, *claim.variants]
    if len(set(lengths)) == 1:
        # at one length, a start value can be exchanged for a final value: then both must be listed
        candidates += [rule for rival in claim.rivals for rule in (rival.rule, *rival.variants)]
    else:
        assert claim.rule.check.crc == wanted
    assert wanted in [rule.check.crc for rule in candidates]
    assert any(check_value(rule.check, b"123456789") == nine for rule in candidates)
    assert all(rule == CheckRule(rule.check, ("data",)) for rule in candidates if rule.check.crc == wanted)
