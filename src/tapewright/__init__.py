"""Save and load programs of vintage computers over audio cassette."""
