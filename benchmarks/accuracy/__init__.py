"""Error rate against Eb/N0, beside theory."""
