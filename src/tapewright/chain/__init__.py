"""The only place where stages meet: write, read, combine, verify.

Maps and lessons (`window`, `lesson`) are not imported here: what they need takes long to load, and reading
needs none of it.
"""

from tapewright.chain.combine import combine
from tapewright.chain.explain import explain
from tapewright.chain.read import OTHER_PROGRAM, read
from tapewright.chain.verify import Verdict, compare_with, verify
from tapewright.chain.write import Written, synthesize, write

__all__ = [
    "OTHER_PROGRAM",
    "Verdict",
    "Written",
    "combine",
    "compare_with",
    "explain",
    "read",
    "synthesize",
    "verify",
    "write",
]
