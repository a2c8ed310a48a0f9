"""Running the command line inside the test process, and a format quick enough to test with."""

from __future__ import annotations

import contextlib
import io
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tapewright.audio import create_audio, load
from tapewright.cli import main

#: A name, addresses and a check, and leaders no longer than a test needs.
QUICK_CARD = """
card   = "format"
name   = "quick-test"
title  = "A format with short leaders"
source = "made up for the tests"
[symbols]
"0" = [{ tone = 1200, cycles = 1 }]
"1" = [{ tone = 2400, cycles = 2 }]
[byte]
start = "0"
stop  = "1"
[[block]]
kind = "data"
layout = [
  { lead = "1", seconds = 1.0, at_least = 0.2 },
  { sync = "aa 0f" },
  { text = "name", length = 6 },
  { field = "start", type = "u16-le" },
  { field = "length", type = "u16-le" },
  { data = "length" },
  { check = "sum8", over = ["name", "start", "length", "data"] },
  { lead = "1", seconds = 0.3 },
]
load = "start"
"""
#: The same without name, address and check.
BARE_CARD = """
card   = "format"
name   = "bare-test"
title  = "A format that leaves everything open"
source = "made up for the tests"
[symbols]
"0" = [{ tone = 1200, cycles = 1 }]
"1" = [{ tone = 2400, cycles = 2 }]
[byte]
start = "0"
stop  = "1"
[[block]]
kind = "data"
layout = [
  { lead = "1", seconds = 1.0, at_least = 0.2 },
  { data = "until lead" },
  { lead = "1", seconds = 0.3 },
]
"""
PROGRAM = bytes((37 * k + 11) % 256 for k in range(120))
START = 0x0200


@dataclass(frozen=True)
class Ran:
    """What a command line did."""

    code: int
    out: str
    err: str

    @property
    def refusal(self) -> str:
        """The one line on stderr of a command that could not be done."""
        assert self.code == 2, (self.code, self.out, self.err)
        assert self.out == "", self.out
        lines = self.err.splitlines()
        assert len(lines) == 1, self.err
        assert lines[0].startswith("tapewright: ")
        assert self.err.endswith("\n")
        assert "Traceback" not in self.err
        assert "Error" not in self.err
        return lines[0].removeprefix("tapewright: ")


def run(*words: object) -> Ran:
    """Run ``tapewright WORDS...``."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main([str(word) for word in words])
    return Ran(code, out.getvalue(), err.getvalue())


def with_silence(path: Path, new_path: Path, start_seconds: float, end_seconds: float) -> Path:
    """Copy a sound file, with a stretch of it silent."""
    recording = load(path)
    samples = recording.samples.copy()
    samples[round(start_seconds * recording.rate_hz) : round(end_seconds * recording.rate_hz)] = 0
    with create_audio(new_path, recording.rate_hz) as file:
        file.write(samples.astype(np.float32))
    return new_path
