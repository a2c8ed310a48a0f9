"""The command line: says what to do to the chain, and tells people what came of it.

Everything heavy is imported inside the commands that need it, so that help and mistakes answer at once.
"""

from tapewright.cli.app import main

__all__ = ["main"]
