"""Stage: symbols to and from bytes."""
