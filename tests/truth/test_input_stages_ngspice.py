"""Every input stage against ngspice, from levels that just work to far too loud (docs/machine-input.md).

ngspice solves the whole circuit with its own devices, capacitances of the transistor's junctions included;
see tests/ngspice_stages.py for what stands in for gates.
"""

from __future__ import annotations

import numpy as np
import pytest

from input_stages import STAGES, sine, square_ish
from ngspice_stages import RECORDER_OHMS, bit_transitions
from tapewright.machine.port import port_of
from tapewright.machine.simulate import RATE_HZ, edges_at

pytestmark = pytest.mark.needs_tool("ngspice")

#: For 1 V at the socket: the first just works, the last is far too loud.
LEVELS = {
    "transistor": [0.72, 1.0, 2.5, 8.0],
    "transistor with bias": [0.12, 1.0, 8.0],
    "transistor, no capacitor": [0.85, 2.5, 8.0],
    "comparator": [0.055, 5.0],
    "inverter": [0.05, 0.3, 9.0],
    "schmitt, CMOS": [1.2, 4.0, 12.0],
    "schmitt, TTL": [1.05, 5.0],
    "clamp": [0.6, 12.0],
    "one-shot": [0.03, 5.0],
    "tone-decoder": [0.1, 2.0],
}
#: Root mean square of the differences of transitions, and of what is left when their mean is taken away. The
#: transistor's junctions take a microsecond or two to charge, which the model leaves out.
LIMITS_US = {
    "transistor": (2.0, 0.6),
    "transistor with bias": (2.0, 0.6),
    "transistor, no capacitor": (2.0, 0.6),
    "tone-decoder": (15.0, 15.0),
}
OTHERS_US = (0.5, 0.4)


def _two_signals():
    return np.concatenate((sine(1300.0, 0.01), square_ish(0.01)))


def _bursts():
    """The tone, a little beside the middle, silence, and the tone again."""
    silence = np.zeros(round(0.018 * RATE_HZ), np.float32)
    return np.concatenate((silence[:300], sine(2430.0, 0.016), silence, sine(2430.0, 0.009)))


@pytest.mark.parametrize("name", STAGES)
def test_transitions_agree(name, tmp_path):
    emf = _bursts() if name == "tone-decoder" else _two_signals()
    gains = LEVELS[name]
    theirs = bit_transitions(STAGES[name], emf, RATE_HZ, gains, tmp_path)
    ours = edges_at(emf, port_of(STAGES[name], RECORDER_OHMS), gains)
    most_us, most_spread_us = LIMITS_US.get(name, OTHERS_US)
    until = (len(emf) - 1) / RATE_HZ
    for gain, (seconds, first), found in zip(gains, theirs, ours, strict=True):
        mine = found.seconds[found.seconds < until]
        assert (len(mine), found.first) == (len(seconds), first), f"at {gain} V"
        assert len(mine) >= (2 if name == "tone-decoder" else 15)
        late_us = 1e6 * (seconds - mine)
        assert np.sqrt(np.mean(late_us**2)) < most_us, f"at {gain} V"
        assert np.std(late_us) < most_spread_us, f"at {gain} V"


def test_a_transistor_begins_to_work_at_the_same_level(tmp_path):
    emf = sine(1300.0, 0.01)
    decibels = np.arange(-3.5, -2.2, 0.1)
    gains = list(10 ** (decibels / 20))
    theirs = bit_transitions(STAGES["transistor"], emf, RATE_HZ, gains, tmp_path)
    ours = edges_at(emf, port_of(STAGES["transistor"], RECORDER_OHMS), gains)
    silent_theirs = sum(len(seconds) == 0 for seconds, _ in theirs)
    silent_ours = sum(len(found) == 0 for found in ours)
    assert 0 < silent_theirs < len(gains)
    assert silent_ours == pytest.approx(silent_theirs, abs=1)
