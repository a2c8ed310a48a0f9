"""How long after a symbol ended `Listener` gives it out, and how much of a processor that takes.

A tape with a program is fed in small pieces, as a sound card gives them. Delays are in audio time: what had
been fed when the symbol came, less where it ended. They are counted from the first byte of data to the last:
where a leader's symbols begin is open until data come. The symbols are held against those of the file reader.

Examples
--------
::

    .venv/bin/python -m benchmarks.live
    .venv/bin/python -m benchmarks.live --cards kcs-1200 --no-save
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

import tapewright as tw
from benchmarks import history
from benchmarks.accuracy.families import FAMILIES
from benchmarks.start import write_program
from tapewright.line.gather import chained
from tapewright.model import Symbols

PROGRAM_BYTES = 150
PIECE_SAMPLES = 64


def main() -> None:
    """Measure, print and keep."""
    options = _options()
    print(f"{'format':24s} {'symbols':>8s} {'not as in the file':>19s} {'mean ms':>8s} {'at most ms':>11s}"
          f" {'times real time':>16s}", flush=True)  # fmt: skip
    rows: list[dict[str, Any]] = []
    with tempfile.TemporaryDirectory() as folder:
        for card in options.cards.split(","):
            path = Path(folder) / f"{card}.flac"
            write_program(card, PROGRAM_BYTES, path)
            rows.append(measured(card, path))
            row = rows[-1]
            print(f"{card:24s} {row['symbols']:8d} {row['unlike_file']:19d} {row['mean_ms']:8.1f}"
                  f" {row['most_ms']:11.1f} {row['times_real_time']:16.1f}", flush=True)  # fmt: skip
    if options.save:
        print(f"\nkept in {history.save('live', {'delays': rows}, options.commit)}")


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m benchmarks.live", description="See the module's text.")
    add = parser.add_argument
    add("--cards", default=",".join(family.card for family in FAMILIES), help="names with commas between")
    add("--commit", help="name of this state of the package; else the working tree's commit")
    add("--no-save", dest="save", action="store_false", help="do not write to benchmarks/history")
    return parser.parse_args()


def measured(card: str, path: Path) -> dict[str, Any]:
    """Feed a recording piece by piece, and compare with reading it as a file."""
    reading = tw.read(path, format=card)
    bytes_seconds = np.concatenate([block.byte_seconds for block in reading.blocks])
    data = (float(bytes_seconds[0]), float(bytes_seconds[-1]))
    tape = tw.load_audio(path)
    fed_by(tw.Listener(card, tape.rate_hz), tape.samples, PIECE_SAMPLES)  # compiles
    began = time.process_time()
    parts, given_seconds = fed_by(tw.Listener(card, tape.rate_hz), tape.samples, PIECE_SAMPLES)
    taken = time.process_time() - began
    heard = chained(parts)
    among = _within(heard, data)
    delays_ms = 1e3 * (given_seconds - heard.end_seconds)[among]
    return {
        "card": card,
        "symbols": int(among.sum()),
        "unlike_file": _unlike(reading.symbols, heard, data),
        "mean_ms": float(delays_ms.mean()),
        "most_ms": float(delays_ms.max()),
        "times_real_time": tape.seconds / taken,
    }


def fed_by(listener: tw.Listener, samples: np.ndarray, size: int) -> tuple[list[Symbols], np.ndarray]:
    """Feed pieces of one size; also tells how much had been fed, in seconds, when each symbol came."""
    parts, fed = [], []
    for first in range(0, len(samples), size):
        parts.append(listener.feed(samples[first : first + size]))
        fed.append(np.full(len(parts[-1]), min(first + size, len(samples)) / listener.rate_hz))
    parts.append(listener.finish())
    fed.append(np.full(len(parts[-1]), len(samples) / listener.rate_hz))
    return parts, np.concatenate(fed)


def _within(symbols: Symbols, span: tuple[float, float]) -> np.ndarray:
    middle = 0.5 * (symbols.start_seconds + symbols.end_seconds)
    return np.asarray((symbols.index >= 0) & (middle > span[0]) & (middle < span[1]))


def _unlike(file: Symbols, live: Symbols, span: tuple[float, float]) -> int:
    """Count the file's symbols that were not given out live, at their time."""
    of_file = np.flatnonzero(_within(file, span))
    middle = 0.5 * (file.start_seconds + file.end_seconds)[of_file]
    k = np.clip(np.searchsorted(live.start_seconds, middle, "right") - 1, 0, None)
    is_same = (live.index[k] == file.index[of_file]) & (middle < live.end_seconds[k])
    return int(np.count_nonzero(~is_same))


if __name__ == "__main__":
    main()
