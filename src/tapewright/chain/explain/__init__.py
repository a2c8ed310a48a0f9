"""Where the chain stopped in each stretch of a recording, and why, in an owner's words."""

from tapewright.chain.explain.tiles import explain

__all__ = ["explain"]
