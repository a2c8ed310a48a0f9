"""Setting a search up: the recording's local level and noise against the alphabet's templates."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tapewright.cards import Alphabet
from tapewright.line.averages import running_mean
from tapewright.line.clock import typical_of
from tapewright.line.front import Heard, block_powers, level_span, level_track
from tapewright.line.kernels import bends, compare_with_templates
from tapewright.line.search import Path, Scene
from tapewright.line.templates import Band, Templates

__all__ = [
    "ASSUMED_EB_N0",
    "ASSUMED_OF_FREE",
    "Lock",
    "Measured",
    "blind_scene",
    "informed_scene",
    "measure",
    "noise_and_misfit",
    "sharpness_limits",
    "signal_power",
]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: Eb/N0 assumed while the noise is unknown, as a power ratio (8 dB: about the edge of what can be read).
ASSUMED_EB_N0 = 6.3
#: The same where that finds little, of carriers whose phase runs free: they can be read in more noise (5 dB).
ASSUMED_OF_FREE = 3.0
#: Amplitude and phase are fitted to each symbol of a free carrier: so many nats of noise they explain.
FITTED_NATS = 1.0
#: Nothing is believed to be cleaner than this Eb/N0 (15 dB): clean audio must not claim impossible certainty.
BEST_EB_N0 = 31.6

#: The pace is that of so many symbols together.
PACE_SYMBOLS = 31
#: Symbols whose pace is further from the usual one belong to something else.
ALIKE_PACE = 0.02
#: The level of a signal is told by so many symbols together.
LEVEL_SYMBOLS = 31
#: Gains and noise are measured on so many symbols at most, evenly spread.
MOST_TO_MEASURE = 2048
#: Noise is measured at so many levels, where there are so many symbols for each. Where the loudest has less
#: than this times the power of the faintest, they do not tell noise from misfit.
LEVELS, FEWEST_AT_LEVEL, UNLIKE_POWERS = 5, 16, 4.0
#: At least this share of what is left at the faintest level is noise.
LEAST_NOISE = 0.1
#: A symbol's gain is drawn to that of all as if so many more, of that gain, had been heard.
FEWEST_TO_TELL = 1.0
#: No signal begins where, by the level of so much time, no symbol would gain what it costs: in the hiss of a
#: pause every place is as good a beginning as any other, and all of them would be searched from.
FAINT_SECONDS = 0.5
#: Bends against the ideal are within these limits.
BENDS = (0.1, 2.0)


@dataclass(frozen=True, eq=False)
class Lock:
    """What the receiver knows before it reads a window.

    Parameters
    ----------
    stretch : float
        Length of a symbol against nominal: 1 / speed.
    noise : float
        Noise variance per sample, in the receiver's band, whatever the level.
    misfit : float
        What the waveforms leave besides, at amplitude 1: it grows with the level's square.
    gain : ndarray of float64, shape (symbols,)
        Received amplitude of each symbol against what the local level alone would give.
    bend : ndarray of float64, shape (symbols,)
        How fast a symbol's fit falls off around its place, against that of the ideal waveform: a dull
        recorder's edges tell less of the time.
    evidence : float
        How much better this explains what was heard than noise does, in nats.
    explained : float
        Share of the power in the receiver's band that the symbols account for, 0..1.
    cost : float
        Nats the symbols themselves cost; `evidence` has them taken off.
    seconds : float
        Length of what was listened to.
    low_pass_hz : float
        Corner of a first-order low-pass that the waveforms went through; infinite for none.
    has_harmonics : bool
        Whether the band above is listened to as well, by the last stretch that was asked; see
        `polish.harmonics_worth`.
    unasked : int
        For so many symbols more that holds.
    """

    stretch: float
    noise: float
    misfit: float
    gain: FloatArray
    bend: FloatArray
    evidence: float
    explained: float
    cost: float
    seconds: float
    low_pass_hz: float
    has_harmonics: bool = False
    unasked: int = 0

    def left(self, power: float) -> float:
        """Variance per sample left unexplained where the squared amplitude is `power`."""
        return self.noise + self.misfit * power


@dataclass(frozen=True, eq=False)
class Measured:
    """What a path tells of the signal.

    Parameters
    ----------
    evidence : float
        In nats, over noise alone.
    explained : float
        Share of the power that the symbols account for.
    cost : float
        Nats the symbols cost; taken off `evidence`.
    pace : float
        Length of the symbols against the templates' length.
    noise, misfit : float
        Variance per sample of what the symbols leave unexplained: see `Lock`.
    power : float
        Squared amplitude of most symbols.
    gain, bend, weight : ndarray of float64, shape (symbols,)
        Gain and bend of each symbol of the alphabet against the templates, and the energy they were measured
        on.
    seconds : float
    """

    evidence: float
    explained: float
    cost: float
    pace: float
    noise: float
    misfit: float
    power: float
    gain: FloatArray
    bend: FloatArray
    weight: FloatArray
    seconds: float

    def left(self, power: float) -> float:
        """Variance per sample left unexplained where the squared amplitude is `power`."""
        return self.noise + self.misfit * power


def symbol_cost(alphabet: Alphabet) -> FloatArray:
    """Nats each symbol costs before it is heard: each of the alphabet is as likely as another."""
    return np.full(len(alphabet.names), np.log(max(2, len(alphabet.names))))


def blind_scene(
    heard: Heard, power: FloatArray, alphabet: Alphabet, band: Band, templates: Templates,
    cost: FloatArray, eb_n0: float,
) -> tuple[Scene, FloatArray]:  # fmt: skip
    """Prepare a window for a search that knows neither noise nor gains; also returns amplitudes by block.

    `power` is its `level_track` over the templates' blocks, `eb_n0` the signal-to-noise ratio assumed.
    """
    bit_energy, usual = _bit_energy(alphabet, templates), templates.power
    # part of the level is noise; a search that takes it for signal finds symbols too faint to believe in
    noise = bit_energy * band.fraction / (2 * eb_n0)
    loud = power / usual
    amplitude = np.sqrt(loud * usual / (usual + noise))
    sharpness = np.full(len(amplitude), 2 * eb_n0 / bit_energy)
    null = np.zeros(len(amplitude) + 1)
    return Scene.of(templates, heard, amplitude, sharpness, null, cost), np.sqrt(loud)


def informed_scene(
    heard: Heard, alphabet: Alphabet, band: Band, templates: Templates, shaped: Templates, lock: Lock,
    cost: FloatArray,
) -> tuple[Scene, FloatArray]:  # fmt: skip
    """Prepare a window for a search with known noise and gains, and with "noise alone" as a rival.

    `shaped` are the `templates` as they are heard.
    """
    block = templates.block
    freedom = band.fraction * block * level_span(alphabet, band, block)
    power = _steadied(level_track(heard, alphabet, band, block), lock.noise, freedom)
    usual = templates.power
    amplitude = np.sqrt(signal_power(power, templates, lock) / usual)
    at_one, most, _ = sharpness_limits(alphabet, band, shaped, lock)
    sharpness = np.minimum(amplitude**2 * at_one, most)
    around = signal_power(running_mean(power, int(FAINT_SECONDS * band.rate_hz / block) | 1), templates, lock)
    gain = 0.5 * shaped.energy.max() * np.minimum(around / usual * at_one, most)
    noise = amplitude**2 * band.fraction / sharpness
    loud = np.maximum(power, noise)
    here = block_powers(heard, block)
    null = 0.5 * band.fraction * block * (here * (1 / noise - 1 / loud) - np.log(loud / noise))
    # over a symbol's time; and silence after loud sound is no less silent
    null = np.maximum(running_mean(null, int(templates.length.max() / block) | 1), 0.0)
    running = np.append(0.0, np.cumsum(null))
    is_hopeless = gain < cost.min()
    return Scene.of(shaped, heard, amplitude, sharpness, running, cost, is_hopeless), amplitude


def signal_power(power: FloatArray, templates: Templates, lock: Lock) -> FloatArray:
    """Power of the signal where so much power is heard, with the noise and misfit of a lock."""
    explained = np.maximum(power - lock.noise, 0.05 * power)
    return np.asarray(explained / (1.0 + lock.misfit / templates.power))


def _steadied(power: FloatArray, noise: float, freedom: float) -> FloatArray:
    """Draw levels, each of so many independent samples, together as far as noise alone scatters them.

    What noise does to the level of a faint signal may be more than the signal (James and Stein again, as in
    `imprint.py`).
    """
    mean = float(power.mean())
    noise = min(noise, mean)
    chance = 2.0 * noise * (2.0 * mean - noise) / freedom  # squares of noise, and noise times signal
    kept = max(0.0, 1.0 - chance / max(float(power.var()), 1e-30))
    return np.asarray(mean + kept * (power - mean))


def sharpness_limits(
    alphabet: Alphabet, band: Band, templates: Templates, lock: Lock
) -> tuple[float, float, float]:
    """Sharpness (see `Scene`) at amplitude 1, the most that is believed whatever the amplitude, and the most
    there is.
    """
    clearest = band.fraction / max(lock.misfit, 1e-9)
    most = 2 * BEST_EB_N0 / _bit_energy(alphabet, templates)
    return band.fraction / lock.noise, min(most, clearest), clearest


def measure(
    path: Path, scene: Scene, amplitude: FloatArray, band: Band, misfit: float = 0.0
) -> Measured | None:
    """Judge a path: how much of what was heard it explains, and what gains and noise it implies.

    Symbols count by how sharply they are heard: what stands out little from the noise says little of gains.
    `misfit` is what was known of that; it stays where the level does not change enough to tell.

    Returns
    -------
    Measured or None
        None where the path explains nothing.
    """
    if len(path) < 2:
        return None
    t, count = scene.templates, len(scene.templates.length)
    # of two programs at different speeds, one: their mean would fit neither
    around = min(PACE_SYMBOLS, len(path))
    long, nominal = (running_mean(track, around) for track in (path.end - path.start, t.length[path.symbol]))
    paces = long / nominal
    pace = typical_of(paces)
    step = len(path) // MOST_TO_MEASURE + 1
    path = path.part(np.flatnonzero(np.abs(paces - pace) < ALIKE_PACE)[::step])
    sums = _compare(path, scene, amplitude)
    middle = (0.5 * (path.start + path.end) / t.block).astype(np.int64).clip(0, len(amplitude) - 1)
    counts = scene.sharpness[middle] / scene.sharpness[middle].mean(dtype=np.float64)
    sums[1:] *= counts
    samples, total, fit, energy = sums[:4]
    if scene.is_free:
        left, fit = _left_with_free_phase(sums)
    else:
        fit = np.where(path.sign == 1, -fit, fit)
    kin, power = t.kinship[path.symbol], amplitude[middle] ** 2
    gain, weight = (of_kin[t.kinship] for of_kin in _gains(kin, fit, energy, power, count))
    if not scene.is_free:  # one gain a symbol of the alphabet, whatever the place
        left = total - gain[path.symbol] * (2 * fit - gain[path.symbol] * energy)
    left = np.maximum(left, 1e-6 * total)
    sum_total, sum_left, sum_samples = float(total.sum()), float(left.sum()), step * float(samples.sum())
    if sum_total <= 0 or gain[weight > 0].max(initial=0.0) <= 0:
        return None
    cost = float(scene.cost[path.symbol].sum())
    if scene.is_free:
        cost += FITTED_NATS * len(path)
    cost *= step
    evidence = 0.5 * band.fraction * sum_samples * np.log(sum_total / sum_left) - cost
    explained = 1.0 - sum_left / sum_total
    told, fitted = _told_power(power, fit, energy), 2 if scene.is_free else 0
    noise, misfit = _noise_by_level(left / counts * power, samples, told, band, fitted, misfit)
    gain = np.where(weight > 0, np.maximum(gain, 0.05), 1.0)
    bend = _bend(path, scene, amplitude, counts, kin, gain)
    return Measured(
        evidence, explained, cost, pace, noise, misfit, typical_of(power), gain, bend, weight,
        sum_samples / band.rate_hz,
    )  # fmt: skip


def _gains(
    kin: IntArray, fit: FloatArray, energy: FloatArray, power: FloatArray, count: int
) -> tuple[FloatArray, FloatArray]:
    """Gain of each kin of symbols, and the energy it was measured on.

    What is faint, as the hiss before a leader, tells little of gains, whatever symbols it was taken for.
    The gain of what was hardly heard else is that of the rest.
    """
    share = np.minimum(power / power.mean(), 1.0)
    told, weight = (np.bincount(kin, share * one, count) for one in (fit, energy))
    prior = FEWEST_TO_TELL * max(float(energy.mean()), 1e-9)
    usual = float(told.sum() / max(weight.sum(), 1e-9))
    return np.asarray((told + prior * usual) / (weight + prior)), np.asarray(weight)


def _told_power(power: FloatArray, fit: FloatArray, energy: FloatArray) -> FloatArray:
    """Squared amplitude around each symbol by what the symbols explain, of the same median as `power`.

    The level has noise in it: where there happens to be more of that, the level is higher and more is left
    unexplained, as if the waveforms did not fit. What symbols explain knows nothing of what they leave.
    """
    around = min(LEVEL_SYMBOLS, len(fit))
    amplitude = running_mean(fit, around) / np.maximum(running_mean(energy, around), 1e-9)
    told = power * np.maximum(amplitude, 1e-3) ** 2
    return np.asarray(told * (typical_of(power) / typical_of(told)))


def _noise_by_level(
    left: FloatArray, samples: FloatArray, power: FloatArray, band: Band, fitted: int, misfit: float
) -> tuple[float, float]:
    """Noise and misfit, from what the quieter and the louder symbols leave."""
    groups = np.array_split(np.argsort(power), max(1, min(LEVELS, len(power) // FEWEST_AT_LEVEL)))
    noise = np.array([_typical_noise(left[at], samples[at], band, fitted) for at in groups])
    typical = np.array([typical_of(power[at]) for at in groups])
    return noise_and_misfit(noise, typical, np.ones(len(groups)), misfit)


def noise_and_misfit(
    left: FloatArray, power: FloatArray, weight: FloatArray, misfit: float
) -> tuple[float, float]:
    """Split what is left at several levels into noise, the same at all, and what grows with the level.

    Parameters
    ----------
    left, power, weight : ndarray of float64, shape (n,)
        Variance per sample left, squared amplitude, and how much each counts.
    misfit : float
        What is left at amplitude 1 by misfit, where the levels are too much alike to tell.

    Returns
    -------
    noise, misfit : float
    """
    left, share = np.maximum(left, 1e-14), weight / weight.sum()
    if power.max() < UNLIKE_POWERS * power.min():
        total, typical = (float(np.exp(share @ np.log(values))) for values in (left, power))
        misfit = min(misfit, 0.5 * total / typical)
        return total - misfit * typical, misfit
    one, two = 1.0 / left, power / left  # least squares of relative differences
    a, b, c, d, e = (float(share @ product) for product in (one * one, one * two, two * two, one, two))
    noise, misfit = (c * d - b * e) / (a * c - b * b), (a * e - b * d) / (a * c - b * b)
    least = LEAST_NOISE * float(left.min())
    if noise < least:
        noise, misfit = least, (e - b * least) / c
    return (noise, misfit) if misfit > 0 else (d / a, 0.0)


def _typical_noise(left: FloatArray, samples: FloatArray, band: Band, fitted: int) -> float:
    """Noise variance per sample, from what each symbol leaves; passes over dropouts and clicks.

    What each symbol leaves has a chi-square distribution of k degrees of freedom: as many as the band has
    independent samples in that time, less those `fitted`. The median lies below the mean by the factor
    (1 - 2 / (9 k))^3 of Wilson and Hilferty (Proc. Natl. Acad. Sci. 17, 1931).
    """
    freedom = np.maximum(samples * band.fraction, 1.0)
    kept = np.maximum(freedom - fitted, 0.5)
    per_sample = left / np.maximum(samples * kept / freedom, 1e-9)
    k = typical_of(kept)
    return typical_of(per_sample) / max(1.0 - 2.0 / (9.0 * k), 0.3) ** 3


def _compare(path: Path, scene: Scene, amplitude: FloatArray) -> FloatArray:
    t = scene.templates
    sums = np.empty((7, len(path)))
    compare_with_templates(
        scene.heard, amplitude, t.block, path.start, path.symbol, t.length, t.rows[0], t.rows[-1],
        scene.is_free, sums,
    )  # fmt: skip
    return sums


def _bend(
    path: Path, scene: Scene, amplitude: FloatArray, counts: FloatArray, kin: IntArray, gain: FloatArray
) -> FloatArray:
    """Bend of each symbol against the templates; 1 for a free carrier, which tells the time by its phase."""
    t, symbols = scene.templates, len(scene.templates.length)
    if scene.is_free:
        return np.ones(symbols)
    bend = np.empty(len(path))
    bends(scene.heard, amplitude, t.block, path.start, path.symbol, t.sizes, t.rows[0], bend)
    heard = np.bincount(kin, np.where(path.sign == 1, -bend, bend) * counts, symbols)
    ideal = np.bincount(kin, t.bend[path.symbol] * counts, symbols)
    ratio = np.where(ideal > 0, heard / np.maximum(ideal, 1e-9), 1.0)[t.kinship] / gain
    return np.asarray(np.clip(ratio, *BENDS))


def _left_with_free_phase(sums: FloatArray) -> tuple[FloatArray, FloatArray]:
    """What the best mix of sine and cosine leaves, and its correlation as if it were all sine."""
    _, total, sine, sine_energy, cosine, cosine_energy, cross = sums
    determinant = np.maximum(sine_energy * cosine_energy - cross**2, 1e-9)
    taken = (cosine_energy * sine**2 - 2 * cross * sine * cosine + sine_energy * cosine**2) / determinant
    return total - taken, np.sqrt(np.maximum(taken, 0.0) * sine_energy)


def _bit_energy(alphabet: Alphabet, templates: Templates) -> float:
    return float(np.mean([templates.energy[alphabet.names.index(bit)] for bit in "01"]))
