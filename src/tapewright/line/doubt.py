"""Whether a stretch of symbols is a signal at all, by what it leaves unexplained.

Waveforms learned from music fit that music: notes of the right pitch look like symbols, and the level and
noise measured against them say that they are sure. But what a signal leaves is noise, about as strong at all
frequencies of the band; what music and speech leave is the rest of the music and of the speech.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from tapewright.compiled import summing_kernel
from tapewright.line.averages import running_mean
from tapewright.line.imprint import Hearing, Imprint

__all__ = ["share_of_doubt"]

FloatArray = npt.NDArray[np.float64]

#: Where the card's own waveforms explain this share of the power, symbols are beyond doubt, and where they
#: explain that one, what is left may have any spectrum if it is weak.
EXPLAINED, MOSTLY_EXPLAINED = 0.9, 0.75
#: Weak is what lies so far below the energy of a bit, in dB of Eb/N0, and so much farther for each hundredth
#: less that is explained: a pulse looks little like the card's after a dull recorder.
WEAK_DB, WEAKER_DB = 25.0, 1.2
#: Flatness of a spectrum: geometric over arithmetic mean. Half the doubt at this one (measured, over 100
#: symbols and more: of signals in white noise one in a hundred lies below 0.74, of music 2 % above 0.6), and
#: the natural log over which the doubt falls to a quarter or so.
FLATNESS, FLATNESS_WIDTH = 0.6, 0.05
#: So much more is asked where the waveforms learned are far from the card's (by the squared cosine between
#: them; measured: of signals dulled at 800 Hz or squared off around 0.35 of the peak it is 0.53 and more, and
#: what they leave as flat as 0.97; of music, most is below 0.7).
UNLIKE, LIKE = 0.65, 0.75
UNLIKE_FLATNESS = 0.7
#: Stretches taken for music are not believed further than this.
MOST_DOUBT = 0.5
#: Spectra are of pieces in which the band has about so many frequencies; pieces averaged for one spectrum,
#: and most of them in a stretch.
FREQUENCIES, PIECES, MOST_PIECES = 40, 24, 480
#: Below this there may be hum, in Hz, and a signal may be read in spite of it.
HUM_HZ = 120.0
#: On even time the band lies elsewhere if the tape ran fast or slow: its edges are left out by this factor.
FARTHEST_SPEED = 1.17


def share_of_doubt(
    hearing: Hearing, imprint: Imprint, ideal: Imprint, level: FloatArray, bit_energy: float
) -> FloatArray:
    """How likely it is that each symbol belongs to no signal.

    Parameters
    ----------
    hearing : Hearing
    imprint, ideal : Imprint
        The waveforms as they were learned, and as the card has them.
    level : ndarray of float64, shape (n,)
        Amplitude of each symbol.
    bit_energy : float
        Mean energy of a bit's waveform, in grid samples.

    Returns
    -------
    ndarray of float64, shape (n,)
    """
    grid = imprint.grid
    count = len(hearing.symbol)
    left = np.zeros(len(hearing.even), np.float32)
    sums = np.empty((count, 5))
    _leave(
        hearing.even, hearing.symbol, hearing.place, hearing.before, hearing.phase, grid.length,
        imprint.entered, ideal.entered[-1], level, left, sums,
    )  # fmt: skip
    size, frequencies = _piece(len(left), grid.low, grid.share, grid.rate_hz)
    symbols = min(count, max(1, round(PIECES * size * count / len(left))))
    total, fit, energy, learned, cross = (running_mean(column, symbols, beyond="edge") for column in sums.T)
    explained = np.maximum(fit, 0.0) ** 2 / np.maximum(energy * total, 1e-30)
    if explained.min() > EXPLAINED or len(frequencies) < 4:
        return np.zeros(count)
    at, spectrum, pieces = _spectra(left, size, frequencies)
    middle = hearing.place + 0.5 * grid.length[hearing.symbol]
    missing = np.maximum(0.0, MOSTLY_EXPLAINED - np.interp(at, middle, explained))
    weak = bit_energy / 2 * 10.0 ** (-(WEAK_DB + WEAKER_DB * 100 * missing) / 10)
    spectrum += weak[:, np.newaxis]
    # of few pieces, even the spectrum of white noise is not flat: so much less, and so uncertain
    unevenness, variance = _log_of_mean(pieces)
    spread = float(np.sqrt(1.5 * variance / len(frequencies)))
    flatness = np.log(spectrum).mean(axis=1) - np.log(spectrum.mean(axis=1)) + unevenness + 2 * spread
    alike = np.maximum(cross, 0.0) ** 2 / np.maximum(energy * learned, 1e-30)
    asked = np.interp(np.interp(at, middle, alike), (UNLIKE, LIKE), (UNLIKE_FLATNESS, FLATNESS))
    doubt = MOST_DOUBT / (1.0 + np.exp(np.clip((flatness - np.log(asked)) / FLATNESS_WIDTH, -50, 50)))
    return np.asarray(np.where(explained > EXPLAINED, 0.0, np.interp(middle, at, doubt)))


def _piece(samples: int, low: float, share: float, rate_hz: float) -> tuple[int, npt.NDArray[np.int64]]:
    """Length of a piece, a power of two, and the numbers of its frequencies inside the band."""
    size = 1 << int(np.ceil(np.log2(2 * FREQUENCIES / share)))
    size = min(size, 1 << int(np.log2(max(samples, 2))))
    first = int(np.ceil(max(low * FARTHEST_SPEED, HUM_HZ / rate_hz) * size)) + 1
    last = int((low + 0.5 * share) / FARTHEST_SPEED * size) - 1
    return size, np.arange(first, last + 1)


def _log_of_mean(pieces: int) -> tuple[float, float]:
    """By how much the log of a mean of so many spectra of white noise falls short, and its variance.

    Such a mean has a gamma distribution: digamma and trigamma function of whole numbers (Abramowitz and
    Stegun, Handbook of Mathematical Functions, 1964, 6.3.2 and 6.4.3).
    """
    harmonic = 1.0 / np.arange(1, pieces)
    return float(np.log(pieces) + np.euler_gamma - harmonic.sum()), float(np.pi**2 / 6 - (harmonic**2).sum())


def _spectra(
    left: npt.NDArray[np.float32], size: int, frequencies: npt.NDArray[np.int64]
) -> tuple[FloatArray, FloatArray, int]:
    """Middles of pieces, running means of their power spectra, and how many pieces are in a mean."""
    whole = len(left) // size
    starts = np.linspace(0, len(left) - size, min(whole, MOST_PIECES)).astype(np.int64)
    window = np.hanning(size + 2)[1:-1].astype(np.float32)
    pieces = left[starts[:, np.newaxis] + np.arange(size)] * window
    power = np.abs(np.fft.rfft(pieces, axis=1)[:, frequencies]) ** 2 / np.sum(window**2)
    around = min(PIECES, len(starts))
    mean = np.stack([running_mean(column, around, beyond="edge") for column in power.T], axis=1)
    return np.asarray(starts + 0.5 * size, np.float64), mean, around


@summing_kernel
def _leave(even, symbol, place, before, phase, length, wave, ideal, level, left, sums):  # type: ignore[no-untyped-def]
    """Fill `left` with what the waveforms leave, at level 1, and hold each symbol, and each waveform, against
    the ideal ones.
    """
    for i in range(len(symbol)):
        c, m, n, p = before[i], symbol[i], place[i], phase[i]
        a = level[i]
        total, fit, energy, learned, cross = 0.0, 0.0, 0.0, 0.0, 0.0
        for t in range(min(length[m], len(even) - n)):
            x, w, d = even[n + t] / a, wave[c, m, p, t], ideal[m, p, t]
            left[n + t] = x - w
            total += x * x
            fit += x * d
            energy += d * d
            learned += w * w
            cross += w * d
        for k, value in enumerate((total, fit, energy, learned, cross)):
            sums[i, k] = value
