"""A peer: the FSK demodulator of liquid-dsp, a general-purpose signal processing library.

Its `fskdem` takes the samples of one symbol in complex baseband, transforms them, and decides for the tone
whose bin is the largest. It has to be told where each symbol begins; here it is told the truth, speed and wow
included, which no receiver of tapes ever knows. Optional: without the library there is no peer, and the
figures say so.

References
----------
liquid-dsp, ``liquid.h``: `fskdem_create`, `fskdem_demodulate` ("demodulate symbol, assuming perfect symbol
timing"). Of two tones one lies at minus, one at plus the bandwidth that it is given, in cycles a sample; the
transform has the size between `k` and `4 k` points whose bins meet the tones best.
"""

from __future__ import annotations

import ctypes
import functools
import importlib.metadata
import importlib.util
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.fft
import scipy.signal
import soxr

from benchmarks.accuracy.signals import RATE_HZ, Sent
from tapewright.cards import Alphabet
from tapewright.model import Recording

__all__ = ["INSTALL", "Peer", "peer_for", "peer_name", "two_tones"]

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complexfloating]

PACKAGE, MODULE = "liquid-dsp", "liquid"
INSTALL = ".venv/bin/python -m pip install -r requirements-benchmark.lock"
#: Samples a second of the peer's symbols. A symbol of each measured card is a whole number of them.
PEER_RATE_HZ = 48_000
#: The recording is first resampled to this many times its rate. Straight lines between its samples are then
#: off by (2 pi f / rate)^2 / 8, for the highest tone (2400 Hz) 1e-3 of it.
FINENESS = 4
#: A tone may be this far from its bin, in cycles a symbol: the correlation is then sinc(0.1) = 98 % of all.
MOST_OFF_CYCLES = 0.1
#: Constant delays a filter may have: the peer is told the best, judged without noise on some symbols.
DELAYS_SECONDS = np.arange(9) * 5e-5
JUDGED = 2000


@dataclass(frozen=True)
class Peer:
    """`fskdem` set up for a card of two tones.

    Parameters
    ----------
    hertz : tuple of float
        Tone of a 0, tone of a 1.
    samples : int
        Samples a symbol.
    """

    hertz: tuple[float, float]
    samples: int

    @property
    def bandwidth(self) -> float:
        """Half the distance of the tones, in cycles a sample."""
        return abs(self.hertz[1] - self.hertz[0]) / 2 / PEER_RATE_HZ

    @property
    def off_cycles(self) -> float:
        """How far a tone is from its bin, in cycles a symbol."""
        sizes = np.arange(self.samples, 4 * self.samples + 1)
        bins = self.bandwidth * sizes
        return float(np.min(np.abs(np.round(bins) - bins) * self.samples / sizes))

    def decide(self, recording: Recording, sent: Sent) -> npt.NDArray[np.int64]:
        """Demodulate each symbol of the payload, cut out where it truly is: 0 or 1 each."""
        payload = sent.payload
        start, end = sent.start[payload], sent.end[payload]
        delay = self._delay(sent)
        symbols = self._mixed_down(_fine(recording.samples[:, 0]), start + delay, end + delay)
        demodulator = _library().fskdem_create(1, self.samples, self.bandwidth)
        try:
            is_higher = [_library().fskdem_demodulate(demodulator, row.ctypes.data) for row in symbols]
        finally:
            _library().fskdem_destroy(demodulator)
        return np.array(is_higher, np.int64) ^ int(self.hertz[0] > self.hertz[1])

    def _mixed_down(
        self, fine: ComplexArray, start: FloatArray, end: FloatArray
    ) -> npt.NDArray[np.complex64]:
        """Baseband of each symbol, midway between the tones."""
        within = (np.arange(self.samples) + 0.5) / self.samples
        places = (start[:, np.newaxis] + within * (end - start)[:, np.newaxis]) * (FINENESS * RATE_HZ)
        centre = sum(self.hertz) / 2 * self.samples / PEER_RATE_HZ
        cut = np.interp(places, np.arange(len(fine)), fine) * np.exp(-2j * np.pi * centre * within)
        return np.ascontiguousarray(cut, np.complex64)

    def _delay(self, sent: Sent) -> float:
        """Delay at which, without noise, the tone that was sent stands out most from the other."""
        payload = sent.payload[:JUDGED]
        start, end = sent.start[payload], sent.end[payload]
        fine = _fine(sent.samples[: int(end[-1] * RATE_HZ) + 1000])
        centre = sum(self.hertz) / 2
        turns = np.outer(
            np.arange(self.samples), (np.array(self.hertz) - centre) / PEER_RATE_HZ
        )  # (samples, 2)
        which = sent.symbol[payload]
        margins = []
        for delay in DELAYS_SECONDS:
            found = np.abs(self._mixed_down(fine, start + delay, end + delay) @ np.exp(-2j * np.pi * turns))
            own, other = found[np.arange(len(which)), which], found[np.arange(len(which)), 1 - which]
            margins.append(float(np.mean(own - other)))
        return float(DELAYS_SECONDS[int(np.argmax(margins))])


def two_tones(alphabet: Alphabet) -> tuple[float, float, float] | None:
    """Tones of 0 and 1 in hertz and their length in seconds; None where they are anything else."""
    zero, one = (alphabet.shapes[alphabet.names.index(bit)] for bit in "01")
    is_plain = all(len(shape.segments) == 1 and shape.segments[0].kind == "tone" for shape in (zero, one))
    if not is_plain or abs(zero.seconds - one.seconds) > 1e-9:
        return None
    return zero.segments[0].hertz, one.segments[0].hertz, zero.seconds


def peer_for(alphabet: Alphabet) -> tuple[Peer | None, str]:
    """Set the peer up for an alphabet, or say why it cannot be.

    Returns
    -------
    peer : Peer or None
    why_not : str
        Empty with a peer.
    """
    tones = two_tones(alphabet)
    if tones is None:
        return None, "the bits are not two tones of equal length"
    samples = tones[2] * PEER_RATE_HZ
    peer = Peer(tones[:2], round(samples))
    if abs(samples - peer.samples) > 1e-6:
        return None, f"a symbol is {samples:g} samples at {PEER_RATE_HZ} Hz, not a whole number"
    if peer.off_cycles > MOST_OFF_CYCLES:
        return None, f"a tone lies {peer.off_cycles:.2f} cycles a symbol beside its bin"
    if peer_name() is None:
        return None, f"{PACKAGE} is not installed: {INSTALL}"
    return peer, ""


def peer_name() -> str | None:
    """Name and version of the peer; None where it is not installed."""
    try:
        return f"{PACKAGE} {importlib.metadata.version(PACKAGE)}"
    except importlib.metadata.PackageNotFoundError:
        return None


@functools.cache
def _library() -> ctypes.CDLL:
    """Open the library inside the package's extension module, whose C functions are all visible."""
    found = importlib.util.find_spec(MODULE)
    assert found is not None
    assert found.origin is not None
    library = ctypes.CDLL(found.origin)
    library.fskdem_create.restype = ctypes.c_void_p
    library.fskdem_create.argtypes = [ctypes.c_uint, ctypes.c_uint, ctypes.c_float]
    library.fskdem_demodulate.restype = ctypes.c_uint
    library.fskdem_demodulate.argtypes = [ctypes.c_void_p, ctypes.c_void_p]
    library.fskdem_destroy.argtypes = [ctypes.c_void_p]
    return library


def _fine(samples: npt.NDArray[np.float32]) -> ComplexArray:
    """Analytic signal at `FINENESS` times the rate, so that no tone of few cycles meets its own mirror."""
    analytic = scipy.signal.hilbert(samples, scipy.fft.next_fast_len(len(samples)))[: len(samples)]
    both = np.stack([analytic.real, analytic.imag], axis=1).astype(np.float32)
    fine = soxr.resample(both, RATE_HZ, FINENESS * RATE_HZ)
    return np.asarray(fine[:, 0] + 1j * fine[:, 1])
