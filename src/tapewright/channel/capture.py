"""The sound card at the end of the lead: sample rate, clipping, word length."""

from __future__ import annotations

import numpy as np
import soxr

from tapewright.channel.level import clip, ratio_from_db
from tapewright.model import Recording, Samples, UsageError

__all__ = ["digitise", "quantise"]


def quantise(samples: Samples, bits: int) -> Samples:
    """Round to a word length, full scale +-1; what does not fit is clipped. No dither, as in a plain card.

    Parameters
    ----------
    samples : ndarray of float32
    bits : int
        2 to 24 (float32 carries no more).
    """
    steps = np.float32(2 ** (bits - 1))
    words = samples * steps
    np.rint(words, out=words)
    np.clip(words, -steps, steps - 1, out=words)
    words /= steps
    return words


def digitise(
    recording: Recording,
    *,
    rate_hz: float | None = None,
    bits: int | None = None,
    clip_level_dbfs: float | None = None,
) -> Recording:
    """Capture a recording anew with a poorer sound card.

    Parameters
    ----------
    recording : Recording
    rate_hz : float, optional
        New sample rate; the band is limited to what it carries.
    bits : int, optional
        Word length, 2 to 24.
    clip_level_dbfs : float, optional
        Peak at which the input clips, 0 = full scale.

    Returns
    -------
    Recording

    Raises
    ------
    UsageError
        If `bits` is out of range or `rate_hz` is not above 0.
    """
    if bits is not None and not 2 <= bits <= 24:
        raise UsageError(f"the word length is {bits} bits; give 2 to 24")
    if rate_hz is not None and not rate_hz > 0:
        raise UsageError(f"the sample rate is {rate_hz:g} Hz; give one above 0")
    if rate_hz is not None and rate_hz != recording.rate_hz:
        samples = soxr.resample(recording.samples, recording.rate_hz, rate_hz, quality="VHQ")
        recording = recording.with_samples(samples, f"resampled to {rate_hz:g} Hz", rate_hz=rate_hz)
    if clip_level_dbfs is not None:
        clipped = clip(recording.samples, ratio_from_db(clip_level_dbfs))
        recording = recording.with_samples(clipped, f"clipped at {clip_level_dbfs:g} dBFS")
    if bits is not None:
        recording = recording.with_samples(quantise(recording.samples, bits), f"rounded to {bits} bits")
    return recording
