"""The machine's eye: what a map costs."""
