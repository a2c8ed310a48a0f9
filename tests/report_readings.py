"""Readings built by hand for the tests of the report, so that what is in them is known without a receiver."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tapewright.model import (
    GAP,
    Block,
    Fault,
    Image,
    Range,
    Reading,
    Recording,
    Samples,
    Source,
    Span,
    Symbols,
)

RATE_HZ = 8000.0
#: The symbols last as long as those of kcs-300, eleven to a byte.
SYMBOL_SECONDS = 1 / 300
SYMBOLS_PER_BYTE = 11
LEADER_SYMBOLS = 60

HOSTILE = (
    "</title></script><script>alert(1)</script><img src=http://x.example/ onerror=alert(2)>'\"&\u202e\x07"
)


def make_symbols(data: bytes, *, start_seconds: float = 0.5) -> Symbols:
    """A gap, a leader of ones, the framed bytes."""
    bits = "1" * LEADER_SYMBOLS
    for value in data:
        bits += "0" + "".join(str(value >> k & 1) for k in range(8)) + "11"
    index = np.array([GAP, *map(int, bits)], np.int16)
    starts = start_seconds + SYMBOL_SECONDS * np.arange(len(bits))
    starts = np.concatenate(([0.0], starts))
    ends = np.append(starts[1:], starts[-1] + SYMBOL_SECONDS)
    log_p = np.full((len(index), 2), np.log(0.01), np.float32)
    log_p[np.arange(len(index)), np.maximum(index, 0)] = np.log(0.99)
    log_p[0] = -np.inf
    n = len(index)
    return Symbols(
        "01",
        index,
        starts,
        ends,
        log_p,
        np.full(n, 0.25, np.float32),
        np.full(n, 1.02, np.float32),
        np.full(n, 0.0025, np.float32),
    )


def byte_times(symbols: Symbols, count: int) -> np.ndarray:
    return symbols.start_seconds[1 + LEADER_SYMBOLS :: SYMBOLS_PER_BYTE][:count].copy()


def make_block(data: bytes, symbols: Symbols, **changes: object) -> Block:
    block = Block(
        kind="data",
        span=Span(float(symbols.start_seconds[1]), float(symbols.end_seconds[-1])),
        fields={"start": 0x0200, "name": "DEMO"},
        address=0x0200,
        data=data,
        byte_confidence=np.full(len(data), 0.99995),
        byte_seconds=byte_times(symbols, len(data)),
        check="ok",
        speed=1.02,
        level=0.25,
        noise=0.0025,
    )
    return replace(block, **changes)  # type: ignore[arg-type]


def make_reading(*blocks: Block, symbols: Symbols, **changes: object) -> Reading:
    with_data = [block for block in blocks if block.data]
    reading = Reading(
        source=Source("tape.wav", "ab" * 32, RATE_HZ, recording_seconds(symbols), 0, 1),
        format="kcs-300",
        blocks=blocks,
        image=Image(tuple(Range(block.address, block.data) for block in with_data)),
        image_confidence=tuple(block.byte_confidence for block in with_data),
        symbols=symbols,
    )
    return replace(reading, **changes)  # type: ignore[arg-type]


def recording_seconds(symbols: Symbols) -> float:
    return (float(symbols.end_seconds[-1]) if len(symbols) else 0.0) + 0.5


def make_recording(symbols: Symbols, *, path: str | None = "tape.wav") -> Recording:
    """A 1200 Hz tone where there are symbols, silence elsewhere: what it says does not matter here."""
    seconds = np.arange(int(recording_seconds(symbols) * RATE_HZ)) / RATE_HZ
    sound = np.zeros(len(seconds))
    if len(symbols) > 1:
        inside = (seconds >= symbols.start_seconds[1]) & (seconds < symbols.end_seconds[-1])
        sound[inside] = 0.25 * np.sin(2 * np.pi * 1200 * seconds[inside])
    return Recording(sound.astype(np.float32), RATE_HZ, path)


def good(data: bytes = b"HELLO, TAPE") -> tuple[Reading, Recording]:
    symbols = make_symbols(data)
    return make_reading(make_block(data, symbols), symbols=symbols), make_recording(symbols)


def unchecked() -> tuple[Reading, Recording]:
    data = b"NO CHECK"
    symbols = make_symbols(data)
    block = make_block(data, symbols, check="none", address=None, byte_confidence=np.full(len(data), 0.995))
    return make_reading(block, symbols=symbols), make_recording(symbols)


def damaged() -> tuple[Reading, Recording]:
    """Byte 2 doubtful, byte 4 lost, the check bad."""
    data = b"DAMA\0ED"
    symbols = make_symbols(data)
    confidence = np.array([0.9999, 0.9999, 0.42, 0.9999, 0.0, 0.9999, 0.9999])
    seconds = byte_times(symbols, len(data))
    lost = Span(float(seconds[4]), float(seconds[5]))
    block = make_block(
        data,
        symbols,
        check="bad",
        byte_confidence=confidence,
        faults=(Fault("dropout", "no signal, where 1 byte stood", lost, "clean the head"),),
    )
    hum = Fault("hum", "there is hum at 50 Hz", remedy="use another lead")
    return make_reading(block, symbols=symbols, faults=(hum,)), make_recording(symbols)


def nothing() -> tuple[Reading, Recording]:
    fault = Fault("no-signal", "nothing in this recording sounds like format kcs-300")
    symbols = Symbols.empty("01")
    noise: Samples = np.random.default_rng(1).normal(0, 0.05, 8000).astype(np.float32)
    reading = make_reading(symbols=symbols, faults=(fault,))
    return reading, Recording(noise, RATE_HZ, "tape.wav")
