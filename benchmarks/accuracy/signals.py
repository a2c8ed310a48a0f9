"""Test recordings whose every symbol is known, impaired in one way or in all, with noise of known density."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from tapewright.cards import Alphabet, FormatCard
from tapewright.cards.layout import Data, Lead, Mark, Sync
from tapewright.channel import CassetteChannel, FlutterTone, play
from tapewright.channel.transport import draw_motion, is_perfect
from tapewright.framing import encode as frame
from tapewright.line import encode
from tapewright.model import Recording, TapePart

__all__ = ["IMPAIRMENTS", "Impairment", "Sent", "noisy", "send"]

FloatArray = npt.NDArray[np.float64]
RATE_HZ = 44_100.0
LEVEL = 0.5
LEADER_SECONDS = 1.0
TRAILER_SECONDS = 0.3
#: Of one block: leader, sync or mark, bytes.
BLOCK_BYTES = 512


@dataclass(frozen=True)
class Impairment:
    """One thing wrong with a recording.

    Parameters
    ----------
    words : str
        What it is, for a reader of the benchmark page.
    channel : callable
        Given the rms of the recording, the channel to play it through.
    is_inverted : bool
        Formats made of levels are then listened to upside down, as the chain does where the sync asks for it.
    removes_mean : bool
        Whether the mean is left out of Eb: a slicing offset adds a constant that carries nothing.
    adds_hum : bool
        Whether what is added is no energy of the signal's.
    drifts : bool
        Whether the level changes slowly, so that the bound is that of a receiver told the level.
    harm : str
        Impairment that does the same to the distances between sequences of bits, where it is not this one.
    """

    words: str
    channel: Callable[[float], CassetteChannel]
    is_inverted: bool = False
    removes_mean: bool = False
    adds_hum: bool = False
    drifts: bool = False
    harm: str = ""


def _channel(**settings: object) -> Callable[[float], CassetteChannel]:
    return lambda rms: replace(CassetteChannel.TRANSPARENT, **settings)  # type: ignore[arg-type]


def _db(ratio: float) -> float:
    return 20 * math.log10(ratio)


def _sliced(rms: float) -> CassetteChannel:
    """Slice 0.35 of the peak off the middle: an offset, then clipping so low that only edges stay."""
    return replace(
        CassetteChannel.TRANSPARENT,
        dc_offset_full_scale=0.35 * LEVEL,
        capture_clip_level_dbfs=_db(0.1 * LEVEL),
    )


def _together(rms: float) -> CassetteChannel:
    return replace(
        CassetteChannel.TRANSPARENT,
        speed_error_percent=3.0,
        flutter_tones=WOW,
        flutter_is_weighted=False,
        **BAND,
        reference_level_dbfs=_db(rms * math.sqrt(2)),
        hum_level_db=_db(0.25),
        hum_hz=50.0,
        hum_harmonics_db=(),
        level_drift_db=10.0,
        level_drift_hz=0.05,
        is_inverted=True,
    )


WOW = (FlutterTone(0.7, 0.5), FlutterTone(11.0, 0.3))
BAND: dict[str, Any] = {
    "low_pass_hz": 3000.0, "low_pass_order": 2, "high_pass_hz": 80.0, "high_pass_order": 1,
}  # fmt: skip


def _humming(rms: float) -> CassetteChannel:
    return replace(
        CassetteChannel.TRANSPARENT,
        reference_level_dbfs=_db(rms * math.sqrt(2)),
        hum_level_db=0.0,
        hum_hz=50.0,
        hum_harmonics_db=(),
        dc_offset_full_scale=0.5 * rms,
    )


def _clipped(rms: float) -> CassetteChannel:
    return replace(CassetteChannel.TRANSPARENT, capture_clip_level_dbfs=_db(0.5 * rms))


IMPAIRMENTS: dict[str, Impairment] = {
    "clean": Impairment("nothing but noise", _channel()),
    "fast": Impairment("tape 10 % fast", _channel(speed_error_percent=10.0)),
    "slow": Impairment("tape 10 % slow", _channel(speed_error_percent=-10.0)),
    "wow": Impairment(
        "wow of 0.5 % peak at 0.7 Hz with flutter of 0.3 % peak at 11 Hz",
        _channel(flutter_tones=WOW, flutter_is_weighted=False),
    ),
    "band": Impairment("second-order low-pass at 3 kHz, first-order high-pass at 80 Hz", _channel(**BAND)),
    "dull": Impairment("first-order low-pass at 800 Hz", _channel(low_pass_hz=800.0, low_pass_order=1)),
    "hum": Impairment(
        "50 Hz hum as strong as the signal, and an offset of half its rms", _humming, adds_hum=True
    ),
    "inverted": Impairment("upside down", _channel(is_inverted=True), is_inverted=True),
    "clipped": Impairment("clipped hard at half the rms", _clipped, removes_mean=True),
    "sliced": Impairment("squared off around 0.35 of the peak", _sliced, removes_mean=True),
    "drift": Impairment(
        "level swinging by 10 dB, up and down, every 20 s",
        _channel(level_drift_db=10.0, level_drift_hz=0.05),
        drifts=True,
    ),
    "together": Impairment(
        "at once: 3 % fast, wow, band, hum at a quarter of the level, drift, inverted",
        _together,
        is_inverted=True,
        adds_hum=True,
        drifts=True,
        harm="band",
    ),
}


@dataclass(frozen=True, eq=False)
class Sent:
    """A recording without noise, and the truth about it.

    Parameters
    ----------
    samples : ndarray of float32
        What to add the noise to.
    symbol : ndarray of int64
        All symbols, leaders and marks included.
    start, end : ndarray of float64
        Their times in the recording, in seconds.
    place_in_byte : ndarray of int64
        Number of the payload bit (order of sending) each symbol is, -1 for all others.
    block : ndarray of int64
        Number of the block of bytes it belongs to, -1 for leaders and marks.
    data : list of ndarray of uint8
        The bytes of each block.
    bit_energy : float
        Received energy, in samples, of a payload symbol: the mean over zeros and the mean over ones,
        averaged.
    energy : ndarray of float64
        Received energy of each symbol.
    """

    samples: npt.NDArray[np.float32]
    symbol: npt.NDArray[np.int64]
    start: FloatArray
    end: FloatArray
    place_in_byte: npt.NDArray[np.int64]
    block: npt.NDArray[np.int64]
    data: list[npt.NDArray[np.uint8]]
    bit_energy: float
    energy: FloatArray

    @property
    def level(self) -> FloatArray:
        """Each symbol's energy against the mean of its kind: 1 all along where the level does not drift."""
        kinds = int(self.symbol.max()) + 1
        bits = self.payload
        total = np.bincount(self.symbol[bits], self.energy[bits], kinds)
        mean = total / np.maximum(np.bincount(self.symbol[bits], minlength=kinds), 1)
        return np.asarray(self.energy / np.maximum(mean[self.symbol], 1e-30), np.float64)

    @property
    def payload(self) -> npt.NDArray[np.int64]:
        """Numbers of the symbols that carry payload bits."""
        return np.flatnonzero(self.place_in_byte >= 0)


def _leading(card: FormatCard) -> tuple[list[TapePart], str]:
    """Leader, sync and mark of the block that holds the data, and the symbols of its leader."""
    layout = next(b.layout for b in card.block if any(isinstance(item, Data) for item in b.layout))
    parts: list[TapePart] = []
    lead = ""
    for item in layout:
        if isinstance(item, Lead) and not lead:
            lead = item.lead
            parts.append(TapePart("lead", symbols=lead, seconds=LEADER_SECONDS))
        elif isinstance(item, Sync):
            parts.append(TapePart("bytes", data=item.sync * item.times))
        elif isinstance(item, Mark):
            parts.append(TapePart("symbols", symbols=item.mark))
        elif isinstance(item, Data):
            break
    return parts, lead


def send(card: FormatCard, impairment: Impairment, seconds: float, seed: int) -> Sent:
    """Make a recording of random bytes, `seconds` long or a little more, in blocks with a leader each."""
    rng = np.random.default_rng([seed, 1])
    alphabet = Alphabet.of(card)
    lengths = np.array([shape.seconds for shape in alphabet.shapes])
    leading, lead = _leading(card)
    byte_seconds = card.byte.symbols_per_byte * alphabet.mean_bit_seconds
    blocks = max(1, round((seconds - TRAILER_SECONDS) / (LEADER_SECONDS + BLOCK_BYTES * byte_seconds)))
    count = max(16, min(BLOCK_BYTES, round((seconds / blocks - LEADER_SECONDS) / byte_seconds)))
    data = [rng.integers(0, 1 << card.byte.bits, count, dtype=np.uint8) for _ in range(blocks)]
    parts: list[TapePart] = []
    symbols: list[npt.NDArray[np.int64]] = []
    place: list[npt.NDArray[np.int64]] = []
    block: list[npt.NDArray[np.int64]] = []
    before, after = len(card.byte.start), len(card.byte.start) + card.byte.bits
    number = np.arange(count * card.byte.symbols_per_byte)
    within = number % card.byte.symbols_per_byte
    carries = np.where(
        (within >= before) & (within < after),
        number // card.byte.symbols_per_byte * card.byte.bits + within - before,
        -1,
    )
    for k, values in enumerate(data):
        for part, is_payload in [
            *((p, False) for p in frame(leading, card)),
            *((p, True) for p in frame([TapePart("bytes", data=values.tobytes())], card)),
        ]:
            parts.append(part)
            drawn = _symbols(part, alphabet, lengths)
            symbols.append(drawn)
            place.append(carries if is_payload else np.full(len(drawn), -1))
            block.append(np.full(len(drawn), k if is_payload else -1))
    end_part = TapePart("lead", symbols=lead, seconds=TRAILER_SECONDS)
    parts.append(end_part)
    drawn = _symbols(end_part, alphabet, lengths)
    symbols.append(drawn)
    place.append(np.full(len(drawn), -1))
    block.append(np.full(len(drawn), -1))
    symbol = np.concatenate(symbols)
    times = np.concatenate(([0.0], np.cumsum(lengths[symbol])))
    clean = np.concatenate(list(encode(parts, alphabet, RATE_HZ, level=LEVEL)))
    channel = impairment.channel(float(np.sqrt(np.mean(clean.astype(np.float64) ** 2))))
    played = play(Recording(clean, RATE_HZ), channel, seed).samples[:, 0]
    if not is_perfect(channel):
        draw = np.random.default_rng(np.random.SeedSequence(seed).spawn(6)[1])  # as `play` does
        motion = draw_motion(len(clean) / RATE_HZ, RATE_HZ, channel, draw)
        knots = np.arange(len(motion.place_seconds)) * motion.knot_samples / RATE_HZ
        times = np.interp(times, motion.place_seconds, knots)
    signal = played
    if impairment.adds_hum:
        without = replace(channel, hum_level_db=None, dc_offset_full_scale=0.0)
        signal = play(Recording(clean, RATE_HZ), without, seed).samples[:, 0]
    if impairment.removes_mean:
        signal = signal - np.float32(signal.mean(dtype=np.float64))
    energy = _energy(signal, times)
    is_bit = np.concatenate(place) >= 0
    bits = [energy[is_bit & (symbol == alphabet.names.index(name))] for name in "01"]
    return Sent(
        played, symbol, times[:-1], times[1:], np.concatenate(place), np.concatenate(block), data,
        float(np.mean([part.mean() for part in bits])), energy,
    )  # fmt: skip


def noisy(sent: Sent, eb_n0_db: float, seed: int) -> Recording:
    """Add white noise: N0/2 is its variance a sample, as energy is counted in samples as well."""
    rng = np.random.default_rng([seed, 2])
    sigma = math.sqrt(sent.bit_energy / 10 ** (eb_n0_db / 10) / 2)
    hiss = rng.standard_normal(len(sent.samples), dtype=np.float32)
    return Recording(sent.samples + np.float32(sigma) * hiss, RATE_HZ)


def _symbols(part: TapePart, alphabet: Alphabet, lengths: FloatArray) -> npt.NDArray[np.int64]:
    pattern = np.array(alphabet.indices(part.symbols), np.int64)
    if part.kind == "lead":
        return np.tile(pattern, math.ceil(part.seconds / lengths[pattern].sum() - 1e-9))
    return pattern


def _energy(signal: npt.NDArray[np.float32], times: FloatArray) -> FloatArray:
    total = np.concatenate(([0.0], np.cumsum(signal.astype(np.float64) ** 2)))
    places = np.clip(times * RATE_HZ + 0.5, 0, len(signal))  # sample n stands for [n - 1/2, n + 1/2)
    return np.diff(np.interp(places, np.arange(len(total)), total))
