"""The worn recorder of the story: what a tape gives back after it has been through it."""

from __future__ import annotations

import os
from dataclasses import replace

from tapewright.audio import create_audio, load
from tapewright.channel import CassetteChannel, play

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
#: The same seed gives the same tape, today and on another computer. With this one the two dropouts of the
#: worn tape fall into the leader.
SEED = 13


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
    """Say the worst of a recorder and its tape in plain words; `tapewright.channel.describe` says it all."""
    speed = channel.speed_error_percent
    wow = max((tone.peak_percent for tone in channel.flutter_tones), default=0.0)
    lines = [
        f"its motor is {abs(speed):g} % {'fast' if speed > 0 else 'slow'}, and wavers by {wow:g} % and more",
        f"its head is dirty and {channel.azimuth_error_arcmin:g} minutes of arc askew: the treble is weak",
        f"it hums at {channel.hum_hz:g} Hz, and hisses only {channel.hiss_snr_db:g} dB below the signal",
        f"the level goes up and down by {channel.level_drift_db:g} dB, and loud parts are squashed",
        "the layers of tape on the reel print through onto one another",
    ]
    if channel.dropouts_per_minute:
        lines.append(
            f"every {60 / channel.dropouts_per_minute:g} seconds or so there is a spot with no coating left"
        )
    if channel.is_inverted:
        lines.append("and what comes out is upside down")
    return lines
