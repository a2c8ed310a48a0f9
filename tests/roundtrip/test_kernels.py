"""Kernels of the receiver are compiled once: every further kind of arguments makes a first run longer."""

from __future__ import annotations

import json
import subprocess
import sys

READING = """
import json, sys
import numpy as np
from numba.core.dispatcher import Dispatcher
import tapewright as tw

noise = np.random.default_rng(20261129)
for card in ("kcs-1200", "larch-biphase-l-2000", "v21-300", "thistle-burst-320"):
    tape = tw.synthesize(tw.Image.from_bytes(bytes(range(100)), 0x0200), format=card)
    for loudness in (0.001, 0.5):
        rough = tape.samples + loudness * noise.standard_normal(tape.samples.shape)
        tw.read(rough.astype(np.float32), format=card, rate_hz=tape.rate_hz)
kernels = {
    f"{found.py_func.__module__}.{found.py_func.__name__}": [str(signature) for signature in found.signatures]
    for name, module in sys.modules.items() if name.startswith("tapewright.")
    for found in vars(module).values() if isinstance(found, Dispatcher)
}
print(json.dumps(kernels))
"""


def test_each_kernel_of_the_receiver_knows_one_kind_of_arguments():
    done = subprocess.run([sys.executable, "-c", READING], capture_output=True, text=True, check=True)
    kernels = json.loads(done.stdout)
    assert kernels["tapewright.line.trellis.search_forward"]
    assert kernels["tapewright.line.imprint._fill_in_carriers"]
    assert {name: kinds for name, kinds in kernels.items() if len(kinds) > 1} == {}
