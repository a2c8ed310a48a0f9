"""The worn recorder of the story: what a tape gives back after it has been through it."""

from __future__ import annotations

import os
from dataclasses import replace

from tapewright.audio import create_audio, load
from tapewright.channel import CassetteChannel, describe, play

__all__ = ["DAMAGED", "WORN", "play_tape", "told"]

WORN = CassetteChannel.WORN
#: The same recorder, and a tape with a crease in it: a fifth of a second is as good as gone.
DAMAGED = replace(
    WORN,
    dropouts_per_minute=0.0,
    dropout_at_seconds=(10.6,),
    dropout_depth_db=60.0,
    dropout_seconds=0.2,
)
#: The same seed gives the same tape, today and on another computer.
SEED = 7


def play_tape(
    path: str | os.PathLike[str], out: str | os.PathLike[str], channel: CassetteChannel, *, force: bool
) -> None:
    """Record a sound file on the recorder, play it back, and save what comes out.

    Parameters
    ----------
    path, out : path-like
    channel : CassetteChannel
    force : bool
        Whether `out` may be replaced.
    """
    played = play(load(path), channel, SEED)
    with create_audio(out, played.rate_hz, played.channels, force=force) as file:
        file.write(played.samples)


def told(channel: CassetteChannel) -> list[str]:
    """Say in plain words what is wrong with the recorder and the tape."""
    return describe(channel)
