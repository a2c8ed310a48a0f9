"""Checks over "123456789" against the published values in standards.md section 8, and their algebra."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapewright.cards import check_value, check_width_bytes
from tapewright.cards.checks import CrcCheck, CrcParameters

NINE = b"123456789"

# Values of standards.md section 8, computed there three ways (own bitwise code, anycrc, crccheck).
SIMPLE = [
    ("sum8", NINE, 0xDD),
    ("sum8-neg", NINE, 0x23),
    ("xor8", NINE, 0x31),
    ("sum16", NINE, 0x01DD),
    ("fletcher16", NINE, 0x1EDE),
    ("fletcher16", b"abcde", 0xC8F0),
    ("fletcher16", b"abcdef", 0x2057),
    ("fletcher16", b"abcdefgh", 0x0627),
]

# Check values as in the RevEng catalogue of parametrised CRC algorithms.
CRCS = [
    ("CRC-8/SMBUS", 8, 0x07, 0, False, 0, 0xF4),
    ("CRC-8/ROHC", 8, 0x07, 0xFF, True, 0, 0xD0),
    ("CRC-16/XMODEM", 16, 0x1021, 0, False, 0, 0x31C3),
    ("CRC-16/CCITT-FALSE", 16, 0x1021, 0xFFFF, False, 0, 0x29B1),
    ("CRC-16/KERMIT", 16, 0x1021, 0, True, 0, 0x2189),
    ("CRC-16/X-25", 16, 0x1021, 0xFFFF, True, 0xFFFF, 0x906E),
    ("CRC-16/ARC", 16, 0x8005, 0, True, 0, 0xBB3D),
    ("CRC-24/OPENPGP", 24, 0x864CFB, 0xB704CE, False, 0, 0x21CF02),
    ("CRC-32/ISO-HDLC", 32, 0x04C11DB7, 0xFFFFFFFF, True, 0xFFFFFFFF, 0xCBF43926),
]


def crc_check(width, poly, init, reflected, xorout):
    parameters = CrcParameters(
        width=width, poly=poly, init=init, refin=reflected, refout=reflected, xorout=xorout
    )
    return CrcCheck(crc=parameters)


@pytest.mark.parametrize("kind, data, value", SIMPLE)
def test_simple_checks(kind, data, value):
    assert check_value(kind, data) == value


@pytest.mark.parametrize("name, width, poly, init, reflected, xorout, value", CRCS)
def test_crc(name, width, poly, init, reflected, xorout, value):
    kind = crc_check(width, poly, init, reflected, xorout)
    assert check_value(kind, NINE) == value
    assert check_width_bytes(kind) == width // 8


def test_start_takes_the_place_of_init():
    # CRC-16/XMODEM started from FFFFh is CRC-16/CCITT-FALSE.
    assert check_value(crc_check(16, 0x1021, 0, False, 0), NINE, start=0xFFFF) == 0x29B1


@given(st.binary(max_size=300), st.integers(0, 0xFF))
def test_bytes_and_negated_sum_add_up_to_nothing(data, start):
    assert (sum(data) + check_value("sum8-neg", data, start) + start) % 256 == 0


@given(st.binary(max_size=3000), st.integers(0, 254), st.integers(0, 254))
def test_fletcher_is_the_two_running_sums(data, low, high):
    start = high << 8 | low
    for byte in data:  # the definition, byte by byte
        low = (low + byte) % 255
        high = (high + low) % 255
    assert check_value("fletcher16", data, start) == high << 8 | low


@given(st.binary(max_size=100), st.binary(max_size=100), st.sampled_from(["sum8", "xor8", "sum16"]))
def test_a_check_can_be_carried_on_from_where_it_stood(first, second, kind):
    assert check_value(kind, second, check_value(kind, first)) == check_value(kind, first + second)
