"""Addresses as people write them; one that could mean two things is refused."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from command_line import run
from tapewright.cli.numbers import parse_address, parse_hex
from tapewright.model import UsageError

ADDRESSES = st.integers(0, 0xFFFF_FFFF)


@given(ADDRESSES)
def test_every_marked_address_is_read(address):
    for text in (f"0x{address:x}", f"0X{address:X}", f"${address:X}", f"{address:04X}h", f"{address:x}H"):
        assert parse_address(text) == address


@given(st.integers(0, 0xFFFF))
def test_an_unmarked_number_is_hexadecimal_or_refused_and_never_decimal(value):
    """Whatever four digits come through are the hexadecimal ones, and those refused could be decimal."""
    text = f"{value:04X}"
    if text.isdecimal() and text[0] != "0":
        with pytest.raises(
            UsageError, match=f"write 0x{int(text):X} if it is decimal, 0x{text} if it is hex"
        ):
            parse_address(text)
    else:
        assert parse_address(text) == value


@pytest.mark.parametrize("text", ["512", "1000", "65536", "9"])
def test_a_bare_number_is_refused(text):
    with pytest.raises(UsageError, match="could be decimal or hexadecimal"):
        parse_address(text)


@pytest.mark.parametrize("text", ["00", "F00", "0", "200A5"])
def test_what_a_shell_leaves_of_an_unquoted_dollar_is_refused(text):
    """``$200`` without quotes is ``$2`` and ``00`` to a shell, ``$1F00`` is ``F00``."""
    with pytest.raises(UsageError, match=r"put it in quotes"):
        parse_address(text)


@pytest.mark.parametrize(
    "text", ["", " ", "0x", "$", "h", "zz", "-1", "0x-1", "1.5", "0x20h", "+0200", "０２００"]
)
def test_what_is_no_address_is_refused(text):
    with pytest.raises(UsageError, match="is not hexadecimal"):
        parse_address(text)


def test_beyond_32_bits_is_refused():
    with pytest.raises(UsageError, match="beyond FFFFFFFFh"):
        parse_address("0x100000000")


def test_a_byte():
    assert parse_hex("FF", "--fill", digits=2, highest=0xFF) == 0xFF
    assert parse_hex("0x7", "--fill", digits=2, highest=0xFF) == 7
    with pytest.raises(UsageError, match="--fill 0x100 is beyond FFh"):
        parse_hex("0x100", "--fill", digits=2, highest=0xFF)


def test_the_rule_is_in_the_help_and_the_error_names_the_option(tmp_path):
    told = " ".join(run("image", "show", "--help").out.replace("│", " ").split())
    assert "0x200, 200h or '$200'" in told
    assert "four digits that cannot be decimal, such as 0200 or C000" in told
    assert run("image", "show", "x.bin", "--start", "512").refusal.startswith("--start 512 could be decimal")
