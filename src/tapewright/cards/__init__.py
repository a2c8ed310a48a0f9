"""Cards: format and machine, their strict loader, and the library of built-in ones."""

from tapewright.cards.alphabet import Alphabet, Segment, SymbolShape
from tapewright.cards.checks import check_value, check_width_bytes
from tapewright.cards.describe import describe_format
from tapewright.cards.describe_machine import describe_machine
from tapewright.cards.expression import Expression
from tapewright.cards.format import BlockLayout, ByteFormat, FormatCard
from tapewright.cards.load import (
    format_names,
    load_format,
    load_machine,
    machine_names,
    parse_card,
)
from tapewright.cards.machine import MachineCard

__all__ = [
    "Alphabet",
    "BlockLayout",
    "ByteFormat",
    "Expression",
    "FormatCard",
    "MachineCard",
    "Segment",
    "SymbolShape",
    "check_value",
    "check_width_bytes",
    "describe_format",
    "describe_machine",
    "format_names",
    "load_format",
    "load_machine",
    "machine_names",
    "parse_card",
]
