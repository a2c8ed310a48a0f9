"""Format cards of machines that never were: between them they use everything a layout can say."""

from __future__ import annotations

from tapewright.cards import FormatCard, parse_card

HEAD = """
card   = "format"
name   = "{name}"
title  = "A made-up machine"
source = "invented for the tests"
[symbols]
"""
TONES = """
"0" = [{ tone = 1200, cycles = 1 }]
"1" = [{ tone = 2400, cycles = 2 }]
"""
WIDTHS = """
"0" = [{ half_waves = [250, 250] }]
"1" = [{ half_waves = [500, 500] }]
"L" = [{ half_waves = [800, 800] }]
"S" = [{ half_waves = [800, 250] }]
"""

_CARDS = {
    # one block, start and end address, 8-bit sum, asynchronous bytes
    "plain": TONES
    + """
[byte]
start = "0"
stop = "11"
[[block]]
kind = "data"
load = "start"
layout = [
  { lead = "1", seconds = 1.0, at_least = 0.2 },
  { sync = "a5 5a" },
  { field = "start", type = "u16-le" },
  { field = "end", type = "u16-le" },
  { data = "end - start + 1" },
  { check = "sum8", over = ["start", "end", "data"] },
  { lead = "1", seconds = 0.3 },
]
""",
    # a header with a name, then blocks cut by size until the total, each twice; synchronous; repeated sync
    "header": WIDTHS
    + """
[byte]
order = "msb"
[[block]]
kind = "header"
load = "start + 16"
layout = [
  { lead = "L", seconds = 1.0, at_least = 0.2 },
  { mark = "S" },
  { sync = "16", times = 8, at_least = 3 },
  { field = "kind", type = "u8", value = 72 },
  { text = "name", length = 6 },
  { field = "start", type = "u16-be" },
  { field = "total", type = "u16-be" },
  { check = { crc = { width = 16, poly = 0x1021, init = 0xFFFF } }, over = ["kind","name","start","total"] },
]
[[block]]
kind = "data"
after = "header"
size = 64
total = "total"
copies = 2
layout = [
  { lead = "L", seconds = 0.4, at_least = 0.1 },
  { mark = "S" },
  { sync = "16", times = 8, at_least = 3 },
  { field = "kind", type = "u8", value = 68 },
  { field = "length", type = "u8" },
  { data = "length" },
  { check = "fletcher16", over = ["length", "data"], order = "le" },
  { lead = "L", seconds = 0.1 },
]
""",
    # blocks of fixed length filled up, counted by a header; gap between; parity; exclusive-or on the way
    "sectors": TONES
    + """
[byte]
start = "0"
stop = "1"
parity = "even"
[[block]]
kind = "header"
load = "start"
layout = [
  { lead = "1", seconds = 1.0, at_least = 0.2 },
  { fixed = "c3 3c 01" },
  { field = "start", type = "u24-be" },
  { field = "length", type = "u16-le" },
  { field = "run", type = "u16-le" },
  { check = "xor8", over = ["fixed", "start", "length", "run"] },
  { gap = 0.2 },
]
[[block]]
kind = "data"
after = "header"
size = 32
total = "length"
layout = [
  { lead = "1", seconds = 0.3, at_least = 0.1 },
  { fixed = "c3 3c 02" },
  { field = "index", type = "u8" },
  { data = "32", xor = 255 },
  { check = "sum16", over = ["fixed", "index", "data"], order = "le", as_sent = true },
]
""",
    # every block for itself, with its own address, ended by a mark of the last; hexadecimal characters
    "hexadecimal": TONES
    + """
[byte]
bits = 7
start = "0"
stop = "1"
parity = "odd"
[[block]]
kind = "begin"
layout = [
  { lead = "1", seconds = 1.0, at_least = 0.2 },
  { fixed = "3a 53" },
  { text = "name", end = "0d", at_most = 10 },
]
[[block]]
kind = "data"
after = "begin"
size = 16
load = "start"
last_when = { field = "more", equals = 0 }
layout = [
  { lead = "1", seconds = 0.1 },
  { fixed = "3a" },
  { field = "length", type = "u8", coding = "hex" },
  { field = "start", type = "u16-be", coding = "hex" },
  { field = "more", type = "u8", coding = "hex", value = "1 - is_last" },
  { data = "length", coding = "hex" },
  { check = "sum8-neg", over = ["length", "start", "more", "data"], coding = "hex" },
  { fixed = "0d 0a" },
]
""",
    # no address: a length, a sum with a start value, bytes with a constant added
    "unaddressed": WIDTHS
    + """
[byte]
stop = "1"
[[block]]
kind = "data"
layout = [
  { lead = "0", seconds = 1.0, at_least = 0.2 },
  { mark = "LS" },
  { field = "length", type = "u16-le" },
  { data = "length", add = 17, xor = 90 },
  { check = "sum8", over = ["data"], start = 85, add = 1 },
  { lead = "0", seconds = 0.2 },
]
""",
    # independent blocks cut by size, each with its start; the loader adds nothing; leader of two symbols
    "pieces": TONES
    + """
[byte]
start = "0"
stop = "11"
[[block]]
kind = "piece"
size = 40
load = "start"
layout = [
  { lead = "10", seconds = 0.5, at_least = 0.1 },
  { sync = "ff 00 7e" },
  { field = "start", type = "u16-le" },
  { field = "end", type = "u16-le", value = "start + length" },
  { data = "end - start" },
  { check = { crc = { width = 8, poly = 0x31 } }, over = ["start", "end", "data"] },
  { lead = "1", seconds = 0.1 },
]
""",
}


def made_up(name: str) -> FormatCard:
    """Load one of them."""
    return parse_card(HEAD.format(name=name) + _CARDS[name], FormatCard, f"{name}.toml")


NAMES = tuple(_CARDS)
ADDRESSED = tuple(name for name in NAMES if name != "unaddressed")
