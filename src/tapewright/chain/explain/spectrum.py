"""What a piece of sound seems to be, by measurements that are cheap and can be told in a sentence."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["Sound", "classify"]

FloatArray = npt.NDArray[np.float64]

#: Nothing below this is looked at: a sound card's offset and rumble.
LOWEST_HERTZ = 25.0
MAINS_HERTZ = (50.0, 60.0)
#: Hum has so much of its power at multiples of the mains' frequency, and so much at the first six of them.
HUM_SHARE, HUM_LOW_SHARE = 0.8, 0.5
#: Multiples of the mains' frequency are looked for up to here; above, they lie in hiss.
HIGHEST_HUM_HERTZ = 3_200.0
#: A steady tone has so much of its power at one frequency and its multiples, most of it at the first.
TONE_SHARE, FUNDAMENTAL_SHARE = 0.9, 0.6
LOWEST_TONE_HERTZ = 150.0
#: Noise: in bins of 43 Hz or so no line stands out of its neighbourhood by more than this power ratio (8 dB),
LINE_RATIO = 6.3
#: the samples are spread as a Gaussian's, whose fourth moment is 3 (2 sigma of half a second of hiss in a
#: band of 1 kHz is 0.2; a sine has 1.5, speech and music more than 4),
GAUSSIAN_MOMENT = (2.6, 3.5)
#: the level stays as it is from one 20 ms to the next, to so many decibels (standard deviation),
STEADY_DB = 1.5
#: and the spectrum is wider than this: bins that hold half the power.
NOISE_BANDWIDTH_HERTZ = 500.0
#: Keyed tones and pulses stay nearer to their peak than noise does: a fourth moment below this.
KEYED_MOMENT = 2.3
#: A piece with so many of its samples at full scale is cut off.
CUT_OFF_SHARE = 0.03
FULL_SCALE = 0.985


@dataclass(frozen=True)
class Sound:
    """What a piece of sound seems to be.

    Parameters
    ----------
    kind : {"hum", "tone", "noise", "clipped", "keyed", "other"}
        ``keyed`` is a steady sound that is neither one tone nor noise: data of some format.
    hertz : float
        Of hum: 50 or 60; of a tone: its frequency; 0 for the others.
    share : float
        How much of the power speaks for it, 0..1; of what is cut off, the share of the samples.
    """

    kind: str
    hertz: float = 0.0
    share: float = 0.0


def classify(samples: FloatArray, rate_hz: float) -> Sound:
    """Say what a piece of sound seems to be.

    Parameters
    ----------
    samples : ndarray of float64, shape (n,)
        A tenth of a second at least; half a second tells 50 Hz from 60 Hz.
    rate_hz : float
    """
    if len(samples) < 0.1 * rate_hz:
        return Sound("other")
    cut_off = float(np.mean(np.abs(samples) >= FULL_SCALE))
    sound = samples - samples.mean()
    power, hertz = _spectrum(sound, rate_hz)
    total = float(power.sum())
    if total <= 0:
        return Sound("other")
    power = power / total
    hum = max((_hum(power, hertz, mains) for mains in MAINS_HERTZ), key=lambda found: found.share)
    if hum.share >= HUM_SHARE:
        return hum
    steady = _unsteadiness_db(sound, rate_hz) <= STEADY_DB  # a plucked note is no steady tone
    tone = _tone(power, hertz)
    if tone.share >= TONE_SHARE and steady:
        return tone
    if cut_off >= CUT_OFF_SHARE:
        return Sound("clipped", share=cut_off)
    fourth = float(np.mean(sound**4) / np.mean(sound**2) ** 2)
    if steady and GAUSSIAN_MOMENT[0] <= fourth <= GAUSSIAN_MOMENT[1] and _is_smooth(sound, rate_hz):
        return Sound("noise")
    return Sound("keyed" if steady and fourth < KEYED_MOMENT else "other")


def _spectrum(sound: FloatArray, rate_hz: float) -> tuple[FloatArray, FloatArray]:
    power = np.abs(np.fft.rfft(sound * np.hanning(len(sound)))) ** 2
    hertz = np.fft.rfftfreq(len(sound), 1.0 / rate_hz)
    power[hertz < LOWEST_HERTZ] = 0.0
    return np.asarray(power, np.float64), np.asarray(hertz, np.float64)


def _share_near(power: FloatArray, hertz: FloatArray, centres: FloatArray) -> FloatArray:
    """Power within the main lobe of the window around each frequency: two bins and a half on either side."""
    running = np.concatenate(([0.0], np.cumsum(power)))
    reach = 2.5 * (hertz[1] - hertz[0])
    low, high = (np.searchsorted(hertz, centres + side * reach) for side in (-1, 1))
    return np.asarray(running[high] - running[low])


def _hum(power: FloatArray, hertz: FloatArray, mains: float) -> Sound:
    """Weigh multiples of the mains' frequency; where the pieces are short they cannot be told apart."""
    if hertz[1] - hertz[0] > mains / 12:
        return Sound("hum", mains, 0.0)
    shares = _share_near(power, hertz, np.arange(mains, HIGHEST_HUM_HERTZ, mains))
    is_low = shares[:6].sum() >= HUM_LOW_SHARE and shares[:2].sum() > 0.05
    return Sound("hum", mains, float(shares.sum()) if is_low else 0.0)


def _tone(power: FloatArray, hertz: FloatArray) -> Sound:
    peak = int(np.argmax(power))
    if not 0 < peak < len(power) - 1 or hertz[peak] < LOWEST_TONE_HERTZ:
        return Sound("tone")
    around = power[peak - 1 : peak + 2]
    exact = float(hertz[peak - 1 : peak + 2] @ around / around.sum())
    shares = _share_near(power, hertz, np.arange(exact, hertz[-1], exact))
    share = float(shares.sum()) if shares[0] >= FUNDAMENTAL_SHARE else 0.0
    return Sound("tone", exact, min(1.0, share))


def _unsteadiness_db(sound: FloatArray, rate_hz: float) -> float:
    width = int(0.02 * rate_hz)
    count = len(sound) // width
    power = np.mean(sound[: count * width].reshape(count, width) ** 2, axis=1)
    return float(np.std(10 * np.log10(np.maximum(power, 1e-20))))


def _is_smooth(sound: FloatArray, rate_hz: float) -> bool:
    """Whether the spectrum is wide and no line stands out of it."""
    size = 2 ** round(np.log2(rate_hz / 43.0))
    if len(sound) < 4 * size:
        size = 2 ** int(np.log2(len(sound) / 4))
    from scipy import ndimage, signal  # late: they take a second, and reading alone has no use for them

    hertz, power = signal.welch(sound, rate_hz, nperseg=size)
    power = power[hertz >= 2 * LOWEST_HERTZ]
    neighbourhood = ndimage.median_filter(power, 15, mode="nearest")
    if float(np.max(power / np.maximum(neighbourhood, 1e-3 * power.mean()))) > LINE_RATIO:
        return False
    ordered = np.sort(power)[::-1].cumsum()
    bins = int(np.searchsorted(ordered, 0.5 * ordered[-1])) + 1
    return bins * float(hertz[1] - hertz[0]) >= NOISE_BANDWIDTH_HERTZ
