"""Recordings of saves in a made-up format: as the machine sends them, and as a cassette gives them back."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np

from benchmarks.learn.dice import Dice
from benchmarks.learn.formats import MadeUp
from tapewright import blocks, line
from tapewright.cards import Alphabet, BlockLayout
from tapewright.cards.layout import Sync
from tapewright.channel import CassetteChannel, FlutterTone, play
from tapewright.framing import byte_symbols
from tapewright.model import Image, Range, Recording, TapePart

__all__ = ["save"]

#: What is synthesized peaks at this; the tape has its own level.
WRITTEN_LEVEL = 0.5
EDGE_SECONDS = (0.3, 1.0)


def save(
    made_up: MadeUp,
    program: bytes,
    start: int,
    name: str,
    rng: np.random.Generator,
    *,
    channel: bool = True,
    run: int | None = None,
) -> Recording:
    """Save a program on the made-up machine and record it.

    Parameters
    ----------
    made_up : MadeUp
    program : bytes
    start : int
        Address of the first byte; formats without addresses do not care.
    name : str
        Made to fit; formats without a name do not care.
    rng : numpy Generator
        Draws sample rate, idle times, and everything about the recorder.
    channel : bool
        Whether it goes through a cassette: 25 to 40 dB above the hiss, speed within 3 per cent, some wow and
        flutter, dull to 5 to 9 kHz, either way up, peaking at 0.05 to 0.9 of full scale.
    run : int, optional
        Where the program starts running; the start address, if not given.

    Returns
    -------
    Recording
        One channel, at 44.1 or 48 kHz.
    """
    dice = Dice(rng)
    rate_hz = dice.pick([44_100.0, 48_000.0])
    image = Image((Range(start if made_up.has_addresses else None, program),), name=name)
    tape = blocks.encode(image, made_up.card, run=run if run is not None else start)
    parts = _with_idle_time(tape, made_up, dice)
    sound = line.encode(parts, Alphabet.of(made_up.card), rate_hz, level=WRITTEN_LEVEL)
    silence = [np.zeros(round(dice.evenly(*EDGE_SECONDS) * rate_hz), np.float32) for _ in range(2)]
    written = Recording(np.concatenate([silence[0], *sound, silence[1]]), rate_hz)
    if not channel:
        return written
    return play(written, _random_channel(dice), dice.whole(0, 2**31))


def _with_idle_time(parts: Iterable[TapePart], made_up: MadeUp, dice: Dice) -> Iterator[TapePart]:
    """Frame the bytes of a tape, and let the line idle after each as long as the machine does.

    The sync is sent by a tight loop: it takes time to fetch a byte, not to send the same again.
    """
    table = byte_symbols(made_up.card.byte)
    fewest, most = made_up.idle_between
    idle = made_up.card.byte.stop[-1:]
    syncs = sorted({_sync_of(block) for block in made_up.card.block}, key=len, reverse=True)
    for part in parts:
        if part.kind == "bytes":
            tight = next((len(sync) for sync in syncs if part.data.startswith(sync)), 0)
            pauses = [0 if k < tight else dice.whole(fewest, most) for k in range(len(part.data))]
            framed = "".join(
                table[value] + idle * pause for value, pause in zip(part.data, pauses, strict=True)
            )
            part = replace(part, kind="symbols", data=b"", symbols=framed)
        yield part


def _sync_of(block: BlockLayout) -> bytes:
    return b"".join(item.sync * item.times for item in block.layout if isinstance(item, Sync))


def _random_channel(dice: Dice) -> CassetteChannel:
    level = dice.by_ratio(0.05, 0.9)
    return CassetteChannel(
        automatic_level_db=dice.pick([None, 0.0]),
        azimuth_error_arcmin=dice.evenly(0.0, 4.0),
        speed_error_percent=dice.evenly(-3.0, 3.0),
        flutter_tones=(
            FlutterTone(dice.by_ratio(0.4, 2.5), dice.evenly(0.0, 0.12)),
            FlutterTone(dice.by_ratio(6.0, 20.0), dice.evenly(0.0, 0.12)),
        ),
        random_flutter_two_sigma_percent=dice.evenly(0.0, 0.15),
        high_pass_hz=dice.evenly(30.0, 120.0),
        low_pass_hz=dice.evenly(5_000.0, 9_000.0),
        low_pass_order=dice.pick([1, 2]),
        replay_gain_db=20.0 * float(np.log10(level / WRITTEN_LEVEL)),
        hiss_snr_db=dice.evenly(25.0, 40.0),
        hum_level_db=dice.evenly(-55.0, -38.0),
        hum_hz=dice.pick([50.0, 60.0]),
        is_inverted=dice.chance(0.5),
    )
