"""Stage: bytes to and from blocks."""
