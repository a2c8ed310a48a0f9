"""Tapes of a quick format, hurt in known places, and how a whole recording is explained."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

import tapewright as tw
from command_line import PROGRAM, QUICK_CARD, START
from tapewright.cards import FormatCard, load_format
from tapewright.chain import explain
from tapewright.model import Stretch

RATE_HZ = 44_100
#: Of the tape below: silence, a leader, the block's bytes, a trailer, silence. The first three follow from
#: what is written: half a second before a program, a leader of 1 s, 132 bytes of ten symbols of 1/1200 s.
LEADER_SECONDS = 0.5
DATA_SECONDS = 1.5
END_OF_DATA_SECONDS = DATA_SECONDS + 133 * 10 / 1200
END_SECONDS = END_OF_DATA_SECONDS + 0.3


@cache
def card(text: str = QUICK_CARD) -> FormatCard:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "card.toml"
        path.write_text(text, encoding="utf-8")
        return load_format(path)


@cache
def tape(program: bytes = PROGRAM) -> np.ndarray:
    """Samples of a tape with one block."""
    image = tw.Image.from_bytes(program, START)
    return tw.synthesize(image, format=card(), name="TEST").samples[:, 0].astype(np.float64)


def place(seconds: float) -> int:
    return round(seconds * RATE_HZ)


def changed(change: Callable[[np.ndarray], None], start: float, end: float) -> np.ndarray:
    """Give the tape with a stretch of it changed."""
    samples = tape().copy()
    change(samples[place(start) : place(end)])
    return samples


def explained(
    samples: np.ndarray, *, format: FormatCard | str | None = None, rate_hz: float = RATE_HZ
) -> tuple[Stretch, ...]:
    """Read and explain; whatever it is, the stretches tile it."""
    chosen = load_format(format) if isinstance(format, str) else format or card()
    recording = tw.Recording(np.asarray(samples, np.float32), rate_hz)
    stretches = explain(recording, chosen, tw.read(recording, format=chosen))
    assert_tiled(stretches, recording.seconds)
    return stretches


def assert_tiled(stretches: tuple[Stretch, ...], seconds: float) -> None:
    assert stretches[0].span.start_seconds == 0.0
    assert stretches[-1].span.end_seconds == seconds
    for one, other in pairwise(stretches):
        assert one.span.end_seconds == other.span.start_seconds
    assert all(stretch.span.seconds > 0 for stretch in stretches)


def only(stretches: tuple[Stretch, ...], kind: str) -> Stretch:
    """Give the one stretch of a kind."""
    found = [stretch for stretch in stretches if stretch.kind == kind]
    assert len(found) == 1, [str(stretch) for stretch in stretches]
    return found[0]


def kinds(stretches: tuple[Stretch, ...]) -> list[str]:
    return [stretch.kind for stretch in stretches]
