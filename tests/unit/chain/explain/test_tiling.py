"""Whatever is put together, its stretches tile it: no holes, no overlaps, from the beginning to the end."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

import sounds_of_nothing as sounds
import tapewright as tw
from explained import RATE_HZ, assert_tiled, card, place, tape
from tapewright.chain import explain
from tapewright.model import STAGES, STRETCH_KINDS

PARTS = {
    "silence": lambda: np.zeros(place(0.4)),
    "noise": lambda: 0.3 * sounds.white_noise(0.7),
    "hum": lambda: sounds.hum(0.6),
    "music": lambda: sounds.music(0.9),
    "tape": tape,
    "leader": lambda: tape()[: place(1.4)],
    "middle": lambda: tape()[place(1.6) : place(2.1)],
    "end": lambda: tape()[place(2.0) :],
    "sliver": lambda: tape()[place(1.0) : place(1.02)],
}


@settings(max_examples=8)
@given(
    names=st.lists(st.sampled_from(sorted(PARTS)), min_size=1, max_size=3),
    hole=st.floats(0.0, 1.0),
    cut=st.integers(0, 500),
)
def test_stretches_tile_any_recording(names, hole, cut):
    samples = np.concatenate([PARTS[name]() for name in names])
    samples = samples[: len(samples) - cut].copy()
    first = int(hole * len(samples))
    samples[first : first + place(0.05)] = 0
    recording = tw.Recording(samples.astype(np.float32), RATE_HZ)
    stretches = explain(recording, card(), tw.read(recording, format=card()))
    assert_tiled(stretches, recording.seconds)
    assert all(stretch.stage in STAGES and stretch.kind in STRETCH_KINDS for stretch in stretches)
    assert all(stretch.text for stretch in stretches)


class Endless:
    """A source that counts the samples it hands out at once."""

    rate_hz, channels, path, sha256 = 8_000.0, 1, None, None

    def __init__(self, seconds: float) -> None:
        self.seconds, self.largest = seconds, 0

    def chunks(self, seconds: float = 1.0):
        self.largest = max(self.largest, round(seconds * self.rate_hz))
        rng = np.random.default_rng(1)
        for _ in range(round(self.seconds / seconds)):
            yield (0.1 * rng.standard_normal((round(seconds * self.rate_hz), 1))).astype(np.float32)


def test_a_long_recording_is_streamed():
    source = Endless(120.0)
    reading = tw.read(source, format="v21-300")
    (stretch,) = explain(source, card(), reading)
    assert stretch.kind == "noise"
    assert stretch.span.end_seconds == 120.0
    assert source.largest <= 5 * source.rate_hz
