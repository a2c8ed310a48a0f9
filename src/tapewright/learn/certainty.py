"""How sure a conclusion is: by how many bits it leads everything else."""

from __future__ import annotations

from typing import Literal

__all__ = ["CERTAIN_BITS", "LIKELY_BITS", "Certainty", "certainty_of"]

Certainty = Literal["certain", "likely", "open"]

#: Bits by which a conclusion must lead everything else: 1 in 4096, and 1 in 64.
CERTAIN_BITS, LIKELY_BITS = 12.0, 6.0


def certainty_of(lead_bits: float) -> Certainty:
    """Say how sure a conclusion is that leads all others by so many bits."""
    if lead_bits >= CERTAIN_BITS:
        return "certain"
    return "likely" if lead_bits >= LIKELY_BITS else "open"
