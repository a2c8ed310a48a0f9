"""Playing a recording through the whole channel, stage by stage in the physical order."""

from __future__ import annotations

import numpy as np

from tapewright.channel import faults, level, noise, response, transport
from tapewright.channel.capture import quantise
from tapewright.channel.description import describe
from tapewright.channel.level import ratio_from_db
from tapewright.channel.settings import CassetteChannel
from tapewright.model import Recording, Samples, UsageError

__all__ = ["play"]


def play(recording: Recording, channel: CassetteChannel, seed: int) -> Recording:
    """Record on a cassette, replay it, and capture it at the same sample rate.

    The order is the tape's: record amplifier, print-through on the reel, tape and head, dropouts, transport,
    replay amplifier, hiss and hum, sound card. The same recording, channel and seed give the same samples;
    each stage draws from its own stream, so that switching one off leaves the others' chances as they were.

    Parameters
    ----------
    recording : Recording
        One channel, or two. A mono head plays the sum of two tracks (half of each, so that equal tracks
        keep their level); a stereo head plays a mono recording on both its channels.
    channel : CassetteChannel
    seed : int
        0 or more.

    Returns
    -------
    Recording
        Rate as given; length as the transport makes it; `history` extended.

    Raises
    ------
    UsageError
        If the recording is empty, has more than two channels, or is too short for the glides.
    """
    if not len(recording.samples):
        raise UsageError("the recording is empty, so there is nothing to put on tape; give one with samples")
    if recording.channels > 2:
        raise UsageError(
            f"the recording has {recording.channels} channels and a cassette side two; pick one or two"
        )
    if seed < 0:
        raise UsageError(f"the seed is {seed}; give a whole number of 0 or more")
    streams = np.random.SeedSequence(seed).spawn(6)
    draw_dropouts, draw_motion, draw_drift, draw_hum, *draw_hiss = map(np.random.default_rng, streams)
    rate_hz = recording.rate_hz

    tracks = _lay_on_tracks(recording.samples, channel)
    tracks = _record(tracks, rate_hz, channel)
    tracks = faults.add_print_through(tracks, rate_hz, channel)
    tracks = _pass_head(tracks, rate_hz, channel)
    places = faults.draw_dropouts(tracks.shape[1] / rate_hz, channel, draw_dropouts)
    tracks = faults.apply_dropouts(tracks, rate_hz, places, channel)
    if not transport.is_perfect(channel):
        motion = transport.draw_motion(tracks.shape[1] / rate_hz, rate_hz, channel, draw_motion)
        tracks = _together([transport.read_along(track, motion) for track in tracks])
    tracks = _replay(tracks, rate_hz, channel, draw_drift)
    if channel.hiss_snr_db is not None:
        taps = noise.hiss_taps(channel, rate_hz)
        tracks = _together(
            [noise.add_hiss(track, taps, rng) for track, rng in zip(tracks, draw_hiss, strict=False)]
        )
    tracks = noise.add_hum(tracks, rate_hz, channel, draw_hum)
    tracks = _capture(tracks, channel)
    step = f"played through a cassette channel, seed {seed}: " + "; ".join(describe(channel))
    return recording.with_samples(np.ascontiguousarray(tracks.T), step)


def _together(tracks: list[Samples]) -> Samples:
    """Tracks of shape (n,) as one array of shape (tracks, n), without a copy where there is but one."""
    return tracks[0][np.newaxis] if len(tracks) == 1 else np.stack(tracks)


def _lay_on_tracks(samples: Samples, channel: CassetteChannel) -> Samples:
    """Turn (n, channels) into (tracks, n), with the record gain applied."""
    gain = np.float32(ratio_from_db(channel.record_gain_db))
    if channel.head == "mono":
        return (samples.mean(axis=1) * gain)[np.newaxis] if samples.shape[1] > 1 else samples.T * gain
    tracks = np.ascontiguousarray(samples.T) * gain
    return np.repeat(tracks, 2, axis=0) if len(tracks) == 1 else tracks


def _record(tracks: Samples, rate_hz: float, channel: CassetteChannel) -> Samples:
    tracks = level.control_level(tracks, rate_hz, channel)
    if channel.record_clip_level_db is not None:
        tracks = level.clip(
            tracks, ratio_from_db(channel.reference_level_dbfs + channel.record_clip_level_db)
        )
    if channel.three_percent_level_db is not None:
        tracks = level.saturate(
            tracks, ratio_from_db(channel.reference_level_dbfs + channel.three_percent_level_db)
        )
    return tracks


def _pass_head(tracks: Samples, rate_hz: float, channel: CassetteChannel) -> Samples:
    passed = []
    for number, track in enumerate(tracks):
        taps = response.head_taps(channel, rate_hz, number)
        passed.append(track if taps is None else response.filter_centred(track, taps))
    if channel.bad_channel is not None:
        weak = np.float32(ratio_from_db(channel.bad_channel_level_db))
        passed[channel.bad_channel] = passed[channel.bad_channel] * weak
    return _together(passed)


def _replay(tracks: Samples, rate_hz: float, channel: CassetteChannel, rng: np.random.Generator) -> Samples:
    sections = response.amplifier_sections(channel, rate_hz)
    if len(sections):
        tracks = _together([response.apply_amplifier(track, sections) for track in tracks])
    if channel.replay_gain_db:
        tracks = tracks * np.float32(ratio_from_db(channel.replay_gain_db))
    phase = rng.uniform(0, 2 * np.pi)
    tracks = faults.drift_level(tracks, rate_hz, channel.level_drift_db, channel.level_drift_hz, phase)
    return faults.step_level(tracks, rate_hz, channel.level_steps)


def _capture(tracks: Samples, channel: CassetteChannel) -> Samples:
    if channel.is_inverted:
        tracks = -tracks
    if channel.dc_offset_full_scale:
        tracks = tracks + np.float32(channel.dc_offset_full_scale)
    if channel.capture_clip_level_dbfs is not None:
        tracks = level.clip(tracks, ratio_from_db(channel.capture_clip_level_dbfs))
    if channel.capture_bits is not None:
        tracks = quantise(tracks, channel.capture_bits)
    return tracks
