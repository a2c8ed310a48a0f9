"""Setting a search up: the recording's local level and noise against the alphabet's templates."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from tapewright.cards import Alphabet
from tapewright.line.averages import running_mean
from tapewright.line.front import Heard, block_powers, level_track
from tapewright.line.kernels import compare_with_templates
from tapewright.line.search import Path, Scene
from tapewright.line.templates import Band, Templates

__all__ = ["Lock", "Measured", "blind_scene", "informed_scene", "measure", "sharpness_limits"]

FloatArray = npt.NDArray[np.float64]

#: Eb/N0 assumed while the noise is unknown, as a power ratio (8 dB: about the edge of what can be read).
ASSUMED_EB_N0 = 6.3
#: Nothing is believed to be cleaner than this Eb/N0 (15 dB): clean audio must not claim impossible certainty.
BEST_EB_N0 = 31.6

#: The pace is that of so many symbols together.
PACE_SYMBOLS = 31
#: Symbols whose pace is further from the usual one belong to something else.
ALIKE_PACE = 0.02
#: A signal is measured on so many of each symbol at most, from all over.
MOST_TO_MEASURE = 1500
#: Where symbols explain less than this share of the power, they are held against the nearest samples, and not
#: against what lies between samples. So noise is taken as too high rather than too low: that matters where
#: it is strong and the level swings (measured: up to 1 dB), but would keep clean symbols from being followed.
WELL_MEASURED = 0.98


@dataclass(frozen=True, eq=False)
class Lock:
    """What the receiver knows before it reads a window.

    Parameters
    ----------
    stretch : float
        Length of a symbol against nominal: 1 / speed.
    noise : float
        Noise variance per sample, in the receiver's band.
    gain : ndarray of float64, shape (symbols,)
        Received amplitude of each symbol against what the local level alone would give.
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
    """

    stretch: float
    noise: float
    gain: FloatArray
    evidence: float
    explained: float
    cost: float
    seconds: float
    low_pass_hz: float


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
    noise : float
        Variance per sample of what the symbols leave unexplained.
    gain, weight : ndarray of float64, shape (symbols,)
        Gain of each symbol of the alphabet against the templates, and the energy it was measured on.
    seconds : float
    """

    evidence: float
    explained: float
    cost: float
    pace: float
    noise: float
    gain: FloatArray
    weight: FloatArray
    seconds: float


def symbol_cost(alphabet: Alphabet) -> FloatArray:
    """Nats each symbol costs before it is heard: each of the alphabet is as likely as another."""
    return np.full(len(alphabet.names), np.log(max(2, len(alphabet.names))))


def blind_scene(
    heard: Heard, power: FloatArray, alphabet: Alphabet, band: Band, templates: Templates,
    cost: FloatArray,
) -> tuple[Scene, FloatArray]:  # fmt: skip
    """Prepare a window for a search that knows neither noise nor gains; also returns amplitudes by block.

    `power` is its `level_track` over the templates' blocks.
    """
    bit_energy, mean_power = _bit_energy(alphabet, templates), _mean_power(templates)
    # part of the level is noise; a search that takes it for signal finds symbols too faint to believe in
    noise = bit_energy * band.fraction / (2 * ASSUMED_EB_N0)
    loud = power / mean_power
    amplitude = np.sqrt(loud * mean_power / (mean_power + noise))
    sharpness = np.full(len(amplitude), 2 * ASSUMED_EB_N0 / bit_energy)
    null = np.zeros(len(amplitude) + 1)
    return Scene.of(templates, heard, amplitude, sharpness, null, cost), np.sqrt(loud)


def informed_scene(
    heard: Heard, alphabet: Alphabet, band: Band, templates: Templates, shaped: Templates, lock: Lock,
    cost: FloatArray,
) -> tuple[Scene, FloatArray]:  # fmt: skip
    """Prepare a window for a search with known noise and gains, and with "noise alone" as a rival.

    `shaped` are the `templates` with the gains.
    """
    block = templates.block
    power = level_track(heard, alphabet, band, block)
    signal_power = np.maximum(power - lock.noise, 0.05 * power)
    amplitude = np.sqrt(signal_power / _mean_power(templates))
    at_one, most = sharpness_limits(alphabet, band, shaped, lock)
    sharpness = np.minimum(amplitude**2 * at_one, most)
    noise = amplitude**2 * band.fraction / sharpness
    loud = np.maximum(power, noise)
    here = block_powers(heard, block)
    null = 0.5 * band.fraction * block * (here * (1 / noise - 1 / loud) - np.log(loud / noise))
    # over a symbol's time; and silence after loud sound is no less silent
    null = np.maximum(running_mean(null, int(templates.length.max() / block) | 1), 0.0)
    running = np.append(0.0, np.cumsum(null))
    return Scene.of(shaped, heard, amplitude, sharpness, running, cost), amplitude


def sharpness_limits(alphabet: Alphabet, band: Band, templates: Templates, lock: Lock) -> tuple[float, float]:
    """Sharpness (see `Scene`) at amplitude 1, and the most that is believed whatever the amplitude."""
    return band.fraction / lock.noise, 2 * BEST_EB_N0 / _bit_energy(alphabet, templates)


def measure(path: Path, scene: Scene, amplitude: FloatArray, band: Band) -> Measured | None:
    """Judge a path: how much of what was heard it explains, and what gains and noise it implies.

    Returns
    -------
    Measured or None
        None where the path explains nothing.
    """
    if len(path) < 2:
        return None
    t = scene.templates
    # of two programs at different speeds, one: their mean would fit neither
    around = min(PACE_SYMBOLS, len(path))
    some = _some_of_each(path.symbol, len(t.length))
    nominal = running_mean(t.length[path.symbol], around)[some]
    here = running_mean(path.end - path.start, around)[some] / nominal
    pace = float(np.median(here))
    path = path.part(some[np.abs(here - pace) < ALIKE_PACE])
    found = _measured(path, pace, scene, amplitude, band)
    if found is None or found.explained > WELL_MEASURED:
        return found
    return _measured(replace(path, start=np.round(path.start)), pace, scene, amplitude, band)


def _measured(path: Path, pace: float, scene: Scene, amplitude: FloatArray, band: Band) -> Measured | None:
    t = scene.templates
    sums = _compare(path, scene, amplitude)
    samples, total, fit, energy = sums[:, 0], sums[:, 1], sums[:, 2], sums[:, 3]
    if scene.is_free:
        left, fit = _left_with_free_phase(sums)
    else:
        fit = np.where(path.sign == 1, -fit, fit)
    kin = t.kinship[path.symbol]
    gain, _ = _gains(fit, energy, kin, t.kinship)
    if not scene.is_free:  # one gain a symbol of the alphabet, whatever the place
        left = total - gain[path.symbol] * (2 * fit - gain[path.symbol] * energy)
    left = np.maximum(left, 1e-6 * total)
    sum_total, sum_left, sum_samples = float(total.sum()), float(left.sum()), float(samples.sum())
    if sum_total <= 0 or gain.max(initial=0.0) <= 0:
        return None
    cost = float(scene.cost[path.symbol].sum())
    evidence = 0.5 * band.fraction * sum_samples * np.log(sum_total / sum_left) - cost
    explained = 1.0 - sum_left / sum_total
    middle = (0.5 * (path.start + path.end) / t.block).astype(np.int64).clip(0, len(amplitude) - 1)
    noise = _typical_noise(left * amplitude[middle] ** 2, samples, band, 2 if scene.is_free else 0)
    # where symbols were followed, the level went with each of them, and says nothing of their gains
    gain, weight = _gains(fit, np.where(path.is_clear, 0.0, energy), kin, t.kinship)
    gain = np.where(weight > 0, np.maximum(gain, 0.05), 1.0)
    return Measured(
        evidence, explained, cost, pace, max(noise, 1e-14), gain, weight, sum_samples / band.rate_hz
    )


def _some_of_each(symbol: npt.NDArray[np.int64], symbols: int) -> npt.NDArray[np.int64]:
    """Numbers of symbols to measure, in order."""
    if len(symbol) <= MOST_TO_MEASURE:
        return np.arange(len(symbol))
    places = [np.flatnonzero(symbol == m) for m in range(symbols)]
    return np.sort(np.concatenate([at[:: len(at) // MOST_TO_MEASURE + 1] for at in places]))


def _gains(
    fit: FloatArray, energy: FloatArray, kin: npt.NDArray[np.int64], kinship: npt.NDArray[np.int64]
) -> tuple[FloatArray, FloatArray]:
    """Gain of each symbol of the alphabet, by those of its kin, and the energy it was measured on."""
    count = len(kinship)
    weight = np.asarray(np.bincount(kin, energy, count)[kinship], np.float64)
    heard = np.bincount(kin, np.where(energy > 0, fit, 0.0), count)[kinship]
    return np.where(weight > 0, heard / np.maximum(weight, 1e-9), 0.0), weight


def _typical_noise(left: FloatArray, samples: FloatArray, band: Band, fitted: int) -> float:
    """Noise variance per sample, from what each symbol leaves; passes over dropouts and clicks.

    What each symbol leaves has a chi-square distribution of k degrees of freedom: as many as the band has
    independent samples in that time, less those `fitted`. The median lies below the mean by the factor
    (1 - 2 / (9 k))^3 of Wilson and Hilferty (Proc. Natl. Acad. Sci. 17, 1931).
    """
    freedom = np.maximum(samples * band.fraction, 1.0)
    kept = np.maximum(freedom - fitted, 0.5)
    per_sample = left / np.maximum(samples * kept / freedom, 1e-9)
    k = float(np.median(kept))
    return float(np.median(per_sample)) / max(1.0 - 2.0 / (9.0 * k), 0.3) ** 3


def _compare(path: Path, scene: Scene, amplitude: FloatArray) -> FloatArray:
    t = scene.templates
    sums = np.empty((len(path), 7))
    compare_with_templates(
        scene.heard, amplitude, t.block, path.start, path.symbol, t.length, t.rows[0], t.rows[-1],
        scene.is_free, sums,
    )  # fmt: skip
    return sums


def _left_with_free_phase(sums: FloatArray) -> tuple[FloatArray, FloatArray]:
    """What the best mix of sine and cosine leaves, and its correlation as if it were all sine."""
    _, total, sine, sine_energy, cosine, cosine_energy, cross = sums.T
    determinant = np.maximum(sine_energy * cosine_energy - cross**2, 1e-9)
    taken = (cosine_energy * sine**2 - 2 * cross * sine * cosine + sine_energy * cosine**2) / determinant
    return total - taken, np.sqrt(np.maximum(taken, 0.0) * sine_energy)


def _bit_energy(alphabet: Alphabet, templates: Templates) -> float:
    return float(np.mean([templates.energy[alphabet.names.index(bit)] for bit in "01"]))


def _mean_power(templates: Templates) -> float:
    sounding = templates.energy > 0
    return float(np.mean(templates.energy[sounding] / templates.length[sounding]))
