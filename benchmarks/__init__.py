"""Measurements of the receiver: tools for those who work on it, not part of the package."""
