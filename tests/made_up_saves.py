"""Saves of a made-up machine as bytes on tape, for tests of what is concluded from them."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from tapewright.cards.format import ByteFormat
from tapewright.cards.symbols import Tone
from tapewright.learn.findings import Findings
from tapewright.learn.framing import Framing
from tapewright.learn.kinds import find_kinds
from tapewright.learn.known import Known
from tapewright.learn.line_code import LineCode, Timing
from tapewright.learn.predict import without_equals
from tapewright.learn.rules import rules_of
from tapewright.learn.samples import Sample

CODE = LineCode(
    "single cycles",
    {"0": [Tone(tone=1200, cycles=1)], "1": [Tone(tone=2400, cycles=1)]},
    (Timing("short", 208.3, 2.0, 900), Timing("long", 416.7, 3.0, 800)),
    "1", False, 9000.0, "99 % of the half-waves make up whole symbols of this kind, with a spread of 1 %.",
)  # fmt: skip
#: Head and tail of a block, from what is known of the save.
Writer = Callable[[Known], tuple[bytes, bytes]]


def program(seed: int, count: int) -> bytes:
    """Any bytes."""
    return np.random.default_rng(seed).integers(0, 256, count).astype(np.uint8).tobytes()


def framing_of(saves: int, **byte: object) -> Framing:
    """Eight bits without a frame, unless it is said otherwise."""
    return Framing(ByteFormat(**byte), "plain", (False,) * saves, 1.0)  # type: ignore[arg-type]


def findings(knowns: Sequence[Known], write: Writer, framings: Sequence[Framing] = ()) -> Findings:
    """What is found out about saves of one block each."""
    samples = []
    for save, known in enumerate(knowns):
        head, tail = write(known)
        samples.append(
            Sample(save, head, tail, 0, len(known.data), lead="1", lead_seconds=2.0, trail_seconds=0.5)
        )
    framings = framings or [framing_of(len(knowns))]
    starts = tuple(known.start for known in knowns)
    kinds = find_kinds(samples, knowns, starts, framings[0])
    rules = rules_of(kinds, framings[0])
    kinds = [without_equals(kind, rules.size) for kind in kinds]
    return Findings(CODE, CODE.symbols, framings[0], framings, kinds, rules, knowns, starts)


def trainer(known: Known) -> tuple[bytes, bytes]:
    """A sync, the address, the number of bytes, low bytes first; a sum of all that after the data."""
    assert known.start is not None
    fields = known.start.to_bytes(2, "little") + len(known.data).to_bytes(2, "little")
    return b"\xa6\x1c" + fields, bytes([sum(fields + known.data) % 256])
