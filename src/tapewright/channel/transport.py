"""The transport: speed error, wow and flutter, coming up to speed and halting.

The speed is drawn at knots about 4000 times a second as a function of *replay* time, so that a flutter of
so many turns a second has exactly that rate in the replayed recording, and integrated in double precision
to the place on the tape. The samples are then read at those places. Replay level does not follow the speed: a
head's output rises with it, but the equaliser, falling with frequency, takes that back.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.fft
import scipy.interpolate

from tapewright.channel.kernels import INTERPOLATION_TAPS, interpolate
from tapewright.channel.settings import CassetteChannel
from tapewright.model import Samples, UsageError

__all__ = [
    "WEIGHTING_DB",
    "TapeMotion",
    "draw_motion",
    "flutter_weighting",
    "interpolation_table",
    "is_perfect",
    "read_along",
]

FloatArray = npt.NDArray[np.float64]

_KNOTS_PER_SECOND = 4000.0
_FRACTIONS = 512
#: Kaiser window for 90 dB (Kaiser's formula: 0.1102 (A - 8.7)). 32 taps then pass 0.8 of the band and
#: stop its image from 1.2 on: (A - 8) / (2.285 * 0.4 pi) = 28.6 taps needed.
_KAISER_BETA = 0.1102 * (90 - 8.7)

#: Weighting of wow and flutter, (Hz, dB): AES6 / IEC 60386 table (second-hand, shared dossier 5.1). The
#: disputed value at 63 Hz is left out.
WEIGHTING_DB = (
    (0.1, -48.0),
    (0.2, -30.6),
    (0.315, -19.7),
    (0.4, -15.0),
    (0.63, -8.4),
    (0.8, -6.0),
    (1.0, -4.2),
    (1.6, -1.8),
    (2.0, -0.9),
    (4.0, 0.0),
    (6.3, -0.9),
    (10.0, -2.1),
    (20.0, -5.9),
    (40.0, -10.4),
    (100.0, -17.3),
    (200.0, -23.0),
)


@dataclass(frozen=True, eq=False)
class TapeMotion:
    """Where on the tape the head is, at knots evenly spaced in replay time.

    Parameters
    ----------
    rate_hz : float
        Sample rate of the replayed recording.
    knot_samples : int
        Samples from one knot to the next.
    place_seconds : ndarray of float64, shape (n,)
        Place on the tape, in seconds at nominal speed.
    speed : ndarray of float64, shape (n,)
        1 = nominal.
    seconds : float
        Replay time until the end of the recording, or until the tape halts.
    """

    rate_hz: float
    knot_samples: int
    place_seconds: FloatArray
    speed: FloatArray
    seconds: float


def flutter_weighting(rate_hz: npt.ArrayLike) -> FloatArray:
    """Factor by which an IEC 60386 meter weights flutter of a rate, 1 at 4 Hz.

    Interpolated smoothly between the table's points over the logarithm of the rate; beyond the table its
    end slopes go on (18 dB an octave below, 6 above).
    """
    table_hz, table_db = np.array(WEIGHTING_DB).T
    curve = scipy.interpolate.PchipInterpolator(np.log2(table_hz), table_db)
    octave = np.log2(np.maximum(np.asarray(rate_hz, np.float64), 1e-6))
    low, high = np.log2(table_hz[0]), np.log2(table_hz[-1])
    level_db = curve(np.clip(octave, low, high))
    level_db = level_db + 18.0 * np.minimum(octave - low, 0) - 6.0 * np.maximum(octave - high, 0)
    return np.asarray(10 ** (level_db / 20), np.float64)


def is_perfect(channel: CassetteChannel) -> bool:
    """Whether the transport changes nothing."""
    return not (
        channel.speed_error_percent
        or any(tone.peak_percent for tone in channel.flutter_tones)
        or channel.random_flutter_two_sigma_percent
        or channel.start_glide_seconds
        or channel.stop_glide_seconds
    )


def draw_motion(
    seconds: float, rate_hz: float, channel: CassetteChannel, rng: np.random.Generator
) -> TapeMotion:
    """Draw how the tape moves while `seconds` of it are replayed at a sample rate.

    Raises
    ------
    UsageError
        If wow and flutter would stop the tape, or the tape is too short for the glides.
    """
    nominal = 1 + channel.speed_error_percent / 100
    gliding_seconds = channel.start_glide_seconds + channel.stop_glide_seconds
    if gliding_seconds / 2 * nominal > seconds:
        raise UsageError(
            f"the recording lasts {seconds:.3g} s, too short for start and stop glides of"
            f" {gliding_seconds:.3g} s; shorten start_glide_seconds and stop_glide_seconds"
        )
    swing = _largest_deviation(channel)
    if swing > 0.5:
        raise UsageError(
            f"wow and flutter add up to {100 * swing:.0f} % of the speed; lower flutter_tones,"
            " random_flutter_two_sigma_percent, or set flutter_is_weighted to False"
        )
    knot_samples = max(1, round(rate_hz / _KNOTS_PER_SECOND))
    knot_hz = rate_hz / knot_samples
    knots = math.ceil((seconds / (nominal * (1 - swing)) + gliding_seconds) * knot_hz) + 3
    speed = nominal * (1 + _draw_deviation(knots, knot_hz, channel, rng))
    _glide_up(speed, round(channel.start_glide_seconds * knot_hz))
    place = _accumulate(speed, knot_hz)
    end_knot = _end_of_tape(place, seconds)
    if channel.stop_glide_seconds:
        last_place = seconds - nominal * channel.stop_glide_seconds / 2
        first = int(np.searchsorted(place, last_place))
        gliding = round(channel.stop_glide_seconds * knot_hz)
        _glide_down(speed, first, gliding)
        place = _accumulate(speed, knot_hz)
        # At rest, even where flutter has let the recording end a little before or after that.
        end_knot = min(first + gliding, knots - 1)
    return TapeMotion(rate_hz, knot_samples, place, speed, end_knot / knot_hz)


def _largest_deviation(channel: CassetteChannel) -> float:
    peaks = sum(abs(_real_peak(tone.rate_hz, tone.peak_percent, channel)) for tone in channel.flutter_tones)
    random = channel.random_flutter_two_sigma_percent
    if channel.flutter_is_weighted and random:
        random = random / float(_band_weighting(channel))
    return (peaks + 3 * random) / 100


def _real_peak(rate_hz: float, peak_percent: float, channel: CassetteChannel) -> float:
    return peak_percent / float(flutter_weighting(rate_hz)) if channel.flutter_is_weighted else peak_percent


def _band_weighting(channel: CassetteChannel) -> float:
    low_hz, high_hz = channel.random_flutter_band_hz
    return float(np.sqrt(np.mean(flutter_weighting(np.linspace(low_hz, high_hz, 513)) ** 2)))


def _draw_deviation(
    knots: int, knot_hz: float, channel: CassetteChannel, rng: np.random.Generator
) -> FloatArray:
    deviation = _draw_random_flutter(knots, knot_hz, channel, rng)
    now = np.arange(knots) / knot_hz
    for tone in channel.flutter_tones:
        phase = rng.uniform(0, 2 * np.pi)
        peak = _real_peak(tone.rate_hz, tone.peak_percent, channel) / 100
        deviation += peak * np.sin(2 * np.pi * tone.rate_hz * now + phase)
    return deviation


def _draw_random_flutter(
    knots: int, knot_hz: float, channel: CassetteChannel, rng: np.random.Generator
) -> FloatArray:
    """Gaussian noise of a flat band, scaled so that twice its (weighted) rms is what was asked for.

    Drawn as a spectrum: the band is then sharp and the scale exact for this very draw, by Parseval.
    """
    if not channel.random_flutter_two_sigma_percent:
        return np.zeros(knots)
    length = scipy.fft.next_fast_len(max(knots, round(knot_hz)), real=True)
    bin_hz = knot_hz / length
    first = max(1, math.ceil(channel.random_flutter_band_hz[0] / bin_hz))
    last = max(first, math.floor(channel.random_flutter_band_hz[1] / bin_hz))
    drawn = rng.standard_normal((2, last - first + 1))
    spectrum = np.zeros(length // 2 + 1, np.complex128)
    spectrum[first : last + 1] = drawn[0] + 1j * drawn[1]
    weight = flutter_weighting(np.arange(first, last + 1) * bin_hz) if channel.flutter_is_weighted else 1.0
    rms = np.sqrt(2 * np.sum(np.abs(spectrum[first : last + 1] * weight) ** 2)) / length
    spectrum *= channel.random_flutter_two_sigma_percent / 100 / (2 * rms)
    return np.asarray(scipy.fft.irfft(spectrum, length)[:knots])


def _glide_up(speed: FloatArray, knots: int) -> None:
    speed[:knots] *= 0.5 - 0.5 * np.cos(np.pi * np.arange(knots) / max(knots, 1))


def _glide_down(speed: FloatArray, first: int, knots: int) -> None:
    curve = 0.5 + 0.5 * np.cos(np.pi * np.arange(knots) / max(knots, 1))
    room = len(speed[first : first + knots])
    speed[first : first + knots] *= curve[:room]
    speed[first + knots :] = 0.0


def _accumulate(speed: FloatArray, knot_hz: float) -> FloatArray:
    """Integrate the speed from knot to knot by the cubic through four knots (error of fourth order)."""
    padded = np.pad(speed, 1, mode="reflect", reflect_type="odd")
    steps = (13 * (padded[1:-2] + padded[2:-1]) - padded[:-3] - padded[3:]) / (24 * knot_hz)
    place = np.zeros(len(speed))
    np.cumsum(steps, out=place[1:])
    return place


def _end_of_tape(place: FloatArray, seconds: float) -> float:
    """Knot, and share of one, at which the tape is over."""
    past = min(int(np.searchsorted(place, seconds)), len(place) - 1)
    before = max(past - 1, 0)
    inside = float((seconds - place[before]) / max(place[past] - place[before], 1e-12))
    return min(before + inside, len(place) - 1.0)


@functools.cache
def interpolation_table() -> npt.NDArray[np.float32]:
    """Windowed-sinc kernel, shape (fractions + 1, taps): 80 dB clean up to 0.8 of half the sample rate.

    Rows are scaled to sum 1, so that DC passes exactly.
    """
    half = INTERPOLATION_TAPS // 2
    fraction = np.arange(_FRACTIONS + 1)[:, np.newaxis] / _FRACTIONS
    distance = np.arange(1 - half, half + 1)[np.newaxis, :] - fraction
    window = np.i0(_KAISER_BETA * np.sqrt(np.maximum(0, 1 - (distance / half) ** 2))) / np.i0(_KAISER_BETA)
    table = np.sinc(distance) * window
    return np.asarray(table / table.sum(axis=1, keepdims=True), np.float32)


def read_along(samples: Samples, motion: TapeMotion) -> Samples:
    """Read one channel off a moving tape.

    Parameters
    ----------
    samples : ndarray of float32, shape (n,)
        As recorded, at nominal speed.
    motion : TapeMotion

    Returns
    -------
    ndarray of float32, shape (m,)
        ``m = round(motion.seconds * motion.rate_hz)``.
    """
    out = np.empty(round(motion.seconds * motion.rate_hz), np.float32)
    place = motion.place_seconds * motion.rate_hz
    interpolate(samples, place, motion.speed, motion.knot_samples, interpolation_table(), out)
    return out
