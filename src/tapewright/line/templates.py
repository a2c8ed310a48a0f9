"""What each symbol should look like at the receiver's rate, and what one look at the alphabet tells.

A template is the symbol's ideal waveform, averaged over each sample's width so that edges between samples
count for what they are, and limited to the receiver's band like the recording itself.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property

import numpy as np
import numpy.typing as npt

from tapewright.cards import Alphabet, SymbolShape
from tapewright.cards.alphabet import Segment
from tapewright.line.kernels import carry_phase
from tapewright.model import HALF, LEVEL, SILENCE, TONE

__all__ = [
    "BIT",
    "FILLER",
    "FILLER_NAME",
    "Band",
    "Templates",
    "band_of",
    "ideal_wave",
    "kinds_of",
    "ratio_of",
]

FloatArray = npt.NDArray[np.float64]
_KIND = {"silence": SILENCE, "tone": TONE, "half": HALF, "level": LEVEL}
#: Points a sample at which the ideal waveform is worked out before averaging.
FINENESS = 16
#: Slots to the shortest half-wave: places within one are told apart by the survivor's own clock alone.
SLOTS_A_HALF_WAVE = 2.0
#: Where edges are square, what lies lower may hold so much of a symbol's energy: hum lies there, too.
LEAST_LOW_SHARE = 0.002
#: There, the least rate, and how far up the band goes, as a share of the rate: as far as six taps let it
#: through between samples (`clock.interpolator` then loses 0.2 % of it).
EDGES_RATE_HZ, EDGES_HIGH = 20_000.0, 1 / 2.4
#: There it begins no higher than this: pulses that a recorder bends are no longer balanced (measured: 0.2 dB
#: of what tells sliced pulses apart lies below).
BENT_LOW_HZ = 200.0
#: A recording's rate is to the receiver's as two whole numbers, of which one is this large at most: so one
#: can be made the other block by block (`front.py`).
MOST_PARTS = 1000


@dataclass(frozen=True)
class Band:
    """The receiver's rate and band for an alphabet.

    Parameters
    ----------
    rate_hz : float
        Inner sample rate.
    low_hz, high_hz : float
        Edges of the band that is listened to.
    """

    rate_hz: float
    low_hz: float
    high_hz: float

    @cached_property
    def fraction(self) -> float:
        """Share of white noise that the band lets through: its edges take some."""
        return float(np.sum(self.filter**2))

    @cached_property
    def filter(self) -> FloatArray:
        """Linear-phase FIR that keeps the band; its length is odd."""
        half = int(1.8 * self.rate_hz / self.low_hz)
        n = np.arange(-half, half + 1)
        low, high, middle = (
            f / self.rate_hz for f in (self.low_hz, self.high_hz, 0.5 * (self.low_hz + self.high_hz))
        )
        # windowed sinc (scipy.signal.firwin gives the same, but takes a second to import)
        taps = (2 * high * np.sinc(2 * high * n) - 2 * low * np.sinc(2 * low * n)) * np.kaiser(len(n), 6.0)
        return np.asarray(taps / np.sum(taps * np.cos(2 * np.pi * middle * n)))

    @cached_property
    def upper_filter(self) -> FloatArray:
        """The upper edge alone: after a wider band with this lower edge it leaves what `filter` does."""
        half = len(self.filter) // 2
        n = np.arange(-half, half + 1)
        taps = np.sinc(2 * self.high_hz / self.rate_hz * n) * np.kaiser(len(n), 6.0)
        return np.asarray(taps / np.sum(taps))


def band_of(alphabet: Alphabet, recording_rate_hz: float) -> Band:
    """Choose rate and band: seven samples a cycle of the fastest tone, more where edges are square; a wider
    band where there are bursts and silence.
    """
    segments = [segment for shape in alphabet.shapes for segment in shape.segments]
    tones_only = all(s.kind in ("tone", "silence") for s in segments)
    lowest = min(
        [s.hertz for s in segments if s.kind in ("tone", "half")]
        + [0.5 / shape.seconds for shape in alphabet.shapes if shape.is_absolute]
    )
    if tones_only:
        rate, low, high = 7.0 * alphabet.highest_hertz, 0.3 * lowest, 1.8 * alphabet.highest_hertz
        if any(s.kind == "silence" for s in segments):
            # a recorder that bends the wave lifts its mean where there is sound, and adds a harmonic
            low = min(low, 0.5 / max(shape.seconds for shape in alphabet.shapes))
            high = 2.6 * alphabet.highest_hertz
    else:  # single half-waves have much of their energy far below the slowest of them, and edges far above
        rate = max(12.0 * alphabet.highest_hertz, EDGES_RATE_HZ)
        low = max(0.1 * lowest, min(map(_lowest_hertz, alphabet.shapes)))
        low = min(low, BENT_LOW_HZ)  # bent pulses are no longer balanced
        high = EDGES_HIGH * rate
    rate = min(max(rate, 8_000.0), 96_000.0)
    ratio = ratio_of(recording_rate_hz, rate)
    rate = recording_rate_hz * ratio.numerator / ratio.denominator
    low = min(max(low, 40.0), 400.0)
    return Band(rate, low, min(high, 0.47 * rate, 0.47 * recording_rate_hz))


def ratio_of(rate_hz: float, to_hz: float) -> Fraction:
    """How many samples at one rate there are to those at another, nearly."""
    return Fraction(to_hz / rate_hz).limit_denominator(MOST_PARTS)


def wider_band_of(alphabet: Alphabet, band: Band, recording_rate_hz: float) -> Band | None:
    """The band with as many harmonics as the rate holds; None but for free carriers: the others'
    bands have the harmonics that matter.
    """
    if not alphabet.has_free_phase:
        return None
    high = min(EDGES_HIGH * band.rate_hz, 0.47 * recording_rate_hz)
    return replace(band, high_hz=high) if high > band.high_hz else None


def _lowest_hertz(shape: SymbolShape) -> float:
    """Frequency below which there is next to nothing of a symbol; infinite for silence."""
    points = 16 * max(64, math.ceil(shape.seconds * max(segment.hertz for segment in shape.segments)))
    seconds = (np.arange(points) + 0.5) * shape.seconds / points
    spectrum = np.abs(np.fft.rfft(_ideal(shape.segments, seconds, 0.0), 64 * points)) ** 2
    below = np.cumsum(spectrum)
    if below[-1] <= 0:
        return math.inf
    return float(np.searchsorted(below, LEAST_LOW_SHARE * below[-1])) / (64 * shape.seconds)


#: Kinds of symbols: the bits; leader, sync marks and the like; the tone that may stand between bytes, in
#: pieces (only the receiver knows that one, by this name).
BIT, MARK, FILLER = 1, 0, -1
FILLER_NAME = "~"


def kinds_of(names: str) -> npt.NDArray[np.int64]:
    """Kind of each symbol of an alphabet."""
    return np.array([BIT if n in "01" else FILLER if n == FILLER_NAME else MARK for n in names], np.int64)


@dataclass(frozen=True, eq=False)
class Templates:
    """The alphabet's waveforms at one speed.

    Parameters
    ----------
    sine, cosine : list of ndarray, one a symbol
        Entered upright at phase 0, and a quarter turn later (only for alphabets whose phase runs free).
    energies : ndarray of float64, shape (3, symbols)
        Inner products, in samples: sine x sine, cosine x cosine, sine x cosine (the last two are zeros where
        there is no `cosine`).
    length : ndarray of float64, shape (symbols,)
        In samples, not whole.
    turns : ndarray of float64
        Phase a symbol adds, in turns.
    flips : ndarray of int64
        1 where the symbol turns the sign of what follows.
    bend : ndarray of float64
        How fast a symbol's fit falls off around its place: minus the second difference of its
        autocorrelation, in samples.
    droop : ndarray of float64
        What a fit loses midway between samples, as a share of it, by a cubic through four samples.
    kind : ndarray of int64
        `BIT`, `MARK` or `FILLER`.
    kinship : ndarray of int64
        Symbols made of the same pieces in another order or upside down have the same number: whatever the
        recorder did to one it did to the other.
    half_wave : float
        The shortest half-wave in the alphabet, in samples.
    rate_hz : float
    """

    sine: list[FloatArray]
    cosine: list[FloatArray]
    energies: FloatArray
    length: FloatArray
    turns: FloatArray
    flips: npt.NDArray[np.int64]
    bend: FloatArray
    droop: FloatArray
    kind: npt.NDArray[np.int64]
    kinship: npt.NDArray[np.int64]
    half_wave: float
    rate_hz: float

    @property
    def pitch(self) -> FloatArray:
        """Turns each symbol makes in a sample."""
        return np.asarray(self.turns / self.length)

    @property
    def energy(self) -> FloatArray:
        """Sum of squares of each sine template, in samples."""
        return np.asarray(self.energies[0])

    @cached_property
    def power(self) -> float:
        """Power of a signal of amplitude 1: the mean over all symbols that are not silent."""
        sounding = self.energy > 0
        return float(np.mean(self.energy[sounding] / self.length[sounding]))

    @classmethod
    def of(
        cls, alphabet: Alphabet, band: Band, stretch: float, low_pass_hz: float = math.inf
    ) -> Templates:  # fmt: skip
        """Work the templates out for symbols that last `stretch` times their nominal length.

        `low_pass_hz` is the corner of a first-order low-pass they went through.
        """
        rate = band.rate_hz * stretch  # samples per nominal second
        free = alphabet.has_free_phase
        limit = not all(s.kind in ("tone", "silence") for shape in alphabet.shapes for s in shape.segments)
        sine = [_sampled(shape, rate, 0.0, band if limit else None) for shape in alphabet.shapes]
        cosine = [_sampled(shape, rate, 0.25, None) for shape in alphabet.shapes] if free else []
        if math.isfinite(low_pass_hz):
            sine, cosine = ([_dulled(w, low_pass_hz / rate) for w in waves] for waves in (sine, cosine))
        flips = [0 if free else round(2 * shape.turns) % 2 for shape in alphabet.shapes]
        return cls(
            sine,
            cosine,
            _free_energies(alphabet, rate, sine, cosine) if free else _energies(sine),
            np.array([shape.seconds * rate for shape in alphabet.shapes]),
            np.array([shape.turns for shape in alphabet.shapes]),
            np.array(flips, np.int64),
            np.array([max(2.0 * float(w @ w - w[1:] @ w[:-1]), 1e-6) for w in sine]),
            np.array([_droop(shape, rate) for shape in alphabet.shapes]),
            kinds_of(alphabet.names),
            _kinship(alphabet),
            0.5 * rate / alphabet.highest_hertz,
            band.rate_hz,
        )

    def as_heard(self, gain: FloatArray, bend: FloatArray) -> Templates:
        """Return the templates, each symbol's multiplied by its own gain; `bend` is against the ideal."""
        return replace(
            self,
            sine=[g * w for g, w in zip(gain, self.sine, strict=True)],
            cosine=[g * w for g, w in zip(gain, self.cosine, strict=True)] if self.cosine else [],
            energies=gain * gain * self.energies,
            bend=gain * gain * bend * self.bend,
        )

    @cached_property
    def rows(self) -> npt.NDArray[np.float32]:
        """The waveforms in rows, shape (1 or 2, symbols, longest): sine, and cosine where there is one."""
        kinds = [self.sine, self.cosine] if self.cosine else [self.sine]
        rows = np.zeros((len(kinds), len(self.sine), max(map(len, self.sine))), np.float32)
        for kind, waves in enumerate(kinds):
            for m, wave in enumerate(waves):
                rows[kind, m, : len(wave)] = wave
        return rows

    @cached_property
    def sizes(self) -> npt.NDArray[np.int64]:
        """Samples of each waveform."""
        return np.array([len(wave) for wave in self.sine], np.int64)

    @property
    def slot(self) -> float:
        """Samples within which a survivor's own clock alone tells where a symbol begins, one at least."""
        return max(1.0, self.half_wave / SLOTS_A_HALF_WAVE)

    @cached_property
    def block(self) -> int:
        """Samples over which level and noise may be taken as constant."""
        return int(min(8, max(1, self.length.min() // 4)))


def _energies(sine: list[FloatArray]) -> FloatArray:
    own = _products(sine, sine)
    return np.array([own, [0.0] * len(own), [0.0] * len(own)])


def _free_energies(
    alphabet: Alphabet, rate: float, sine: list[FloatArray], cosine: list[FloatArray]
) -> FloatArray:
    """Inner products with the tone as it goes on before and after.

    A symbol has half of the sample it shares with its neighbour. Counted by itself, a short symbol would seem
    to have too little energy for what is heard in it.
    """
    on = [_sampled(shape, rate, 0.0, None, goes_on=True) for shape in alphabet.shapes]
    leaning = [_sampled(shape, rate, 0.25, None, goes_on=True) for shape in alphabet.shapes]
    cross = 0.5 * (np.array(_products(sine, leaning)) + np.array(_products(cosine, on)))
    return np.array([_products(sine, on), _products(cosine, leaning), cross])


def _products(ones: list[FloatArray], others: list[FloatArray]) -> list[float]:
    return [float(a @ b) for a, b in zip(ones, others, strict=True)]


def _droop(shape: SymbolShape, rate: float) -> float:
    """As of tones that go on and on, as in a leader."""
    tones = [segment for segment in shape.segments if segment.kind in ("tone", "half")]
    if not tones:
        return 0.0
    turn = 2 * np.pi * np.array([segment.hertz for segment in tones]) / rate
    midway = (9.0 * np.cos(turn / 2) - np.cos(3 * turn / 2)) / 8.0  # weights -1, 9, 9, -1 at -3/2 .. 3/2
    return float(1.0 / np.average(midway, weights=[segment.seconds for segment in tones]) - 1.0)


def _kinship(alphabet: Alphabet) -> npt.NDArray[np.int64]:
    pieces = [
        tuple(
            sorted(
                (s.kind, round(s.seconds, 9), round(s.hertz, 6), round(abs(s.level), 6))
                for s in shape.segments
            )
        )
        for shape in alphabet.shapes
    ]
    return np.array([pieces.index(piece) for piece in pieces], np.int64)


def _dulled(wave: FloatArray, corner: float) -> FloatArray:
    """Put a waveform through a first-order low-pass; the corner is in cycles a sample."""
    kept = math.exp(-2 * math.pi * corner)
    response = (1.0 - kept) * kept ** np.arange(len(wave))
    return np.asarray(np.convolve(wave, response)[: len(wave)])


def _sampled(
    shape: SymbolShape, rate: float, phase: float, band: Band | None, *, goes_on: bool = False
) -> FloatArray:
    """Average the ideal waveform over [k - 1/2, k + 1/2] for k = 0 .. ceil(length).

    With `goes_on`, the first and last tone are as if they began earlier and ended later.
    """
    samples = math.ceil(shape.seconds * rate) + 1
    fine = (np.arange(samples * FINENESS) + 0.5) / FINENESS - 0.5  # in samples
    ideal = _ideal(shape.segments, fine / rate, phase, goes_on=goes_on)
    wave = ideal.reshape(samples, FINENESS).mean(axis=1)
    if band is not None:
        taps = band.filter
        wave = np.convolve(wave, taps)[len(taps) // 2 : len(taps) // 2 + samples]
    return np.asarray(wave)


def ideal_wave(shape: SymbolShape, rate: float, phase: float, samples: int, band: Band) -> FloatArray:
    """A symbol's waveform, averaged over each sample [k, k + 1] and limited to the receiver's band.

    Tones lie inside the band as they are; square edges do not.
    """
    fine = (np.arange(samples * FINENESS) + 0.5) / FINENESS
    wave = _ideal(shape.segments, fine / rate, phase).reshape(samples, FINENESS).mean(axis=1)
    if not all(s.kind in ("tone", "silence") for s in shape.segments):
        taps = replace(band, rate_hz=rate).filter
        wave = np.convolve(wave, taps)[len(taps) // 2 : len(taps) // 2 + samples]
    return np.asarray(wave)


def _ideal(
    segments: tuple[Segment, ...], seconds: FloatArray, phase: float, *, goes_on: bool = False
) -> FloatArray:
    kind = np.array([_KIND[s.kind] for s in segments], np.int8)
    level = np.array([s.level for s in segments])
    turns = np.array([s.seconds * s.hertz for s in segments])
    phases = np.empty(len(segments))
    # as plain Python: a few segments are not worth loading compiled code for
    carry_phase.py_func(kind, turns, level, phase, phases)  # type: ignore[no-untyped-call]
    wave = np.zeros(len(seconds))
    start = 0.0
    for number, (segment, at) in enumerate(zip(segments, phases, strict=True)):
        inside = (seconds >= start) & (seconds < start + segment.seconds)
        if goes_on and number == 0:
            inside |= seconds < start
        if goes_on and number == len(segments) - 1:
            inside |= seconds >= start
        turn = at + segment.hertz * (seconds[inside] - start)
        if segment.kind == "tone":
            wave[inside] = np.sin(2 * np.pi * turn)
        elif segment.kind == "half":
            wave[inside] = 1.0 if at < 0.5 else -1.0
        elif segment.kind == "level":
            wave[inside] = segment.level
        start += segment.seconds
    return wave
