"""The only place where stages meet: write, read, verify."""

from tapewright.chain.read import read
from tapewright.chain.verify import Verdict, verify
from tapewright.chain.write import Written, synthesize, write

__all__ = ["Verdict", "Written", "read", "synthesize", "verify", "write"]
