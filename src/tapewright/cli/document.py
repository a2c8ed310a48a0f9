"""Results as JSON documents, as the contract has them."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

from tapewright.cli.telling import has_tried_formats
from tapewright.image import Comparison
from tapewright.model import Block, Fault, Image, Reading, Stretch

__all__ = ["comparison_document", "image_document", "reading_document", "stretch_list"]


def reading_document(reading: Reading) -> dict[str, Any]:
    """Return the document of ``read --json``; where the format was found by trying, with how that went."""
    source = reading.source
    tried = {"auto": _auto(reading)} if has_tried_formats(reading) else {}
    return {
        "recording": {
            "path": source.path,
            "sha256": source.sha256,
            "rate_hz": _whole(source.rate_hz),
            "seconds": _number(source.seconds),
            "channel": source.channel,
        },
        "format": reading.format,
        "blocks": [_block(block) for block in reading.blocks],
        "image": image_document(reading.image),
        "faults": fault_list(reading.faults),
        **tried,
    }


def stretch_list(stretches: Iterable[Stretch]) -> list[dict[str, Any]]:
    """Return the ``stretches`` of ``read --explain --json``."""
    return [
        {
            "start_seconds": _number(stretch.span.start_seconds),
            "end_seconds": _number(stretch.span.end_seconds),
            "stage": stretch.stage,
            "kind": stretch.kind,
            "text": stretch.text,
            "remedy": stretch.remedy,
            "evidence": {name: _number(value) for name, value in stretch.evidence.items()},
        }
        for stretch in stretches
    ]


def _auto(reading: Reading) -> dict[str, Any]:
    """Return how the format was found: the winner, the runner-up, and the margin between them."""
    (winner, bits), (runner_up, next_bits) = (*reading.rivals, (None, None), (None, None))[:2]
    return {
        "winner": winner,
        "winner_bits": bits,
        "runner_up": runner_up,
        "runner_up_bits": next_bits,
        "margin_bits": None if bits is None or next_bits is None else _number(bits - next_bits),
        "can_tell": not any(fault.kind == "cannot-tell" for fault in reading.faults),
    }


def image_document(image: Image) -> list[dict[str, Any]]:
    """Return the ranges of an image."""
    return [{"address": piece.address, "data": piece.data.hex()} for piece in image]


def fault_list(faults: Iterable[Fault]) -> list[dict[str, Any]]:
    """Return what concerns a recording as a whole."""
    return [{"kind": fault.kind, "text": fault.text, "remedy": fault.remedy} for fault in faults]


def comparison_document(comparison: Comparison, a: str, b: str) -> dict[str, Any]:
    """Return what differs between two images called `a` and `b`."""
    return {
        "equal": comparison.equal,
        "common_bytes": comparison.common_bytes,
        "differences": [
            {"address": difference.address, a: difference.a.hex(), b: difference.b.hex()}
            for difference in comparison.differences
        ],
        f"only_{a}": [{"address": piece.address, "data": piece.data.hex()} for piece in comparison.only_a],
        f"only_{b}": [{"address": piece.address, "data": piece.data.hex()} for piece in comparison.only_b],
        "notes": list(comparison.notes),
    }


def _block(block: Block) -> dict[str, Any]:
    return {
        "kind": block.kind,
        "start_seconds": _number(block.span.start_seconds),
        "end_seconds": _number(block.span.end_seconds),
        "fields": {
            name: value if isinstance(value, str) else int(value) for name, value in block.fields.items()
        },
        "address": block.address,
        "data": block.data.hex(),
        "byte_confidence": [_number(value) for value in block.byte_confidence],
        "byte_seconds": [_number(value) for value in block.byte_seconds],
        "check": block.check,
        "repaired_offsets": [int(offset) for offset in block.repaired_offsets],
        "faults": [
            {
                "kind": fault.kind,
                "start_seconds": None if fault.span is None else _number(fault.span.start_seconds),
                "end_seconds": None if fault.span is None else _number(fault.span.end_seconds),
                "text": fault.text,
            }
            for fault in block.faults
        ],
        "speed": _number(block.speed),
    }


def _number(value: float) -> float | None:
    """Round to a millionth; what is no number is null, as JSON has no other word for it."""
    return round(float(value), 6) if math.isfinite(value) else None


def _whole(value: float) -> float | int:
    return int(value) if value == int(value) else float(value)
