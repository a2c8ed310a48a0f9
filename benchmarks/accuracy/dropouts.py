"""Whether wrong bytes in dropouts are flagged: short deep losses of level in an otherwise good recording.

Counted twice. *By the receiver*: a byte is wrong if any of its bits, matched by time, is; its confidence is
the product of its bits' posteriors; what was not heard at all, or heard half a symbol off, makes no claim and
counts as flagged. *Read*: a program is read by the whole chain and its bytes are compared by time with those
written; a byte that is not there, or is nowhere near its time, is wrong, and one that was read and is not
what stands there is flagged only by its own confidence. So bytes that are out of step, after a bit too many
or too few or after a block whose beginning was lost, count in full.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

import tapewright as tw
from benchmarks.accuracy.bounds import bounds
from benchmarks.accuracy.scoring import overlapping, wrong_bytes
from benchmarks.accuracy.signals import RATE_HZ, Impairment, noisy, send
from tapewright.cards import Alphabet, load_format
from tapewright.channel import CassetteChannel, play
from tapewright.line import decode
from tapewright.model import GAP, Block

__all__ = ["DEPTHS_DB", "SURE", "Dropouts", "count_wrong", "count_wrong_read", "wrong_in_dropouts"]

FloatArray = npt.NDArray[np.float64]

DEPTHS_DB = (20.0, 25.0, 30.0)
#: One a second, as long as the worst that old tapes show (chosen).
A_MINUTE, LENGTH_SECONDS, EDGE_SECONDS = 60.0, 0.05, 0.002
#: Between the dropouts hardly any byte is wrong: so much above the Eb/N0 of the target.
ABOVE_DB = 8.0
#: A byte with a higher confidence is not flagged.
SURE = 0.9
#: Where a program that is read lies: every card of the library can say that.
ADDRESS = 0x9000


@dataclass(frozen=True)
class Dropouts:
    """Wrong bytes of one recording.

    Parameters
    ----------
    layer : str
        ``"receiver"`` or ``"read"``.
    bytes_, wrong, unflagged : int
        All that were sent, the wrong ones, and those with a confidence above 0.9 that are wrong.
    """

    card: str
    depth_db: float
    layer: str
    bytes_: int
    wrong: int
    unflagged: int


def wrong_in_dropouts(card_name: str, seconds: float) -> list[Dropouts]:
    """Count in a recording for each depth; where they are read, in other places for each depth."""
    heard = [count_wrong(card_name, depth_db, seconds) for depth_db in DEPTHS_DB]
    read = [count_wrong_read(card_name, depth_db, seconds, seed) for seed, depth_db in enumerate(DEPTHS_DB)]
    return heard + read


def _channel(depth_db: float) -> CassetteChannel:
    return replace(
        CassetteChannel.TRANSPARENT,
        dropouts_per_minute=A_MINUTE,
        dropout_depth_db=depth_db,
        dropout_seconds=LENGTH_SECONDS,
        dropout_edge_seconds=EDGE_SECONDS,
    )


def count_wrong(card_name: str, depth_db: float, seconds: float) -> Dropouts:
    """Count what the receiver makes of one recording with dropouts of one depth."""
    card = load_format(card_name)
    channel = _channel(depth_db)
    sent = send(card, Impairment(f"dropouts of {depth_db:g} dB", lambda rms: channel), seconds, 0)
    heard = decode(noisy(sent, bounds()[card_name]["ideal_db"] + ABOVE_DB, 0), card).symbols
    real = np.flatnonzero(heard.index != GAP)
    payload = sent.payload
    match = overlapping(
        sent.start[payload], sent.end[payload], heard.start_seconds[real], heard.end_seconds[real]
    )
    # a bit's neighbour that reaches a hair into its time says nothing of it
    apart = np.abs(heard.start_seconds[real[match]] - sent.start[payload])
    is_heard = (match >= 0) & (apart < 0.5 * (sent.end - sent.start)[payload])
    decided, sure = np.full(len(payload), -1), np.zeros(len(payload))
    place = real[match[is_heard]]
    decided[is_heard] = heard.index[place]
    sure[is_heard] = np.exp(heard.log_p[place, decided[is_heard]])
    wrong = wrong_bytes(decided != sent.symbol[payload], card.byte.bits)
    confidence = sure[: len(wrong) * card.byte.bits].reshape(len(wrong), -1).prod(axis=1)
    unflagged = int(np.sum(wrong & (confidence > SURE)))
    return Dropouts(card_name, depth_db, "receiver", len(wrong), int(wrong.sum()), unflagged)


def count_wrong_read(card_name: str, depth_db: float, seconds: float, seed: int) -> Dropouts:
    """Count what the whole chain makes of a program whose bytes take about so long."""
    card = load_format(card_name)
    bit_seconds = Alphabet.of(card).mean_bit_seconds
    count = max(16, round(0.8 * seconds / (card.byte.symbols_per_byte * bit_seconds)))
    program = np.random.default_rng([seed, 1]).integers(0, 1 << card.byte.bits, count, np.uint8).tobytes()
    tape = tw.synthesize(tw.Image.from_bytes(program, ADDRESS), format=card, rate_hz=RATE_HZ)
    _, at, _ = _bytes(tw.read(tape, format=card).blocks)  # when they are on tape
    value = np.frombuffer(program * (len(at) // count), np.uint8)
    if len(value) != len(at) or not len(at):
        raise RuntimeError(f"{card_name}: without noise and dropouts, not as many bytes were read as written")
    apart = float(np.median(np.diff(at)))
    bit_energy = _power(tape.samples[:, 0], at, apart) * bit_seconds * RATE_HZ
    sigma = np.sqrt(bit_energy / 10 ** ((bounds()[card_name]["ideal_db"] + ABOVE_DB) / 10) / 2)
    played = play(tape, _channel(depth_db), seed).samples[:, 0]
    hiss = np.random.default_rng([seed, 2]).standard_normal(len(played), dtype=np.float32)
    reading = tw.read(tw.Recording(played + np.float32(sigma) * hiss, RATE_HZ), format=card)
    read, read_at, sure = _bytes(reading.blocks)
    after = np.searchsorted(at, read_at).clip(1, len(at) - 1)
    nearest = after - (read_at - at[after - 1] < at[after] - read_at)
    is_right = (np.abs(at[nearest] - read_at) < 0.5 * apart) & (read == value[nearest])
    wrong = len(value) - len(np.unique(nearest[is_right]))
    unflagged = int(np.sum(~is_right & (sure > SURE)))
    return Dropouts(card_name, depth_db, "read", len(value), wrong, unflagged)


def _bytes(blocks: Iterable[Block]) -> tuple[npt.NDArray[np.uint8], FloatArray, FloatArray]:
    """Values, times and confidences of all bytes, one block after another."""
    found = [block for block in blocks if block.data]
    values = np.frombuffer(b"".join(block.data for block in found), np.uint8)
    none = [np.zeros(0)]
    return (
        values,
        np.concatenate([block.byte_seconds for block in found] or none),
        np.concatenate([block.byte_confidence for block in found] or none),
    )


def _power(samples: npt.NDArray[np.float32], at: FloatArray, seconds: float) -> float:
    """Mean power of the stretches of so many seconds that begin at some times."""
    total = np.concatenate(([0.0], np.cumsum(samples.astype(np.float64) ** 2)))
    first = (at * RATE_HZ).astype(np.int64)
    last = np.minimum(first + round(seconds * RATE_HZ), len(samples))
    return float(np.sum(total[last] - total[first]) / np.sum(last - first))
