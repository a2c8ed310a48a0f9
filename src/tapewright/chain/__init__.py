"""The only place where stages meet: write, read, combine, verify, learn."""

from tapewright.chain.combine import combine
from tapewright.chain.explain import explain
from tapewright.chain.lesson import Lesson, learn_format
from tapewright.chain.read import read
from tapewright.chain.verify import Verdict, compare_with, verify
from tapewright.chain.write import Written, synthesize, write

__all__ = [
    "Lesson",
    "Verdict",
    "Written",
    "combine",
    "compare_with",
    "explain",
    "learn_format",
    "read",
    "synthesize",
    "verify",
    "write",
]
