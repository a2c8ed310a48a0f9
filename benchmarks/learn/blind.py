"""What is learned of made-up formats from recordings alone, of which no byte is known.

Examples
--------
Forty formats, each from one recording and from three::

    .venv/bin/python -m benchmarks.learn.blind --count 40
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass

import numpy as np

from benchmarks.learn.formats import FAMILIES, MadeUp, random_format, random_program, random_start
from benchmarks.learn.saves import save
from tapewright import line
from tapewright.cards import ByteFormat
from tapewright.cards.checks import CrcCheck
from tapewright.cards.layout import Check
from tapewright.chain import read
from tapewright.chain.learn import Learned
from tapewright.chain.learn_blind import learn_blind
from tapewright.model import Recording

__all__ = ["Trial", "main", "try_format"]

SHORTEST, LONGEST = 48, 512
RECORDINGS = (1, 3)
#: Pieces of bits looked for to compare line codes, and how many of them may be missing.
PIECES, PIECE_BITS, MOST_MISSING = 8, 40, 2
WHAT = ("line code", "framing", "orientation", "data", "check", "claims wrong", "surer than likely")


@dataclass(frozen=True)
class Trial:
    """A made-up format learned blindly.

    Parameters
    ----------
    seed : int
    family : str
    count : int
        How many recordings were given.
    right : dict of str to bool
        By the names of `WHAT`; a check only where the format has one.
    cpu : float
        Seconds of the processor.
    traits : tuple of str
    """

    seed: int
    family: str
    count: int
    right: dict[str, bool]
    cpu: float
    traits: tuple[str, ...]


def try_format(seed: int, count: int, family: str | None = None) -> Trial:
    """Make a format up, save as many programs in it, and learn it from the recordings alone."""
    rng = np.random.default_rng([seed, 99])
    made_up = random_format(rng, family)
    recordings, programs = [], []
    for k in range(count):
        size = round(float(np.exp(rng.uniform(np.log(SHORTEST), np.log(LONGEST)))))
        programs.append(random_program(rng, made_up, size))
        recordings.append(save(made_up, programs[-1], random_start(rng), f"PROG{k}", rng))
    began = time.process_time()
    learned = learn_blind(recordings)
    cpu = time.process_time() - began
    return Trial(
        seed, made_up.family, count, _judged(learned, made_up, recordings, programs), cpu, made_up.traits
    )


def _judged(
    learned: Learned, made_up: MadeUp, recordings: list[Recording], programs: list[bytes]
) -> dict[str, bool]:
    right = dict.fromkeys(WHAT, False)
    if learned.code is None or not learned.streams:
        return right
    sign = _sign(learned, made_up, recordings[0])
    right["line code"] = sign is not None
    if learned.layout is None:
        return right
    framing = learned.layout.framing
    swapped = framing.swapped[0] != (sign == -1)
    right["framing"] = sign is not None and _plain(framing.byte, swapped) == _plain(made_up.card.byte, False)
    right["data"] = learned.card is not None and all(
        b"".join(part.data for part in read(recording, format=learned.card).image.ranges) == program
        for recording, program in zip(recordings, programs, strict=True)
    )
    right["orientation"] = right["data"] or (
        right["framing"] and not swapped and framing.byte.order == made_up.card.byte.order
    )
    true_checks = {
        _named(item.check) for block in made_up.card.block if block.data for item in block.layout
        if isinstance(item, Check)
    }  # fmt: skip
    claims = [kind.tail_check for kind in learned.layout.kinds if kind.has_data and kind.tail_check]
    right["check"] = any(_named(claim.rule.check) in true_checks for claim in claims)
    right["claims wrong"] = any(
        claim.certainty != "open" and _named(claim.rule.check) not in true_checks for claim in claims
    )
    every = [c for kind in learned.layout.kinds for c in (kind.head_check, kind.tail_check) if c]
    right["surer than likely"] = any(claim.certainty == "certain" for claim in every)
    if not made_up.has_check:
        del right["check"]
    return right


def _sign(learned: Learned, made_up: MadeUp, recording: Recording) -> int | None:
    """Whether the same bits were heard as by the true card: 1, -1 if the other way round, None if not."""
    true = "".join(c for c in line.decode(recording, made_up.card).symbols.text if c in "01")
    heard = "".join(c for c in learned.streams[0].symbols.text if c in "01")
    starts = np.linspace(0.1, 0.9, PIECES) * max(len(true) - PIECE_BITS, 1)
    pieces = [true[int(start) : int(start) + PIECE_BITS] for start in starts]
    turned = str.maketrans("01", "10")
    upright = sum(piece in heard for piece in pieces)
    inverted = sum(piece.translate(turned) in heard for piece in pieces)
    if max(upright, inverted) < PIECES - MOST_MISSING:
        return None
    if upright == inverted:  # leaders, that look alike
        return 1
    return 1 if upright > inverted else -1


def _plain(byte: ByteFormat, swapped: bool) -> tuple[object, ...]:
    """A byte's framing, with what says the same told the same way: more stop symbols are idle time."""
    turned = str.maketrans("01", "10") if swapped else {}
    start, stop, parity = byte.start.translate(turned), byte.stop.translate(turned), str(byte.parity)
    if swapped:
        other = {"mark": "space", "space": "mark"}
        if byte.bits % 2 == 0:
            other |= {"even": "odd", "odd": "even"}
        parity = other.get(parity, parity)
    if stop and parity == {"1": "mark", "0": "space"}[stop[0]]:
        parity = "none"  # a stop symbol more
    bits = byte.bits
    if bits == 7 and parity in ("mark", "space"):
        bits, parity = 8, "none"  # a data bit that never changes
    return bits, start, stop[:1], parity


def _named(check: object) -> str:
    return f"crc {check.crc.width} {check.crc.poly:x}" if isinstance(check, CrcCheck) else str(check)


def main() -> None:
    """Learn many formats and print how much was right, from one recording and from three."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.learn.blind", description=__doc__)
    parser.add_argument("--count", type=int, default=44, help="formats, of all families in turn")
    parser.add_argument("--first", type=int, default=0, help="seed of the first")
    options = parser.parse_args()
    trials = []
    for seed in range(options.first, options.first + options.count):
        for count in RECORDINGS:
            trial = try_format(seed, count, FAMILIES[seed % len(FAMILIES)])
            trials.append(trial)
            wrong = [what for what in WHAT[:5] if not trial.right.get(what, True)]
            wrong += [what for what in WHAT[5:] if trial.right[what]]
            words = f"not right: {', '.join(wrong) or '-'}   {' '.join(trial.traits)}"
            print(f"{seed:5d} {count} {trial.family:13s} {trial.cpu:5.1f} s  {words}", flush=True)
    print(f"\n{'recordings':18s}" + "".join(f"{count:>8d}" for count in RECORDINGS))
    for what in WHAT:
        shares = []
        for count in RECORDINGS:
            told = [trial.right[what] for trial in trials if trial.count == count and what in trial.right]
            shares.append(f"{100 * np.mean(told):6.0f} %" if told else "       -")
        print(f"{what:18s}" + "".join(shares))
    cpu = [trial.cpu for trial in trials]
    print(f"\nprocessor seconds: {np.median(cpu):.1f} median, {max(cpu):.1f} most")


if __name__ == "__main__":
    main()
