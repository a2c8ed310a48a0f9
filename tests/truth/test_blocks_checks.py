"""Checks against published values and an independent library; source: shared dossier, section 8."""

from __future__ import annotations

import crccheck
import numpy as np
import pytest

from tapewright.cards import check_value
from tapewright.cards.checks import CrcCheck, CrcParameters

NINE = b"123456789"


def crc(width: int, poly: int, init: int, reflected: bool, xorout: int) -> CrcCheck:
    return CrcCheck(
        crc=CrcParameters(width=width, poly=poly, init=init, refin=reflected, refout=reflected, xorout=xorout)
    )


# Names and values: RevEng catalogue of parametrised CRC algorithms, as listed in the dossier.
CATALOGUE = {
    "CRC-8/SMBUS": (crc(8, 0x07, 0, False, 0), 0xF4),
    "CRC-8/I-432-1": (crc(8, 0x07, 0, False, 0x55), 0xA1),
    "CRC-8/ROHC": (crc(8, 0x07, 0xFF, True, 0), 0xD0),
    "CRC-8/MAXIM-DOW": (crc(8, 0x31, 0, True, 0), 0xA1),
    "CRC-8/DARC": (crc(8, 0x39, 0, True, 0), 0x15),
    "CRC-8/CDMA2000": (crc(8, 0x9B, 0xFF, False, 0), 0xDA),
    "CRC-16/ARC": (crc(16, 0x8005, 0, True, 0), 0xBB3D),
    "CRC-16/MODBUS": (crc(16, 0x8005, 0xFFFF, True, 0), 0x4B37),
    "CRC-16/USB": (crc(16, 0x8005, 0xFFFF, True, 0xFFFF), 0xB4C8),
    "CRC-16/UMTS": (crc(16, 0x8005, 0, False, 0), 0xFEE8),
    "CRC-16/XMODEM": (crc(16, 0x1021, 0, False, 0), 0x31C3),
    "CRC-16/CCITT-FALSE": (crc(16, 0x1021, 0xFFFF, False, 0), 0x29B1),
    "CRC-16/AUG-CCITT": (crc(16, 0x1021, 0x1D0F, False, 0), 0xE5CC),
    "CRC-16/GENIBUS": (crc(16, 0x1021, 0xFFFF, False, 0xFFFF), 0xD64E),
    "CRC-16/KERMIT": (crc(16, 0x1021, 0, True, 0), 0x2189),
    "CRC-16/X-25": (crc(16, 0x1021, 0xFFFF, True, 0xFFFF), 0x906E),
    "CRC-16/MCRF4XX": (crc(16, 0x1021, 0xFFFF, True, 0), 0x6F91),
    "CRC-24/OPENPGP": (crc(24, 0x864CFB, 0xB704CE, False, 0), 0x21CF02),
    "CRC-32/ISO-HDLC": (crc(32, 0x04C11DB7, 0xFFFFFFFF, True, 0xFFFFFFFF), 0xCBF43926),
    "CRC-32/BZIP2": (crc(32, 0x04C11DB7, 0xFFFFFFFF, False, 0xFFFFFFFF), 0xFC891918),
    "CRC-32/MPEG-2": (crc(32, 0x04C11DB7, 0xFFFFFFFF, False, 0), 0x0376E6E7),
    "CRC-32/JAMCRC": (crc(32, 0x04C11DB7, 0xFFFFFFFF, True, 0), 0x340BC6D9),
    "CRC-32/CKSUM": (crc(32, 0x04C11DB7, 0, False, 0xFFFFFFFF), 0x765E7680),
    "CRC-32/ISCSI": (crc(32, 0x1EDC6F41, 0xFFFFFFFF, True, 0xFFFFFFFF), 0xE3069283),
}


@pytest.mark.parametrize("name", CATALOGUE)
def test_crc_gives_the_catalogue_value_over_the_nine_digits(name: str) -> None:
    check, value = CATALOGUE[name]
    assert check_value(check, NINE) == value


@pytest.mark.parametrize(
    "kind,value",
    [("sum8", 0xDD), ("sum8-neg", 0x23), ("xor8", 0x31), ("sum16", 0x01DD), ("fletcher16", 0x1EDE)],
)
def test_simple_check_gives_the_dossier_value_over_the_nine_digits(kind: str, value: int) -> None:
    assert check_value(kind, NINE) == value


@pytest.mark.parametrize("text,value", [(b"abcde", 0xC8F0), (b"abcdef", 0x2057), (b"abcdefgh", 0x0627)])
def test_fletcher_gives_the_published_values(text: bytes, value: int) -> None:
    assert check_value("fletcher16", text) == value


@pytest.mark.parametrize(
    "check,independent",
    [
        (crc(16, 0x1021, 0xFFFF, False, 0), crccheck.crc.Crc16CcittFalse),
        (crc(16, 0x8005, 0, True, 0), crccheck.crc.Crc16Arc),
        (crc(32, 0x04C11DB7, 0xFFFFFFFF, True, 0xFFFFFFFF), crccheck.crc.Crc32),
        (crc(8, 0x31, 0, True, 0), crccheck.crc.Crc8MaximDow),
        ("xor8", crccheck.checksum.ChecksumXor8),
    ],
    ids=["ccitt-false", "arc", "crc32", "maxim", "xor8"],
)
def test_checks_agree_with_an_independent_library_on_random_bytes(check, independent) -> None:
    data = np.random.default_rng(8).integers(0, 256, 1000).astype(np.uint8).tobytes()
    for cut in (1, 2, 255, 256, 1000):
        assert check_value(check, data[:cut]) == independent.calc(data[:cut])


def test_a_block_ended_by_its_ccitt_false_crc_leaves_the_register_at_zero() -> None:
    # residue 0000, dossier section 8
    check = crc(16, 0x1021, 0xFFFF, False, 0)
    assert check_value(check, NINE + check_value(check, NINE).to_bytes(2, "big")) == 0


def test_a_block_and_its_negated_sum_add_up_to_zero() -> None:
    assert (sum(NINE) + check_value("sum8-neg", NINE)) % 256 == 0
