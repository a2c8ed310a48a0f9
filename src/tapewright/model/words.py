"""Words for numbers, the same wherever a person is told something."""

from __future__ import annotations

__all__ = ["byte_count"]


def byte_count(count: int) -> str:
    """``1 byte``, ``300 bytes``."""
    return "1 byte" if count == 1 else f"{count} bytes"
