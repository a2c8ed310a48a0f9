"""What goes wrong on the tape and between its layers: dropouts, print-through, level that wanders."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

from tapewright.channel.level import ratio_from_db
from tapewright.channel.settings import CassetteChannel, LevelStep
from tapewright.model import Samples

__all__ = ["add_print_through", "apply_dropouts", "draw_dropouts", "drift_level", "step_level"]

_BLOCK = 1 << 18


def draw_dropouts(
    seconds: float, channel: CassetteChannel, rng: np.random.Generator
) -> npt.NDArray[np.float64]:
    """Places on the tape of all dropouts (their middles), in seconds and in order.

    The random ones come as a Poisson process of the given average; those with a known place are added.
    """
    number = rng.poisson(channel.dropouts_per_minute * seconds / 60)
    return np.sort(np.concatenate([rng.uniform(0, seconds, number), channel.dropout_at_seconds]))


def apply_dropouts(
    samples: Samples, rate_hz: float, middles_seconds: Iterable[float], channel: CassetteChannel
) -> Samples:
    """Let the level fall at the given places, the same on all channels.

    Each fall and rise is a raised cosine in decibels, centred on the ends of the dropout's duration. Where
    dropouts overlap the deeper rules.

    Parameters
    ----------
    samples : ndarray of float32, shape (channels, n)
    rate_hz : float
    middles_seconds : iterable of float
    channel : CassetteChannel

    Returns
    -------
    ndarray of float32, shape (channels, n)
    """
    middles = sorted(middles_seconds)
    if not middles or not channel.dropout_depth_db:
        return samples
    faded = samples.copy()
    edge = max(min(channel.dropout_edge_seconds, channel.dropout_seconds), 1e-9)
    reach = (channel.dropout_seconds + edge) / 2
    done = 0  # samples before this one have been treated already
    for number, middle in enumerate(middles):
        first = max(done, int((middle - reach) * rate_hz))
        last = max(first, min(samples.shape[1], int((middle + reach) * rate_hz) + 1))
        now = np.arange(first, last) / rate_hz
        nearest = np.abs(now - middle)
        for other in middles[number + 1 :]:
            if other - reach > middle + reach:
                break
            nearest = np.minimum(nearest, np.abs(now - other))
        inside = np.clip((reach - nearest) / edge, 0, 1)
        depth_db = channel.dropout_depth_db * (0.5 - 0.5 * np.cos(np.pi * inside))
        faded[:, first:last] *= (10 ** (-depth_db / 20)).astype(np.float32)
        done = max(done, last)
    return faded


def add_print_through(samples: Samples, rate_hz: float, channel: CassetteChannel) -> Samples:
    """Add the echoes that neighbouring layers on the reel leave, one layer early and one late.

    The echo is the signal itself, weaker; that print-through favours middle frequencies is left out.
    """
    layer = round(channel.print_layer_seconds * rate_hz)
    printed = samples
    if channel.print_post_echo_db is not None and layer < samples.shape[1]:
        printed = samples.copy()
        _add_shifted(printed[:, layer:], samples[:, :-layer], ratio_from_db(channel.print_post_echo_db))
    if channel.print_pre_echo_db is not None and layer < samples.shape[1]:
        printed = samples.copy() if printed is samples else printed
        _add_shifted(printed[:, :-layer], samples[:, layer:], ratio_from_db(channel.print_pre_echo_db))
    return printed


def _add_shifted(target: Samples, echo: Samples, share: float) -> None:
    for first in range(0, target.shape[1], _BLOCK):
        piece = slice(first, first + _BLOCK)
        target[:, piece] += np.float32(share) * echo[:, piece]


def drift_level(samples: Samples, rate_hz: float, drift_db: float, drift_hz: float, phase: float) -> Samples:
    """Let the level swing slowly: a sine in decibels of peak `drift_db` and rate `drift_hz`."""
    if not drift_db:
        return samples
    drifted = np.empty_like(samples)
    for first in range(0, samples.shape[1], _BLOCK):
        piece = slice(first, min(first + _BLOCK, samples.shape[1]))
        now = np.arange(piece.start, piece.stop) / rate_hz
        turn = ((drift_hz * now) % 1.0).astype(np.float32)  # single precision is three times as fast
        gain = np.exp(
            np.float32(drift_db * np.log(10) / 20) * np.sin(np.float32(2 * np.pi) * turn + np.float32(phase))
        )
        drifted[:, piece] = samples[:, piece] * gain
    return drifted


def step_level(samples: Samples, rate_hz: float, steps: Iterable[LevelStep]) -> Samples:
    """Change the level for good at each step's time; later steps add to earlier ones."""
    stepped = samples
    for step in steps:
        stepped = samples.copy() if stepped is samples else stepped
        stepped[:, max(0, round(step.at_seconds * rate_hz)) :] *= np.float32(ratio_from_db(step.change_db))
    return stepped
