"""How the loops that must be fast are compiled by numba: with one of two settings, and kept on disk.

Compiling is nearly all of a first run, so:

- Settings are one of two, but in the simulations (`machine`, `channel`). What kernels call, even `min` or
  `np.empty`, numba compiles anew for each set of settings (measured: a tenth of a first run).
- A kernel is called with one kind of arguments: contiguous arrays of one type each. Each kind is compiled for
  itself, and a literal number is a kind of its own (`tests/roundtrip/test_kernels.py`).
- Where a loop adds up from a place on that is looked up, the place is a number without a sign (`np.uint64`):
  else each index may be one counted from the end, and nothing is done several at a time (measured: up to ten
  times as long).
- A kernel fills in arrays that it is given. Numpy's functions take a tenth of a second each to compile.
"""

from __future__ import annotations

from numba import njit

__all__ = ["inlined", "kernel", "summing_kernel"]

#: Arithmetic as written.
kernel = njit(cache=True, nogil=True, error_model="numpy")

#: Sums of many products, in the order that is fastest.
summing_kernel = njit(
    cache=True,
    nogil=True,
    error_model="numpy",
    fastmath={"reassoc", "contract", "nsz", "arcp"},
)

#: A few lines that become part of the kernels they are used in.
inlined = njit(inline="always")
