"""Programs to save in thought: what an owner could key in next."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from tapewright.model.words import byte_count

__all__ = ["Program", "proposals"]

_SEED = 3
#: Added to an address: both of its bytes change, and the place is still near the one that is known to work.
_ELSEWHERE = 0x0123


@dataclass(frozen=True)
class Program:
    """What an owner keys in and saves.

    Parameters
    ----------
    data : bytes
    start : int or None
        Its address; None where the format has none.
    name : str or None
        The name it is saved under; None where the format has none.
    """

    data: bytes
    start: int | None = None
    name: str | None = None


def proposals(known: Program) -> Iterator[tuple[str, Program]]:
    """List programs to save, in words and as they are; the least work first."""
    data = known.data
    elsewhere = None if known.start is None else (known.start + _ELSEWHERE) & 0xFFFF
    if known.name is not None:
        name = "B" if known.name.startswith("A") else "A"
        yield f"Save the same bytes again under the name {name}.", replace(known, name=name)
    if known.start is not None and elsewhere is not None:
        yield f"Save the same bytes at address {elsewhere:04X}.", replace(known, start=elsewhere)
        if (high := known.start | 0xFF) != known.start:  # near as well; the sum of its bytes is large
            yield f"Save the same bytes at address {high:04X}.", replace(known, start=high)
    if data:
        changed = data[0] ^ 0xFF
        yield (
            f"Change the first byte from {data[0]:02X} to {changed:02X} and save again.",
            replace(known, data=bytes([changed]) + data[1:]),
        )
    if len(data) > 1:
        half = len(data) // 2
        yield f"Save the first {byte_count(half)} only.", replace(known, data=data[:half])
    yield "Save 256 bytes, 00 to FF.", replace(known, data=bytes(range(256)))
    length = len(data) + len(data) // 3 + 5
    dice = np.random.default_rng(_SEED)
    where = "" if elsewhere is None else f", at address {elsewhere:04X}"
    yield (
        f"Save another program, of {length} bytes{where}.",
        replace(known, data=dice.integers(0, 256, length).astype(np.uint8).tobytes(), start=elsewhere),
    )
